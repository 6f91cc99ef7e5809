"""A cycle's flash point against its product: margin, probability, class, prediction. Pure."""

from __future__ import annotations

import math

from edgeflash.config.site import Analyzer, Product
from edgeflash.flash.hazard import Scheme, classify
from edgeflash.flash.methods import METHODS
from edgeflash.flash.prediction import predicted
from edgeflash.model import Assessment, Computed, Cycle, InputReading

R_PER_SD = 2.77
"""Reproducibility (95 %) over one standard deviation of a result: 1.96 · √2 (ISO 4259)."""


def assess(
    cycle: Cycle,
    computed: Computed,
    analyzer: Analyzer,
    product: Product | None,
    inputs: tuple[InputReading, ...],
) -> Assessment:
    """The assessment of a cycle's value at standard pressure, believed or not."""
    value_c = computed.corrected_c
    if value_c is not None and not math.isfinite(value_c):
        value_c = None
    minimum_c = product.minimum_c if product is not None else None
    predicted_c, note = None, ""
    if analyzer.prediction is not None:
        predicted_c, note = predicted(analyzer.prediction, inputs)
    margin_c = None if value_c is None or minimum_c is None else value_c - minimum_c
    return Assessment(
        stream=cycle.stream,
        minimum_c=minimum_c,
        margin_c=margin_c,
        probability=_probability(margin_c, analyzer, product),
        hazard_class=_hazard_text(value_c, analyzer),
        predicted_c=predicted_c,
        prediction_note=note,
    )


def probability_of_meeting(margin_c: float, sd_c: float) -> float:
    """That the true flash point meets the limit: Φ(margin / σ), the normal distribution.

    The same for a limit that itself passes and one that itself fails.
    """
    return 0.5 * math.erfc(-margin_c / (sd_c * math.sqrt(2.0)))


def result_sd_c(analyzer: Analyzer, product: Product) -> float | None:
    """One standard deviation of a result at the product's limit; None when it is not known.

    The site's own; else R / 2.77 of the method the analyzer is said to keep, else of the product's.
    """
    if product.sd_c is not None:
        return product.sd_c
    method = METHODS.get(analyzer.method or product.method or "")
    if method is None or product.minimum_c is None:
        return None
    r_c = method.reproducibility_c(product.minimum_c)
    return None if r_c is None else r_c / R_PER_SD


def _probability(
    margin_c: float | None, analyzer: Analyzer, product: Product | None
) -> float | None:
    if margin_c is None or product is None:
        return None
    known_sd_c = result_sd_c(analyzer, product)
    return None if known_sd_c is None else probability_of_meeting(margin_c, known_sd_c)


def _hazard_text(value_c: float | None, analyzer: Analyzer) -> str:
    if value_c is None or analyzer.hazard_scheme is None:
        return ""
    return classify(Scheme(analyzer.hazard_scheme), value_c, analyzer.boiling_point_c).text

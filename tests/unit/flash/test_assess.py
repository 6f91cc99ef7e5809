"""A value against its product: margin, probability, class, prediction."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.config.site import Analyzer, Prediction, Product
from edgeflash.flash.assess import assess, probability_of_meeting, result_sd_c
from edgeflash.flash.products import resolved
from edgeflash.model import Computed, InputReading, Role
from tests.simulated_line import bench_analyzer
from tests.unit.rules.contexts import SOUND

EN_590 = resolved(Product(specification="en-590"))


def analyzer(**changes: Any) -> Analyzer:
    return bench_analyzer(**changes)


def assessed(value_c: float | None, product: Product | None = EN_590, **changes: Any) -> Any:
    computed = Computed(corrected_c=value_c)
    return assess(SOUND, computed, analyzer(**changes), product, ())


@pytest.mark.parametrize(
    ("value_c", "sd_c", "probability"),
    [
        # Standard normal table: Φ(0) 0.5, Φ(1) 0.8413, Φ(1.645) 0.9500, Φ(2) 0.9772, Φ(−1) 0.1587.
        (55.0, 1.0, 0.5),
        (56.0, 1.0, 0.8413),
        (54.0, 1.0, 0.1587),
        (57.0, 1.0, 0.9772),
        (59.0, 2.0, 0.9772),
        (56.645, 1.0, 0.9500),
    ],
)
def test_probability_with_the_sites_own_precision(
    value_c: float, sd_c: float, probability: float
) -> None:
    """Φ((x − L)/σ)."""
    product = Product(minimum_c=55.0, sd_c=sd_c)
    found = assessed(value_c, product)
    assert found.probability == pytest.approx(probability, abs=6e-5)
    assert found.margin_c == pytest.approx(value_c - 55.0)
    assert found.minimum_c == 55.0


@given(st.floats(-30.0, 30.0), st.floats(0.1, 20.0))
def test_the_normal_distribution(margin_c: float, sd_c: float) -> None:
    """As the standard library's statistics has it."""
    expected = NormalDist(0.0, sd_c).cdf(margin_c)
    assert probability_of_meeting(margin_c, sd_c) == pytest.approx(expected, abs=1e-12)


def test_probability_by_the_methods_reproducibility() -> None:
    """ISO 2719 A (from memory): R(55) = 3.905, σ = R/2.77; at 55 + 0.59·R 95 % are sure
    (ISO 4259-2, whose 0.59 is 1.645/2.77 rounded)."""
    assert result_sd_c(analyzer(), EN_590) == pytest.approx(3.905 / 2.77)
    assert assessed(55.0 + 0.59 * 3.905).probability == pytest.approx(0.949, abs=0.001)
    assert assessed(55.0 - 0.59 * 3.905).probability == pytest.approx(0.051, abs=0.001)


def test_whose_precision_holds() -> None:
    """The site's own before the method the analyzer keeps, before the product's."""
    assert result_sd_c(analyzer(method="d6450"), EN_590) == pytest.approx(3.1 / 2.77)
    own = EN_590.model_copy(update={"sd_c": 0.7})
    assert result_sd_c(analyzer(method="d6450"), own) == 0.7
    assert result_sd_c(analyzer(), Product(minimum_c=55.0)) is None
    assert result_sd_c(analyzer(), Product(method="d93-a")) is None
    assert result_sd_c(analyzer(method="d93-a"), Product(minimum_c=-10.0)) is None


def test_an_unknown_precision_gives_no_probability() -> None:
    """The margin stands without it."""
    found = assessed(57.0, Product(minimum_c=55.0))
    assert (found.margin_c, found.probability) == (2.0, None)


@pytest.mark.parametrize("product", [None, Product(), Product(sd_c=1.0)])
def test_without_a_limit_there_is_no_margin(product: Product | None) -> None:
    """Nothing is guessed."""
    found = assessed(57.0, product)
    assert (found.minimum_c, found.margin_c, found.probability) == (None, None, None)


@pytest.mark.parametrize("value_c", [None, math.nan, math.inf])
def test_without_a_value_only_the_limit_is_known(value_c: float | None) -> None:
    """No margin, no probability and no class of nothing."""
    found = assessed(value_c, hazard_scheme="ghs")
    assert found.minimum_c == 55.0
    assert (found.margin_c, found.probability, found.hazard_class) == (None, None, "")


def test_the_class_under_the_sites_scheme() -> None:
    """The trap: 60.0 °C is GHS category 3 and NFPA 30 class IIIA."""
    assert assessed(60.0, hazard_scheme="ghs").hazard_class == "GHS category 3, H226, Warning"
    assert assessed(60.0, hazard_scheme="nfpa30").hazard_class == "NFPA 30 class IIIA"
    assert assessed(60.0).hazard_class == ""
    boils = assessed(10.0, hazard_scheme="ghs", boiling_point_c=80.0)
    assert boils.hazard_class == "GHS category 2, H225, Danger"
    assert assessed(10.0, hazard_scheme="ghs").hazard_class == "GHS category 1, H224, Danger"


def test_prediction_and_stream() -> None:
    """Carried along, with the note of why there is none."""
    one = Prediction(kind="value", value="model")
    at_stream = replace(SOUND, values={**SOUND.values, Role.STREAM: 3})
    computed = Computed(corrected_c=60.0)
    inputs = (InputReading("model", 61.0, True, 1.0),)
    found = assess(at_stream, computed, analyzer(prediction=one), EN_590, inputs)
    assert (found.stream, found.predicted_c, found.prediction_note) == (3, 61.0, "")
    found = assess(at_stream, computed, analyzer(prediction=one), EN_590, ())
    assert (found.predicted_c, found.prediction_note) == (None, "input model has no value")
    found = assess(at_stream, computed, analyzer(), EN_590, inputs)
    assert (found.predicted_c, found.prediction_note) == (None, "")

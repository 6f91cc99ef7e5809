"""Checks of the predictions in a site file: is each complete, and is there all it reads?"""

from __future__ import annotations

import math
from collections.abc import Iterator

from edgeflash.config.expectations import nearest
from edgeflash.config.problems import Problem
from edgeflash.config.site import Prediction, SiteFile
from edgeflash.config.toml_positions import KeyPath

_NEEDED = {"value": "value", "blend": "components", "distillation": "t10_c"}
_ALLOWED = {
    "value": {"kind", "value"},
    "blend": {"kind", "components", "index"},
    "distillation": {"kind", "t10_c", "correlation"},
}
TEMPERATURES = frozenset({"degC", "degF", "K"})
SHARES = frozenset({"percent", "fraction"})

LEAST_COMPONENTS = 2

EXACT = 1e-9
"""Constant shares are written by hand, so they add up; only their binary form may not."""


def prediction_problems(path: KeyPath, prediction: Prediction, file: SiteFile) -> Iterator[Problem]:
    """What is wrong with one prediction. path: of its table."""
    kind = prediction.kind
    if not getattr(prediction, _NEEDED[kind]):
        why = f'is missing; kind = "{kind}" needs it'
        yield Problem((*path, _NEEDED[kind]), why, ((*path, "kind"),))
    for key in sorted(prediction.model_fields_set - _ALLOWED[kind]):
        why = f'means nothing with kind = "{kind}"; take it out'
        yield Problem((*path, key), why, ((*path, "kind"),))
    match kind:
        case "value":
            yield from _figure_problems((*path, "value"), prediction.value, file, TEMPERATURES)
        case "distillation":
            yield from _figure_problems((*path, "t10_c"), prediction.t10_c, file, TEMPERATURES)
        case "blend":
            yield from _blend_problems(path, prediction, file)


def _blend_problems(path: KeyPath, prediction: Prediction, file: SiteFile) -> Iterator[Problem]:
    key = (*path, "components")
    components = prediction.components
    if 0 < len(components) < LEAST_COMPONENTS:
        yield Problem(key, f"a blend has at least {LEAST_COMPONENTS} components, not 1")
    for place, component in enumerate(components):
        yield from _figure_problems((*key, place, "flash_c"), component.flash_c, file, TEMPERATURES)
        share = (*key, place, "share")
        yield from _figure_problems(share, component.share, file, SHARES)
        if not isinstance(component.share, str) and not 0.0 <= component.share <= 1.0:
            why = f"must be a volume fraction from 0 to 1, not {component.share:g}"
            yield Problem(share, why)
    given = [c.share for c in components if not isinstance(c.share, str)]
    total, all_given = math.fsum(given), len(given) == len(components)
    uses = tuple((*key, place, "share") for place in range(len(components)))
    if components and all_given and abs(total - 1.0) > EXACT:
        yield Problem(key, f"the shares must add up to 1, not to {total:.6g}", uses)
    elif not all_given and total > 1.0 + EXACT:
        yield Problem(key, f"the constant shares alone add up to {total:.6g}, above 1", uses)


def _figure_problems(
    path: KeyPath, source: float | str | None, file: SiteFile, units: frozenset[str]
) -> Iterator[Problem]:
    """A constant, or the id of an input in one of these units."""
    if not isinstance(source, str):
        return
    inputs = {one.id: place for place, one in enumerate(file.inputs)}
    if source not in inputs:
        why = f'there is no [[inputs]] with id = "{source}"{nearest(source, inputs)}'
        yield Problem(path, why, (("inputs",),))
    elif file.inputs[inputs[source]].unit not in units:
        unit = file.inputs[inputs[source]].unit
        wanted = ", ".join(sorted(units))
        why = f'needs an input in one of {wanted}; {source} has unit = "{unit}"'
        yield Problem(path, why, (("inputs", inputs[source], "unit"),))

"""Predictions from the control system's inputs: figures by hand, and what has none."""

from __future__ import annotations

import math
from typing import Any

import pytest

from edgeflash.config.site import Prediction
from edgeflash.flash.prediction import predicted
from edgeflash.model import InputReading


def prediction(**keys: Any) -> Prediction:
    return Prediction.model_validate(keys)


def reading(name: str, value: float, is_good: bool = True) -> InputReading:
    return InputReading(name, value, is_good, 3.0)


BLEND = prediction(
    kind="blend",
    components=(
        {"flash_c": "base-flash", "share": "base-share"},
        {"flash_c": 52.0, "share": 0.3},
        {"flash_c": "light-flash", "share": 0.1},
    ),
)
INPUTS = (
    reading("base-flash", 75.0),
    reading("base-share", 0.6),
    reading("light-flash", 40.0),
    reading("other", math.nan, is_good=False),
)


def without(name: str) -> tuple[InputReading, ...]:
    return tuple(one for one in INPUTS if one.name != name)


def test_a_blend_of_inputs_and_constants() -> None:
    """Worked blend of three parts (hand arithmetic on the published indices)."""
    value_c, note = predicted(BLEND, INPUTS)
    assert value_c == pytest.approx(57.7434, abs=0.01)
    assert note == ""
    by_power = BLEND.model_copy(update={"index": "power"})
    assert predicted(by_power, INPUTS)[0] == pytest.approx(59.6348, abs=1e-3)


def test_from_distillation() -> None:
    """T10 190 °C: 63.70 °C by the nonlinear form, 59.92 °C by the linear one (by hand)."""
    one = prediction(kind="distillation", t10_c="t10")
    assert predicted(one, (reading("t10", 190.0),)) == (pytest.approx(63.70, abs=0.01), "")
    linear = prediction(kind="distillation", t10_c=190.0, correlation="linear")
    assert predicted(linear, ()) == (pytest.approx(59.92, abs=0.01), "")


def test_a_value_is_taken_as_it_comes() -> None:
    """The control system may predict by itself."""
    one = prediction(kind="value", value="model")
    assert predicted(one, (reading("model", 61.5),)) == (61.5, "")


@pytest.mark.parametrize("name", ["base-flash", "base-share", "light-flash"])
def test_an_input_that_is_missing_or_bad_is_named(name: str) -> None:
    """No figure from what is stale, and the note says which."""
    assert predicted(BLEND, without(name)) == (None, f"input {name} has no value")
    bad = (*without(name), reading(name, 0.1, is_good=False))
    assert predicted(BLEND, bad) == (None, f"input {name} is bad or stale")
    for value in (math.nan, math.inf):
        odd = (*without(name), reading(name, value))
        assert predicted(BLEND, odd) == (None, f"input {name} is bad or stale")


def test_shares_that_do_not_add_up_give_no_figure() -> None:
    """Nothing is made right in silence."""
    value_c, note = predicted(BLEND, (*without("base-share"), reading("base-share", 0.5)))
    assert value_c is None
    assert note == "the shares add up to 0.9, not to 1"


def test_what_is_out_of_range_gives_no_figure() -> None:
    """A correlation is not stretched, an index not asked the impossible."""
    one = prediction(kind="distillation", t10_c="t10")
    value_c, note = predicted(one, (reading("t10", 400.0),))
    assert value_c is None and "from 65 to 320 °C, not 400 °C" in note
    value_c, note = predicted(BLEND, (*without("base-flash"), reading("base-flash", 1e9)))
    assert value_c is None and "from -100 to 600 °C" in note


def test_extrapolation_is_told_beside_the_figure() -> None:
    """A part below 20 °C, unless there is none of it."""
    light = (*without("light-flash"), reading("light-flash", -10.0))
    value_c, note = predicted(BLEND, light)
    assert value_c == pytest.approx(12.0, abs=0.05)
    assert note.startswith("-10.0 °C, 12.0 °C outside 20 to 150 °C")
    none_of_it = prediction(
        kind="blend",
        components=(
            {"flash_c": 60.0, "share": 0.5},
            {"flash_c": 62.0, "share": 0.5},
            {"flash_c": "light-flash", "share": 0.0},
        ),
    )
    assert predicted(none_of_it, light)[1] == ""


@pytest.mark.parametrize("kind", ["value", "distillation"])
def test_an_incomplete_prediction_gives_no_figure(kind: str) -> None:
    """The check of the site file says so; running, it is a note."""
    value_c, note = predicted(prediction(kind=kind), INPUTS)
    assert value_c is None and "not complete" in note
    assert predicted(prediction(kind="blend"), INPUTS)[0] is None

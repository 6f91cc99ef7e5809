"""Arguments of the methods: what is sound, what is refused with which code, what a test shows.

Codes: OPC 10000-4, 5.12.2 (from memory).
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import pytest
from asyncua import ua
from asyncua.ua.status_codes import StatusCodes
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.opcua_calls import CallRefusedError, sound_values
from edgeflash.outlets.opcua_methods import METHODS, value_for_test
from edgeflash.points import CATALOGUE
from edgeflash.trust import Quality
from edgeflash.units import UNITS

POINTS = {point.name: point for point in CATALOGUE}
BY_TITLE = {declared.title: declared for declared in METHODS}
DOUBLE, STRING, UINT16 = ua.VariantType.Double, ua.VariantType.String, ua.VariantType.UInt16
TEST = [
    ua.Variant("flash_point_c", STRING),
    ua.Variant(140.0, DOUBLE),
    ua.Variant(0, UINT16),
    ua.Variant(60.0, DOUBLE),
]


def refused(title: str, *given: ua.Variant) -> tuple[str, list[str]]:
    """Names of the codes of the call and of each argument."""
    with pytest.raises(CallRefusedError) as refusal:
        sound_values(BY_TITLE[title].arguments, given)
    names = [ua.StatusCode(code).name for code in refusal.value.arguments]
    return ua.StatusCode(refusal.value.status).name, names


def test_sound_arguments_are_handed_on() -> None:
    """In their order; a text may be null."""
    given = [ua.Variant(30.0, DOUBLE), ua.Variant(None, STRING)]
    assert sound_values(BY_TITLE["StartMaintenance"].arguments, given) == [30.0, None]
    assert sound_values(BY_TITLE["StartTestSignal"].arguments, TEST)[1:] == [140.0, 0, 60.0]


def test_number_of_arguments() -> None:
    """Too few and too many are told apart."""
    minutes, why = ua.Variant(30.0, DOUBLE), ua.Variant("", STRING)
    assert refused("StartMaintenance", minutes) == ("BadArgumentsMissing", [])
    assert refused("StartMaintenance", minutes, why, why) == ("BadTooManyArguments", [])
    assert refused("EndMaintenance", why) == ("BadTooManyArguments", [])


@pytest.mark.parametrize("minutes", [0.0, -1.0, 1440.001, math.nan, math.inf])
def test_minutes_out_of_range(minutes: float) -> None:
    """Above 0 and at most a day; NaN is no time."""
    codes = refused("StartMaintenance", ua.Variant(minutes, DOUBLE), ua.Variant("", STRING))
    assert codes == ("BadInvalidArgument", ["BadOutOfRange", "Good"])


def test_wrong_types_are_told_for_each_argument() -> None:
    """A whole number is no Double, and an array no text."""
    codes = refused(
        "StartMaintenance",
        ua.Variant(30, ua.VariantType.Int32),
        ua.Variant(["a"], STRING, is_array=True),
    )
    assert codes == ("BadInvalidArgument", ["BadTypeMismatch", "BadTypeMismatch"])


def test_unknown_names_and_unprintable_texts() -> None:
    """A point and a quality of the tables; a reason of one line and bounded length."""
    wrong = [ua.Variant("nonsense", STRING), TEST[1], ua.Variant(9, UINT16), TEST[3]]
    assert refused("StartTestSignal", *wrong)[1] == [
        "BadOutOfRange",
        "Good",
        "BadOutOfRange",
        "Good",
    ]
    for why in ("two\nlines", "x" * 501):
        codes = refused("StartMaintenance", ua.Variant(1.0, DOUBLE), ua.Variant(why, STRING))
        assert codes[1] == ["Good", "BadOutOfRange"]


GOOD = Quality.GOOD
NOON = datetime(2031, 4, 5, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("point", "given", "shown"),
    [
        # 140 °F is 60 °C by definition of the scale.
        ("flash_point_c", 140.0, 60.0),
        ("flash_point_c", "140", 60.0),
        ("flash_point_c", 140, 60.0),
        ("possible_low_flash", True, True),
        ("possible_low_flash", "yes", True),
        ("possible_low_flash", "False", False),
        ("verdict", 3, 3),
        ("cycle_number", "17", 17),
        ("reason_text", "a test", "a test"),
        ("reason_text", "", ""),
        (
            "sampled_at",
            "2031-04-05T06:07:08+00:00",
            datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC),
        ),
        ("sampled_at", NOON.replace(tzinfo=None), NOON),
    ],
)
def test_a_test_value_in_the_points_own_unit(point: str, given: Any, shown: Any) -> None:
    """A number in the outlet's unit, or a text that means one."""
    unit = UNITS["degF"] if point == "flash_point_c" else None
    found = value_for_test(POINTS[point], given, GOOD, unit)
    assert type(found) is type(shown)
    assert found == (pytest.approx(shown) if isinstance(shown, float) else shown)


@pytest.mark.parametrize(
    ("point", "given", "code"),
    [
        ("flash_point_c", "warm", StatusCodes.BadTypeMismatch),
        ("flash_point_c", True, StatusCodes.BadTypeMismatch),
        ("flash_point_c", math.nan, StatusCodes.BadTypeMismatch),
        ("flash_point_c", None, StatusCodes.BadOutOfRange),
        ("flash_point_c", "", StatusCodes.BadOutOfRange),
        ("possible_low_flash", 1.0, StatusCodes.BadTypeMismatch),
        ("verdict", 4, StatusCodes.BadOutOfRange),
        ("verdict", 1.5, StatusCodes.BadTypeMismatch),
        ("cycle_number", -1, StatusCodes.BadOutOfRange),
        ("reason_text", 3, StatusCodes.BadTypeMismatch),
        ("sampled_at", "yesterday", StatusCodes.BadTypeMismatch),
    ],
)
def test_a_value_that_the_point_cannot_show(point: str, given: Any, code: int) -> None:
    """Refused with the fault at the second argument."""
    with pytest.raises(CallRefusedError) as refusal:
        value_for_test(POINTS[point], given, GOOD, None)
    assert refusal.value.status == StatusCodes.BadInvalidArgument
    assert refusal.value.arguments == (0, code, 0, 0)


def test_a_bad_quality_shows_no_value() -> None:
    """Whatever value comes with it."""
    assert value_for_test(POINTS["flash_point_c"], 60.0, Quality.NO_DATA, None) is None
    assert value_for_test(POINTS["flash_point_c"], None, Quality.NO_DATA, None) is None


@given(
    st.sampled_from(CATALOGUE),
    st.one_of(st.floats(), st.integers(), st.text(), st.booleans(), st.binary(), st.none()),
)
def test_any_value_is_shown_or_refused(point: Any, given_value: Any) -> None:
    """Never another exception."""
    try:
        shown = value_for_test(point, given_value, GOOD, None)
    except CallRefusedError:
        return
    assert shown is not None


def test_every_argument_is_described() -> None:
    """For the engineer who maps the call."""
    for declared in METHODS:
        assert declared.description.endswith(".")
        assert all(one.description.endswith(".") for one in declared.arguments)
    assert len({declared.name for declared in METHODS}) == len(METHODS) == 7

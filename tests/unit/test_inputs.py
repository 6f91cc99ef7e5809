"""What the control system writes: kept whatever it is, good only when all speaks for it.

Temperatures: 32 °F is 0 °C and 212 °F is 100 °C by definition of the scale, 273.15 K is 0 °C
(BIPM SI brochure, 9th edition, 2.3.1; from memory).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.config.site import Input
from edgeflash.inputs import InputFault, InputStore, inside
from edgeflash.model import InputReading
from edgeflash.trust import Trust

FLASH = Input(id="lab-flash", number=1, unit="degC", low=20.0, high=120.0, stale_s=600.0)
SHARE = Input(id="share-a", number=2, unit="percent", low=0.0, high=100.0)
GRADE = Input(id="grade", number=3)
FIXED = Input(id="share-b", number=4, unit="percent", value=40.0)
BY = "modbus 192.0.2.7"


def store() -> InputStore:
    """A store of four inputs, one of them a constant, one a product's number."""
    return InputStore((FLASH, SHARE, GRADE, FIXED), {"grade"})


def reading(of: InputStore, name: str, now_mono_s: float = 0.0) -> InputReading | None:
    """The reading of one input."""
    return next((r for r in of.readings(now_mono_s) if r.name == name), None)


def test_what_was_never_written_is_not_there_and_a_constant_always_is() -> None:
    """No zero and no default stands in for a value nobody gave."""
    assert store().readings(5.0) == (InputReading("share-b", 0.4, True, None),)
    assert reading(store(), "share-b", 1e9) == InputReading("share-b", 0.4, True, None)


def test_a_written_value_is_read_with_its_age() -> None:
    """In the order of the site file; percent becomes a fraction."""
    one = store()
    one.write("share-a", 25.0, Trust.GOOD, 103.0, BY)
    one.write("lab-flash", 61.5, Trust.GOOD, 100.0, BY)
    assert one.readings(107.5) == (
        InputReading("lab-flash", 61.5, True, 7.5),
        InputReading("share-a", 0.25, True, 4.5),
        InputReading("share-b", 0.4, True, None),
    )


@pytest.mark.parametrize(
    ("unit", "given", "expected"),
    [
        ("degC", 61.5, 61.5),
        ("degF", 32.0, 0.0),
        ("degF", 212.0, 100.0),
        ("K", 273.15, 0.0),
        ("percent", 12.5, 0.125),
        ("fraction", 0.125, 0.125),
        ("number", 7.0, 7.0),
    ],
)
def test_units_to_inside(unit: str, given: float, expected: float) -> None:
    """Temperatures in °C, shares from 0 to 1, all else as it is."""
    declared = Input.model_validate({"id": "x", "number": 1, "unit": unit})
    assert inside(declared, given) == pytest.approx(expected, abs=1e-12)


def test_the_range_is_that_of_the_written_unit() -> None:
    """140 °F lies within 100 to 200 °F, though 60 °C is what is read."""
    declared = Input(id="t10", number=1, unit="degF", low=100.0, high=200.0)
    one = InputStore((declared,))
    one.write("t10", 140.0, Trust.GOOD, 0.0, BY)
    (read,) = one.readings(0.0)
    assert read.is_good
    assert read.value == pytest.approx(60.0)


@pytest.mark.parametrize("value", [19.999, 120.001, 1e300, -1e300, math.inf, -math.inf, math.nan])
def test_what_is_no_number_of_the_range_is_kept_and_not_good(value: float) -> None:
    """It takes the place of the older value, which must not go on looking good."""
    one = store()
    one.write("lab-flash", 61.5, Trust.GOOD, 0.0, BY)
    one.write("lab-flash", value, Trust.GOOD, 1.0, BY)
    read = reading(one, "lab-flash", 2.0)
    assert read is not None and not read.is_good
    assert read.value == value or (math.isnan(value) and math.isnan(read.value))


@pytest.mark.parametrize("value", [20.0, 120.0])
def test_the_limits_themselves_are_good(value: float) -> None:
    """low and high belong to the range."""
    one = store()
    one.write("lab-flash", value, Trust.GOOD, 0.0, BY)
    read = reading(one, "lab-flash")
    assert read is not None and read.is_good


@pytest.mark.parametrize("trust", [Trust.UNCERTAIN, Trust.BAD])
def test_what_its_writer_does_not_call_good_is_not(trust: Trust) -> None:
    """With the value, or afterwards for the value that is there."""
    one = store()
    one.write("lab-flash", 61.5, trust, 0.0, BY)
    assert reading(one, "lab-flash") == InputReading("lab-flash", 61.5, False, 0.0)
    one.write("lab-flash", 62.5, Trust.GOOD, 1.0, BY)
    one.write_trust("lab-flash", trust, 2.0, BY)
    assert reading(one, "lab-flash", 3.0) == InputReading("lab-flash", 62.5, False, 2.0)


def test_a_quality_alone_makes_no_value_younger_and_none_out_of_nothing() -> None:
    """To call an old value good again does not make it new."""
    one = store()
    one.write_trust("lab-flash", Trust.GOOD, 0.0, BY)
    nothing = reading(one, "lab-flash")
    assert nothing is not None and not nothing.is_good and math.isnan(nothing.value)
    one.write("lab-flash", 61.5, Trust.BAD, 10.0, BY)
    one.write_trust("lab-flash", Trust.GOOD, 500.0, BY)
    assert reading(one, "lab-flash", 610.0) == InputReading("lab-flash", 61.5, True, 600.0)
    assert reading(one, "lab-flash", 610.5) == InputReading("lab-flash", 61.5, False, 600.5)


@given(st.floats(0.0, 1e6), st.floats(0.0, 1e6))
def test_age_is_the_monotonic_clocks(written_s: float, later_s: float) -> None:
    """Good exactly up to stale_s; never a negative age."""
    one = store()
    one.write("lab-flash", 61.5, Trust.GOOD, written_s, BY)
    read = reading(one, "lab-flash", later_s)
    assert read is not None and read.age_s is not None
    assert read.age_s == max(0.0, later_s - written_s)
    assert read.is_good is (read.age_s <= FLASH.stale_s)


def test_a_constant_cannot_be_written() -> None:
    """The site file's value stays, whatever comes."""
    one = store()
    one.write("share-b", 99.0, Trust.BAD, 0.0, BY)
    assert reading(one, "share-b") == InputReading("share-b", 0.4, True, None)


def test_changes_are_told_once_for_each_change_of_state() -> None:
    """Good, going on good, stale, good again: three, each with who wrote last."""
    one = store()
    assert one.changes(0.0) == ()
    seen = []
    for now_s, value in [(1.0, 60.0), (2.0, 61.0), (3.0, 62.0), (603.5, None), (604.0, 63.0)]:
        if value is not None:
            one.write("lab-flash", value, Trust.GOOD, now_s, f"{BY} at {now_s:g}")
        seen += one.changes(now_s)
    assert [(c.before, c.now, c.value, c.source) for c in seen] == [
        (InputFault.NEVER, InputFault.NONE, 60.0, f"{BY} at 1"),
        (InputFault.NONE, InputFault.STALE, 62.0, f"{BY} at 3"),
        (InputFault.STALE, InputFault.NONE, 63.0, f"{BY} at 604"),
    ]


def test_why_it_is_not_good_is_a_change_too() -> None:
    """From uncertain to out of range, to no number at all."""
    one = store()
    told = []
    for value, trust in [(60.0, Trust.UNCERTAIN), (500.0, Trust.GOOD), (math.nan, Trust.GOOD)]:
        one.write("lab-flash", value, trust, 0.0, BY)
        told += [change.now for change in one.changes(0.0)]
    assert told == [InputFault.WRITER, InputFault.OUT_OF_RANGE, InputFault.NO_NUMBER]


def test_every_change_of_a_products_number_is_counted() -> None:
    """Also there and back between two looks: the limit in force was another meanwhile."""
    one = store()
    one.write("grade", 2.0, Trust.GOOD, 0.0, BY)
    (first,) = one.changes(0.0)
    assert (first.steps, first.value, first.latest) == (1, 2.0, (2.0,))
    one.write("grade", 2.0, Trust.GOOD, 1.0, BY)
    assert one.changes(1.0) == ()
    one.write("grade", 3.0, Trust.GOOD, 2.0, BY)
    one.write("grade", 2.0, Trust.GOOD, 2.1, "opcua 192.0.2.9")
    (back,) = one.changes(3.0)
    assert (back.steps, back.told, back.value, back.source) == (2, 2.0, 2.0, "opcua 192.0.2.9")
    assert back.latest == (3.0, 2.0)
    assert one.changes(4.0) == ()


def test_a_heartbeat_is_silent_when_nobody_writes() -> None:
    """Since the start where it never came; whatever the value says of itself."""
    alive = Input(id="alive", number=1, heartbeat=True, stale_s=30.0)
    store = InputStore([alive, Input(id="t10", number=2, stale_s=1.0)])
    assert store.silent(130.0, since_mono_s=100.0) == ()
    assert "never written" in store.silent(130.5, since_mono_s=100.0)[0]
    store.write("alive", float("nan"), Trust.BAD, 131.0, "dcs")
    assert store.silent(161.0, since_mono_s=100.0) == ()
    store.write_trust("alive", Trust.GOOD, 160.0, "dcs")  # no new value: no beat
    (why,) = store.silent(161.5, since_mono_s=100.0)
    assert "heartbeat alive" in why

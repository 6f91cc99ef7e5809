"""Test methods: precision, scope, ramps, valid flashes and rounding against the methods' figures.

"read" beside a figure: found in a text of the method; "from memory": not compared with one.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.flash.method import FROM_MEMORY, READ
from edgeflash.flash.methods import (
    METHODS,
    REPORT_STEP_F,
    Tie,
    Window,
    flash_window,
    rounded_for_report,
)


@pytest.mark.parametrize(
    ("method", "at_c", "r_c", "reproducibility_c"),
    [
        # ASTM D93 A and ISO 2719 A, 0.029·X and 0.071·X (from memory), hand arithmetic.
        ("d93-a", 40.0, 1.160, 2.840),
        ("d93-a", 52.0, 1.508, 3.692),
        ("d93-a", 55.0, 1.595, 3.905),
        ("iso-2719-a", 60.0, 1.740, 4.260),
        ("iso-2719-a", 66.0, 1.914, 4.686),
        ("d93-a", 93.0, 2.697, 6.603),
        ("d93-a", 250.0, 7.25, 17.75),
        ("d93-a", 61.75, 1.79075, 4.38425),
        # Procedures B and C (from memory).
        ("d93-b-residual", 60.0, 2.0, 6.0),
        ("iso-2719-b", 60.0, 2.0, 6.0),
        ("d93-b-other", 150.0, 5.0, 10.0),
        ("d93-c", 93.0, 8.4, 14.7),
        ("iso-2719-c", 101.0, 8.4, 14.7),
        # ASTM D56 of about 2005 (from memory); 60 °C belongs to the upper span.
        ("d56", -10.0, 1.2, 4.3),
        ("d56", 59.99, 1.2, 4.3),
        ("d56", 60.0, 1.6, 5.8),
        ("d56", 93.0, 1.6, 5.8),
        # ASTM D3828 B and ISO 3679 (from memory); 70 °C belongs to the lower span.
        ("d3828-b", 40.0, 0.5, 2.07),
        ("iso-3679", 60.0, 0.5, 2.67),
        ("d3828-b", 70.0, 0.5, 2.97),
        ("d3828-b", 75.0, 1.071, 4.042),
        ("d3828-b-fame", 100.0, 1.9, 15.0),
        # ASTM D7236 (read).
        ("d7236", 40.0, 1.028, 1.986),
        ("d7236", 60.0, 1.285, 2.482),
        ("d7236", 93.0, 1.709, 3.301),
        # ASTM D6450, ASTM D7094 of 2004, ISO 13736 (read).
        ("d6450", 60.0, 1.9, 3.1),
        ("d7094", 60.0, 4.1, 5.5),
        ("iso-13736", 38.0, 1.4, 3.2),
    ],
)
def test_precision(method: str, at_c: float, r_c: float, reproducibility_c: float) -> None:
    """Repeatability and reproducibility at a flash point."""
    assert METHODS[method].repeatability_c(at_c) == pytest.approx(r_c, abs=5.1e-4)
    assert METHODS[method].reproducibility_c(at_c) == pytest.approx(reproducibility_c, abs=5.1e-4)


@pytest.mark.parametrize(
    ("method", "inside_c", "outside_c"),
    [
        # Spans of the precision statements, and 5 °C more (common practice, no source).
        ("d93-a", 35.0, 34.9),
        ("d93-a", 255.0, 255.1),
        ("iso-2719-b", 105.0, 105.1),
        ("d93-c", 55.0, 54.9),
        ("d93-c", 195.0, 195.1),
        ("d56", 98.0, 98.1),
        ("d3828-b", 15.0, 14.9),
        ("d7236", 140.0, 140.1),
        ("d7094", 30.0, 29.9),
        ("d7094", 230.0, 230.1),
        ("d6450", 5.0, 4.9),
        ("d6450", 255.0, 255.1),
        ("d7236", 35.0, 34.9),
        ("d93-b-residual", 35.0, 34.9),
        ("d93-b-other", 375.0, 375.1),
        ("d3828-b", 305.0, 305.1),
        ("d3828-b-fame", -35.0, -35.1),
        ("iso-13736", -13.5, -13.6),
        ("iso-13736", 80.0, 80.1),
    ],
)
def test_far_from_where_it_was_determined_a_precision_is_unknown(
    method: str, inside_c: float, outside_c: float
) -> None:
    """None, for both figures; a little outside it is still used."""
    one = METHODS[method]
    assert one.repeatability_c(inside_c) is not None
    assert one.reproducibility_c(inside_c) is not None
    assert one.repeatability_c(outside_c) is None
    assert one.reproducibility_c(outside_c) is None


@pytest.mark.parametrize(
    ("method", "low_c", "low_is_in", "high_c", "high_is_in", "origin"),
    [
        ("d93-a", 40.0, True, 370.0, True, READ),
        ("d93-b-residual", 40.0, True, 370.0, True, READ),
        ("d93-b-other", 40.0, True, 370.0, True, READ),
        ("d93-c", 60.0, True, 190.0, True, READ),
        ("iso-2719-a", 40.0, False, None, True, FROM_MEMORY),
        ("iso-2719-b", 40.0, False, None, True, FROM_MEMORY),
        ("iso-2719-c", 40.0, False, None, True, FROM_MEMORY),
        ("d56", None, True, 93.0, False, READ),
        ("d3828-b", -30.0, True, 300.0, True, READ),
        ("d3828-b-fame", -30.0, True, 300.0, True, READ),
        ("iso-3679", -30.0, True, 300.0, True, READ),
        ("d7236", 40.0, True, 135.0, True, READ),
        ("d6450", 10.0, True, 250.0, True, READ),
        ("d7094", 35.0, True, 225.0, True, READ),
        ("iso-13736", -30.0, True, 75.0, True, READ),
    ],
)
def test_scope(
    method: str,
    low_c: float | None,
    low_is_in: bool,
    high_c: float | None,
    high_is_in: bool,
    origin: str,
) -> None:
    """The scopes printed in the methods; D56 is for flash points below 93, ISO 2719 above 40."""
    one = METHODS[method]
    assert (one.scope_low_c, one.scope_high_c, one.scope_origin) == (low_c, high_c, origin)
    if low_c is not None:
        assert one.covers(low_c) is low_is_in
        assert one.covers(low_c + 0.1)
        assert not one.covers(low_c - 0.1)
    else:
        assert one.covers(-100.0)
    if high_c is not None:
        assert one.covers(high_c) is high_is_in
        assert one.covers(high_c - 0.1)
        assert not one.covers(high_c + 0.1)
    else:
        assert one.covers(1000.0)


@pytest.mark.parametrize(
    ("method", "expected_c", "low", "high", "interval_c", "near_c", "far_c"),
    [
        # ASTM D93 and ISO 2719 (from memory).
        ("d93-a", 60.0, 5.0, 6.0, 1.0, 18.0, 28.0),
        ("d93-a", 110.0, 5.0, 6.0, 1.0, 18.0, 28.0),
        ("iso-2719-a", 110.1, 5.0, 6.0, 2.0, 18.0, 28.0),
        ("d93-b-residual", 110.0, 1.0, 1.6, 1.0, 18.0, 28.0),
        ("d93-b-other", 110.1, 1.0, 1.6, 2.0, 18.0, 28.0),
        ("iso-2719-b", 60.0, 1.0, 1.6, 1.0, 18.0, 28.0),
        ("d93-c", 100.0, 2.5, 3.5, 2.0, 24.0, 24.0),
        ("iso-2719-c", 150.0, 2.5, 3.5, 2.0, 24.0, 24.0),
        # ASTM D56: 1 °C or 3 °C in 60 ± 6 s, so in 54 to 66 s (from memory).
        ("d56", 59.9, 60.0 / 66.0, 60.0 / 54.0, 0.5, 5.0, 5.0),
        ("d56", 60.0, 180.0 / 66.0, 180.0 / 54.0, 1.0, 5.0, 5.0),
        # ASTM D7236, D6450, D7094 (read; the step of D7094 from memory).
        ("d7236", 100.0, 1.5, 2.5, 1.0, 10.0, 20.0),
        ("d7236", 100.1, 1.5, 2.5, 2.0, 10.0, 20.0),
        ("d6450", 60.0, 5.0, 6.0, 1.0, 18.0, None),
        ("d7094", 60.0, 2.2, 2.8, 2.0, 18.0, None),
        # ISO 13736 (from memory).
        ("iso-13736", 38.0, 1.0, 1.0, 0.5, 9.0, None),
    ],
)
def test_ramp(
    method: str,
    expected_c: float,
    low: float,
    high: float,
    interval_c: float,
    near_c: float,
    far_c: float | None,
) -> None:
    """Heating, ignitions and their start, for an expected flash point."""
    one = METHODS[method]
    ramp = one.ramp(expected_c)
    assert ramp is not None
    assert ramp.low_c_per_min == pytest.approx(low)
    assert ramp.high_c_per_min == pytest.approx(high)
    assert ramp.interval_c == interval_c
    assert (one.first_ignition_near_c, one.first_ignition_far_c) == (near_c, far_c)


@pytest.mark.parametrize("method", ["d3828-b", "d3828-b-fame", "iso-3679"])
def test_an_isothermal_cup_has_no_ramp(method: str) -> None:
    """ASTM D3828 and ISO 3679: each ignition has a fresh specimen (read)."""
    one = METHODS[method]
    assert (one.ramp(60.0), one.first_ignition_near_c, one.ramp_origin) == (None, None, READ)


@pytest.mark.parametrize(
    ("origin", "expected"),
    [
        ("ramp_origin", {"d3828-b", "d3828-b-fame", "iso-3679", "d7236", "d6450"}),
        ("precision_origin", {"d7236", "d6450", "d7094", "iso-13736"}),
    ],
)
def test_what_was_read_is_told_from_what_is_remembered(origin: str, expected: set[str]) -> None:
    """Nobody shall take a remembered figure for a printed one."""
    assert {m.id for m in METHODS.values() if getattr(m, origin) == READ} == expected
    assert {getattr(m, origin) for m in METHODS.values()} == {READ, FROM_MEMORY}
    assert all(m.edition and m.source in m.name for m in METHODS.values())


def test_names_and_ids() -> None:
    """The site file names a method by its id; people see the standard's own number."""
    assert {key: m.id for key, m in METHODS.items()} == {key: key for key in METHODS}
    assert METHODS["d93-a"].name == "ASTM D93 procedure A (distillates)"
    assert METHODS["iso-2719-b"].name == "ISO 2719 procedure B (residual fuels)"


@pytest.mark.parametrize(
    ("methods", "edition"),
    [
        (("d93-a", "d93-b-residual", "d93-b-other", "d93-c"), "scope of 2007 to 2020, precision"),
        (("iso-2719-a", "iso-2719-b", "iso-2719-c"), "edition"),
        (("d3828-b", "d3828-b-fame", "iso-3679"), "precision"),
    ],
)
def test_a_figure_that_was_not_compared_with_an_edition_says_so(
    methods: tuple[str, ...], edition: str
) -> None:
    """Precision changes between editions; these figures are from memory."""
    assert {METHODS[one].edition for one in methods} == {f"{edition} not checked"}


@pytest.mark.parametrize(
    ("method", "first_c", "flash_c", "window"),
    [
        # ASTM D93, ISO 2719 A and B: 18 to 28 °C; C: 16 to 30 °C; both ends valid (from memory).
        ("d93-a", 37.0, 54.9, Window.SHORT),
        ("d93-a", 37.0, 55.0, Window.VALID),
        ("iso-2719-b", 37.0, 65.0, Window.VALID),
        ("iso-2719-a", 37.0, 65.1, Window.LONG),
        # Doubles: 58.2 − 30.2 is 28.000000000000004, 48.3 − 30.3 is 17.999999999999996.
        ("d93-a", 30.2, 58.2, Window.VALID),
        ("d93-a", 30.3, 48.3, Window.VALID),
        ("d93-c", 70.0, 85.9, Window.SHORT),
        ("d93-c", 70.0, 86.0, Window.VALID),
        ("iso-2719-c", 70.0, 100.0, Window.VALID),
        ("iso-2719-c", 70.0, 100.1, Window.LONG),
        ("d93-a", 37.0, 37.0, Window.FIRST_IGNITION),
        ("d93-a", 37.0, 36.0, Window.FIRST_IGNITION),
        ("d93-a", 37.0, 37.1, Window.SHORT),
        ("d56", 33.0, 38.0, None),
        ("d6450", 37.0, 65.1, None),
    ],
)
def test_valid_flash(method: str, first_c: float, flash_c: float, window: Window | None) -> None:
    """Not too near the first ignition, which could have lit it, and not too far."""
    assert flash_window(METHODS[method], first_c, flash_c) is window


@pytest.mark.parametrize(
    ("value", "even", "up"),
    [
        # ASTM E29, ties to even (from memory); hand arithmetic in steps of 0.5.
        (61.25, 61.0, 61.5),
        (61.75, 62.0, 62.0),
        (59.75, 60.0, 60.0),
        (60.825, 61.0, 61.0),
        (62.575, 62.5, 62.5),
        (59.74, 59.5, 59.5),
        (61.575, 61.5, 61.5),
        (-20.25, -20.0, -20.5),
    ],
)
def test_rounding_for_a_report(value: float, even: float, up: float) -> None:
    """To the nearest 0.5 °C; only a tie depends on the rule."""
    assert rounded_for_report(value, Tie.HALF_EVEN) == even
    assert rounded_for_report(value, Tie.HALF_UP) == up


def test_rounding_in_fahrenheit() -> None:
    """To 1 °F (ASTM D93, from memory): 143.6 is 144; the tie 143.5 is even either way."""
    assert rounded_for_report(143.6, Tie.HALF_EVEN, REPORT_STEP_F) == 144.0
    assert rounded_for_report(142.5, Tie.HALF_EVEN, REPORT_STEP_F) == 142.0
    assert rounded_for_report(142.5, Tie.HALF_UP, REPORT_STEP_F) == 143.0


@given(st.floats(-50.0, 400.0), st.sampled_from(Tie))
def test_rounding_moves_by_half_a_step_at_most(value: float, tie: Tie) -> None:
    """And gives whole steps."""
    rounded = rounded_for_report(value, tie)
    assert abs(rounded - value) <= 0.25 + 1e-9
    assert math.remainder(rounded, 0.5) == 0.0

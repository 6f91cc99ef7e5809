"""Columns are filled with what can be stored, whatever is among it."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.history.column import FLAG, REAL, TEXT, TIMESTAMP, WHOLE
from edgeflash.history.columns import CHECKS, FINDINGS
from edgeflash.history.filling import filled

INT64 = st.integers(-(2**63), 2**63 - 1)
NOW = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
ELSEWHERE = timezone(timedelta(hours=5, minutes=30))


def finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


@given(st.lists(st.none() | st.floats() | st.integers(-(2**53), 2**53)))
def test_real_numbers_are_kept_and_what_is_none_is_null(values: list[Any]) -> None:
    """Each by its bits; NaN and the infinities are null, never stored."""
    column = filled(values, REAL)
    assert column.type == REAL
    expected = [None if (v := finite(value)) is None else float(v) for value in values]
    assert [None if v is None else v.hex() for v in expected] == [
        None if v is None else v.hex() for v in column.to_pylist()
    ]


@given(st.lists(st.none() | st.text(st.characters(exclude_categories=()))))
def test_texts_are_kept_and_half_a_character_is_replaced(values: list[str | None]) -> None:
    """UTF-8 has no form for half of a surrogate pair (RFC 3629, section 3)."""
    column = filled(values, TEXT)
    expected = [None if v is None else v.encode("utf-8", "replace").decode() for v in values]
    assert expected == column.to_pylist()


@given(st.lists(st.none() | INT64), st.lists(st.none() | st.booleans()))
def test_whole_numbers_and_flags_are_kept(numbers: list[int | None], flags: list[Any]) -> None:
    """Of every size that 64 bits hold."""
    assert numbers == filled(numbers, WHOLE).to_pylist()
    assert flags == filled(flags, FLAG).to_pylist()


def test_one_odd_number_does_not_keep_its_column_back() -> None:
    """No number among whole ones is null, as it is among others."""
    assert filled([1, math.nan, 3, math.inf], WHOLE).to_pylist() == [1, None, 3, None]
    assert filled([np.float64(1.5), 2, None], REAL).to_pylist() == [1.5, 2.0, None]
    assert filled([2**60 + 1], REAL).to_pylist() == [float(2**60)]


def test_times_are_kept_in_utc() -> None:
    """To the microsecond, whatever their zone."""
    times = [NOW.replace(microsecond=1), None, NOW.astimezone(ELSEWHERE)]
    assert filled(times, TIMESTAMP).to_pylist() == [times[0], None, NOW]


def test_numbers_inside_of_lists_are_looked_at_too() -> None:
    """A finding without a figure, and a text with half a character."""
    finding = {"code": 301, "rule": "ignition_weak", "severity": "doubt", "unit": "kPa"}
    odd = {**finding, "sentence": "x\ud800", "measured": math.nan, "limit": math.inf}
    column = filled([[odd], [], None], FINDINGS).to_pylist()
    assert column[1:] == [[], None]
    assert (column[0][0]["measured"], column[0][0]["limit"]) == (None, None)
    assert column[0][0]["sentence"] == "x?"
    check = {"epoch": 0, "cycle_number": 7, "finished_at": NOW}
    checks = filled([[{**check, "corrected_c": math.nan, "reference_c": 62.0}]], CHECKS)
    assert checks.to_pylist()[0][0]["corrected_c"] is None


def test_another_type_is_refused() -> None:
    """What is no number is none."""
    for values, kind in ((["x"], REAL), ([NOW], WHOLE), ([1.5], TEXT), (["x"], TIMESTAMP)):
        with pytest.raises((pa.ArrowException, TypeError)):
            filled(values, kind)

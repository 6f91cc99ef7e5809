"""What a finding publishes as its number and limit, on both sides of a small limit."""

from __future__ import annotations

import pytest

from edgeflash.model import Severity
from tests.simulated_line import bench_analyzer
from tests.unit.rules.pasts import Line, said


@pytest.mark.parametrize(("off_c", "limit_c"), [(0.6, 0.5), (-0.6, -0.5)])
def test_a_limit_below_one_degree_keeps_its_side(off_c: float, limit_c: float) -> None:
    """The limit published is the one that was passed (limits of the test's own)."""
    narrow = {"prediction_disagrees": {"parameters": {"unproven_limit_c": 0.5, "limit_c": 0.5}}}
    made = Line(bench_analyzer(rules=narrow))
    finding = said(made.judge(62.0 + off_c, predicted_c=62.0), "prediction_disagrees")
    assert finding is not None
    assert finding.measured == pytest.approx(off_c)
    assert finding.limit == limit_c


@pytest.mark.parametrize("new_c", [52.0, 72.0])
def test_a_confirmed_level_publishes_its_value(new_c: float) -> None:
    """The note says how high the new level is, and which limit about the old one it passed."""
    made = Line().add([62.0] * 6)
    first = said(made.judge(new_c), "outlier")
    second = said(made.judge(new_c), "outlier")
    assert first is not None
    assert second is not None
    assert second.severity is Severity.NOTE
    assert (second.measured, second.unit) == (new_c, "°C")
    assert second.limit == first.limit
    assert second.limit is not None
    assert (second.limit > 62.0) is (new_c > 62.0)

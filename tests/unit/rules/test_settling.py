"""After a change of stream or product: is the cup filled with the new one yet?

Expected times by hand: transport lag, and volume over flow (60 mL at 30 mL/min are 120 s).
"""

from __future__ import annotations

from typing import Any

import pytest

from edgeflash.model import Role, Severity, Verdict
from tests.simulated_line import bench_analyzer
from tests.unit.rules.contexts import level
from tests.unit.rules.pasts import Line, said

ACCEPTED, DOUBTFUL, REJECTED = Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.REJECTED
NEEDED_S = 200.0
"""80 s of transport and 60 mL at 30 mL/min."""


def sampling(**changes: Any) -> Line:
    """A line whose cup needs 200 s after a change."""
    usual = {"transport_lag_s": 80.0, "flush_volume_ml": 60.0, "sample_flow_ml_per_min": 30.0}
    return Line(bench_analyzer(**{**usual, **changes}))


@pytest.mark.parametrize(
    ("on_stream_s", "duration_s", "flowing_s"),
    [(380.0, 180.0, None), (379.9, 180.0, 199.9), (250.0, 50.0, None), (100.0, 180.0, 0.0)],
)
def test_a_cup_filled_too_soon_is_doubted(
    on_stream_s: float, duration_s: float, flowing_s: float | None
) -> None:
    """What counts is the time from the change to the filling, not to the result."""
    result = sampling().judge(62.0, on_stream_s=on_stream_s, duration_s=duration_s, stream=1)
    finding = said(result, "settling")
    assert (finding is None) is (flowing_s is None)
    if finding is not None and flowing_s is not None:
        assert (result.verdict, result.published_c) == (DOUBTFUL, 62.0)
        assert finding.measured == pytest.approx(flowing_s)
        assert (finding.limit, finding.unit, finding.severity) == (NEEDED_S, "s", Severity.DOUBT)
        assert f"filled {flowing_s:.0f} s after" in finding.sentence
        assert "take 200 s" in finding.sentence


@pytest.mark.parametrize(
    ("changes", "cycle", "needed_s"),
    [
        ({}, {"spans": {Role.SAMPLE_FLOW: level(15.0)}}, 320.0),
        ({}, {"spans": {Role.SAMPLE_FLOW: level(60.0)}}, 140.0),
        ({}, {"spans": {Role.AIR_FLOW: level(60.0)}}, 200.0),
        ({"sample_flow_ml_per_min": None}, {}, 80.0),
        ({"flush_volume_ml": 0.0}, {}, 80.0),
        ({"flush_volume_ml": 0.0}, {"spans": {Role.SAMPLE_FLOW: level(0.0)}}, 80.0),
        ({"transport_lag_s": 0.0}, {}, 120.0),
        ({"transport_lag_s": 10.0, "flush_volume_ml": 1.0}, {}, 12.0),
    ],
)
def test_the_measured_flow_tells_how_long_flushing_takes(
    changes: dict[str, Any], cycle: dict[str, Any], needed_s: float
) -> None:
    """Without one the planned flow does; without any the lag alone counts."""
    for flowing_s, verdict in ((needed_s, ACCEPTED), (needed_s - 0.1, DOUBTFUL)):
        given = {"on_stream_s": 180.0 + flowing_s, **cycle}
        assert sampling(**changes).judge(62.0, **given).verdict is verdict


def test_without_flow_the_cup_is_never_flushed() -> None:
    """The flow stood still: however long ago the change was."""
    still = {Role.SAMPLE_FLOW: level(0.0)}
    assert sampling().judge(62.0, on_stream_s=1e6, spans=still).verdict is DOUBTFUL


@pytest.mark.parametrize(
    ("streams", "verdict"), [((), ACCEPTED), ((1,), ACCEPTED), ((1, 2), REJECTED)]
)
def test_two_streams_in_one_cycle_are_rejected(streams: tuple[int, ...], verdict: Verdict) -> None:
    """Nobody knows what was measured, with or without a lag."""
    result = Line().judge(62.0, streams=streams)
    assert result.verdict is verdict
    finding = said(result, "settling")
    assert (finding is None) is (verdict is ACCEPTED)
    if finding is not None:
        assert finding.sentence == "the stream changed during the cycle: 1, 2"
        assert finding.severity is Severity.REJECT


@pytest.mark.parametrize("duration_s", [199.9, 200.0, None])
@pytest.mark.parametrize("told_by", ["stream", "product"])
def test_without_a_watched_change_only_whole_cycles_count(
    told_by: str, duration_s: float | None
) -> None:
    """The change may have come at the end of the first cycle after it. So the first and the second
    are doubted, and the third where the second took as long as the cup needs."""
    old = {"stream": 1, "product": "gas-oil"}
    new = {**old, told_by: 2 if told_by == "stream" else "jet"}
    made = sampling()
    made.judge(62.0, **old)
    made.judge(62.0, **old)
    verdicts = [made.judge(62.0, duration_s=duration_s, **new).verdict for _ in range(3)]
    settled = ACCEPTED if duration_s == 200.0 else DOUBTFUL
    assert verdicts == [DOUBTFUL, DOUBTFUL, settled]
    finding = said(made.results[-2], "settling")
    assert finding is not None
    assert finding.measured == 0.0


def test_whole_cycles_add_up() -> None:
    """Of 90 s each, three must lie between the first after the change and the filling."""
    made = sampling()
    made.judge(62.0, stream=1)
    verdicts = [made.judge(62.0, stream=2, duration_s=90.0).verdict for _ in range(6)]
    assert verdicts == [DOUBTFUL] * 4 + [ACCEPTED] * 2


def test_a_watched_change_of_stream_is_more_exact_than_whole_cycles() -> None:
    """The second cycle is good when the change was seen to come early, even if the product
    goes with the stream."""
    made = sampling()
    made.judge(62.0, stream=1)
    made.judge(62.0, stream=2, product="jet", streams=(1, 2))
    result = made.judge(62.0, stream=2, product="jet", on_stream_s=380.0)
    assert result.verdict is ACCEPTED


def test_a_new_product_on_a_stream_of_old_settles_anew() -> None:
    """The stream has flowed for a day; the product was changed just now."""
    made = sampling()
    for product, verdict in (("gas-oil", ACCEPTED), ("jet", DOUBTFUL), ("jet", DOUBTFUL)):
        result = made.judge(62.0, stream=1, product=product, on_stream_s=86_400.0)
        assert result.verdict is verdict
    for _ in range(2):
        made.judge(62.0, stream=1, product="jet", on_stream_s=86_400.0)
    assert made.results[-1].verdict is ACCEPTED
    early = made.judge(62.0, stream=1, product="jet", on_stream_s=300.0)
    assert said(early, "settling").measured == pytest.approx(120.0)  # type: ignore[union-attr]


def test_a_cycle_that_does_not_know_its_stream_is_no_change() -> None:
    """One caught up from the ring between two of stream 1, judged as the analyzer's product."""
    made = sampling()
    made.judge(62.0, stream=1, product="jet")
    made.judge(62.0, stream=None)
    assert said(made.judge(62.0, stream=1, product="jet"), "settling") is None
    assert said(made.judge(62.0, stream=None), "settling") is None


def test_without_lag_and_volume_there_is_nothing_to_wait_for() -> None:
    """A site that states neither hears only of two streams in one cycle."""
    made = Line(bench_analyzer(transport_lag_s=0.0, flush_volume_ml=0.0))
    made.judge(62.0, stream=1)
    assert made.judge(62.0, stream=2, on_stream_s=1.0).findings == ()


def test_a_change_seen_before_a_cycle_of_unknown_length() -> None:
    """Then only the whole cycles since the other stream count; without such, nothing is known."""
    assert sampling().judge(62.0, stream=1, on_stream_s=1.0, duration_s=None).findings == ()
    made = sampling()
    made.judge(62.0, stream=2)
    assert made.judge(62.0, stream=1, on_stream_s=1e6, duration_s=None).verdict is DOUBTFUL

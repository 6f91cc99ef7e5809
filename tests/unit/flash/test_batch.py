"""A batch from its cycles: who speaks for which time, how much flowed, what is known of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.errors import UsageError
from edgeflash.flash.batch import (
    LEAST_COVERAGE,
    Reading,
    Sampled,
    Stretch,
    Totaliser,
    TotaliserError,
    measured_batch,
    stretches,
)
from edgeflash.flash.blending import BlendError, Index
from edgeflash.model import Verdict

BEGIN = datetime(2031, 5, 1, 6, 0, tzinfo=UTC)
LOG = Index.LOGARITHMIC


def at(minutes: float) -> datetime:
    return BEGIN + timedelta(minutes=minutes)


def test_each_instant_belongs_to_the_nearest_sample() -> None:
    """Half way between two samples the word passes on."""
    samples = [Sampled(at(4), 60.0), Sampled(at(8), 61.0), Sampled(at(16), 62.0)]
    assert stretches(samples, at(0), at(20), 3600.0) == [
        Stretch(at(0), at(6), 0),
        Stretch(at(6), at(12), 1),
        Stretch(at(12), at(20), 2),
    ]


def test_beyond_its_reach_a_sample_says_nothing() -> None:
    """At the begin, in a gap and at the end."""
    samples = [Sampled(at(10), 60.0), Sampled(at(50), 61.0)]
    assert stretches(samples, at(0), at(70), 300.0) == [
        Stretch(at(0), at(5), None),
        Stretch(at(5), at(15), 0),
        Stretch(at(15), at(45), None),
        Stretch(at(45), at(55), 1),
        Stretch(at(55), at(70), None),
    ]


def test_samples_beside_the_batch_speak_into_it() -> None:
    """Two before the begin, one after the end; those too far say nothing."""
    samples = [Sampled(at(m), 60.0) for m in (-60, -8, -2, 6, 22)]
    assert stretches(samples, at(0), at(20), 600.0) == [
        Stretch(at(0), at(2), 2),
        Stretch(at(2), at(14), 3),
        Stretch(at(14), at(20), 4),
    ]
    assert stretches([], at(0), at(20), 600.0) == [Stretch(at(0), at(20), None)]


@given(st.lists(st.integers(-100, 400), max_size=30).map(sorted), st.floats(1.0, 100_000.0))
def test_the_stretches_fill_the_time_once(minutes: list[int], reach_s: float) -> None:
    """Without gap or overlap, whatever the samples."""
    found = stretches([Sampled(at(m), 60.0) for m in minutes], at(0), at(300), reach_s)
    assert found[0].begin == at(0) and found[-1].end == at(300)
    assert all(a.end == b.begin for a, b in pairwise(found))
    assert all(s.begin < s.end for s in found)


METER = Totaliser([Reading(at(0), 100.0), Reading(at(10), 110.0), Reading(at(30), 190.0)])


def test_volumes_between_readings() -> None:
    """By a straight line: 1 m³/min, then 4."""
    assert METER.volume_m3(at(0), at(10)) == pytest.approx(10.0)
    assert METER.volume_m3(at(5), at(15)) == pytest.approx(5.0 + 20.0)
    assert METER.volume_m3(at(10), at(30)) == pytest.approx(80.0)
    assert (METER.begin, METER.end) == (at(0), at(30))


@pytest.mark.parametrize("times", [(-1, 5), (5, 31)])
def test_nothing_is_known_beyond_the_readings(times: tuple[float, float]) -> None:
    """A volume is never made up."""
    with pytest.raises(TotaliserError, match="nothing is known of") as caught:
        METER.volume_m3(at(times[0]), at(times[1]))
    assert isinstance(caught.value, UsageError)


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        ([], "at least two"),
        ([Reading(at(0), 1.0)], "at least two"),
        ([Reading(at(1), 1.0), Reading(at(1), 2.0)], "not in time order"),
        ([Reading(at(2), 1.0), Reading(at(1), 2.0)], "not in time order"),
        ([Reading(at(0), 9.0), Reading(at(1), 2.0)], "the total falls at .*, from 9 to 2 m³"),
        ([Reading(at(0), 9.0), Reading(at(1), float("nan"))], "the total falls"),
    ],
)
def test_readings_that_tell_no_volume(readings: list[Reading], says: str) -> None:
    """A reset meter would give a wrong batch in silence."""
    with pytest.raises(TotaliserError, match=says):
        Totaliser(readings)


def test_a_standing_meter_is_right() -> None:
    """No flow is a reading too."""
    still = Totaliser([Reading(at(0), 5.0), Reading(at(1), 5.0)])
    assert still.volume_m3(at(0), at(1)) == 0.0


def test_a_batch_by_constant_flow() -> None:
    """Worked blend: halves of 40 and 70 °C give 47.75 °C, not 55 (hand arithmetic)."""
    samples = [Sampled(at(5), 40.0, 0.5, name="a"), Sampled(at(15), 70.0, 0.5, name="b")]
    batch = measured_batch(samples, at(0), at(20), 3600.0, None, LOG)
    assert batch.flash_c == pytest.approx(47.7503, abs=0.01)
    assert batch.other_c == pytest.approx(49.4634, abs=1e-3)
    assert (batch.coverage, batch.is_measured, batch.volume_m3) == (1.0, True, None)
    assert batch.worst is samples[0]
    assert (batch.begin, batch.end, batch.note, batch.lows) == (at(0), at(20), "", ())
    assert batch.sd_c is not None
    # The indices differ by 1.71 °C; the cycles add their own 0.5 °C or so.
    assert 1.71 < batch.sd_c < 1.85


def test_a_batch_by_the_meter() -> None:
    """Nine parts of 70 and one of 40 °C give 61.82 °C (hand arithmetic)."""
    samples = [Sampled(at(5), 40.0, 0.5), Sampled(at(15), 70.0, 0.5)]
    meter = Totaliser([Reading(at(0), 0.0), Reading(at(10), 10.0), Reading(at(20), 100.0)])
    batch = measured_batch(samples, at(0), at(20), 3600.0, meter, LOG)
    assert batch.flash_c == pytest.approx(61.8236, abs=0.01)
    assert batch.volume_m3 == pytest.approx(100.0)


def test_a_rejected_cycle_keeps_its_time_uncovered() -> None:
    """No neighbour speaks for it, and its evidence is told."""
    samples = [
        Sampled(at(5), 60.0, 0.5),
        Sampled(at(15), None, 0.5, Verdict.REJECTED, low_flash=True, name="k/0/2"),
        Sampled(at(25), 60.0, 0.5, Verdict.DOUBTFUL),
        Sampled(at(35), 61.0, 0.5),
        Sampled(at(300), 10.0, 0.5, low_flash=True),
    ]
    batch = measured_batch(samples, at(0), at(40), 3600.0, None, LOG)
    assert batch.coverage == pytest.approx(0.75)
    assert not batch.is_measured
    assert batch.lows == (samples[1],)
    assert batch.verdicts == {Verdict.ACCEPTED: 2, Verdict.DOUBTFUL: 1, Verdict.REJECTED: 1}


@pytest.mark.parametrize(("minutes", "is_measured"), [(90, True), (89, False)])
def test_how_much_must_be_measured(minutes: float, is_measured: bool) -> None:
    """Nine tenths (common practice, no source)."""
    assert LEAST_COVERAGE == 0.9
    reach_s = minutes * 60.0
    batch = measured_batch([Sampled(at(0), 60.0)], at(0), at(100), reach_s, None, LOG)
    assert batch.coverage == pytest.approx(minutes / 100.0)
    assert batch.is_measured is is_measured


def test_an_unknown_error_stays_unknown() -> None:
    """One cycle without a figure, and the batch has none; one that does not count is no matter."""
    samples = [Sampled(at(5), 60.0, 0.5), Sampled(at(15), 61.0, None)]
    assert measured_batch(samples, at(0), at(20), 3600.0, None, LOG).sd_c is None
    samples = [Sampled(at(5), 60.0, 0.5), Sampled(at(15), None, None, Verdict.REJECTED)]
    found = measured_batch(samples, at(0), at(20), 3600.0, None, LOG)
    assert found.sd_c == pytest.approx(0.5)


def test_a_batch_without_any_value() -> None:
    """No number at all."""
    rejected = [Sampled(at(5), None, None, Verdict.REJECTED)]
    batch = measured_batch(rejected, at(0), at(20), 3600.0, None, LOG)
    assert (batch.flash_c, batch.other_c, batch.sd_c, batch.worst) == (None, None, None, None)
    assert (batch.coverage, batch.is_measured) == (0.0, False)


def test_extrapolation_is_told() -> None:
    """A cycle at 15 °C is outside what the indices are for."""
    batch = measured_batch([Sampled(at(5), 15.0, 0.5)], at(0), at(10), 3600.0, None, LOG)
    assert "15.0 °C outside" in batch.note


def test_a_batch_that_did_not_flow_is_refused() -> None:
    """Nothing flowed, so there is no batch."""
    still = Totaliser([Reading(at(0), 5.0), Reading(at(10), 5.0)])
    with pytest.raises(BlendError, match="no volume"):
        measured_batch([Sampled(at(5), 60.0)], at(0), at(10), 3600.0, still, LOG)

"""The flash point of a batch from the cycles that were measured while it flowed. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from edgeflash.errors import UsageError
from edgeflash.flash.blending import BatchPart, Index, batch_flash_c, extrapolation_note
from edgeflash.model import Verdict

LEAST_COVERAGE = 0.9
"""Less than this of a batch measured is no measure of the batch (common practice, no source)."""


class TotaliserError(UsageError):
    """Readings of a totaliser that tell no volume; says where."""


@dataclass(frozen=True, slots=True)
class Sampled:
    """One cycle: when its sample passed the tap, and what it gave.

    value_c None: rejected. sd_c: one standard deviation of the value; None: not known.
    """

    at: datetime
    value_c: float | None
    sd_c: float | None = None
    verdict: Verdict = Verdict.ACCEPTED
    low_flash: bool = False
    name: str = ""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time for which one cycle stands. sample: its place among the samples; None: no cycle."""

    begin: datetime
    end: datetime
    sample: int | None


@dataclass(frozen=True, slots=True)
class Reading:
    """The total that a meter has counted at a time, m³."""

    at: datetime
    total_m3: float


class Totaliser:
    """Volumes between two times, by a straight line between readings."""

    def __init__(self, readings: Sequence[Reading]) -> None:
        """Raises TotaliserError unless times rise and totals do not fall."""
        if len(readings) < 2:
            raise TotaliserError("a totaliser needs at least two readings")
        for before, after in pairwise(readings):
            if after.at <= before.at:
                raise TotaliserError(f"the reading of {after.at.isoformat()} is not in time order")
            if not after.total_m3 >= before.total_m3:
                raise TotaliserError(
                    f"the total falls at {after.at.isoformat()}, from {before.total_m3:g} to "
                    f"{after.total_m3:g} m³: the meter was reset, or it is not a total"
                )
        self._readings = tuple(readings)

    @property
    def begin(self) -> datetime:
        """The first reading."""
        return self._readings[0].at

    @property
    def end(self) -> datetime:
        """The last reading."""
        return self._readings[-1].at

    def volume_m3(self, begin: datetime, end: datetime) -> float:
        """What flowed between two times within the readings."""
        return self._total_m3(end) - self._total_m3(begin)

    def _total_m3(self, at: datetime) -> float:
        if not self.begin <= at <= self.end:
            raise TotaliserError(
                f"the volumes are from {self.begin.isoformat()} to {self.end.isoformat()}; "
                f"nothing is known of {at.isoformat()}"
            )
        for before, after in pairwise(self._readings):
            if at <= after.at:
                part = (at - before.at) / (after.at - before.at)
                return before.total_m3 + part * (after.total_m3 - before.total_m3)
        raise AssertionError("unreachable")


def stretches(
    samples: Sequence[Sampled], since: datetime, until: datetime, reach_s: float
) -> list[Stretch]:
    """The time from since to until, each instant given to the sample nearest to it.

    samples: in time order; a rejected one keeps its time, so that no neighbour speaks for it.
    reach_s: farther than this from a sample nothing is known.
    """
    reach = timedelta(seconds=reach_s)
    found: list[Stretch] = []
    at = since
    for place, sample in enumerate(samples):
        before = samples[place - 1].at if place else None
        after = samples[place + 1].at if place + 1 < len(samples) else None
        begin = sample.at - reach
        end = sample.at + reach
        if before is not None:
            begin = max(begin, before + (sample.at - before) / 2)
        if after is not None:
            end = min(end, sample.at + (after - sample.at) / 2)
        begin, end = max(begin, since), min(end, until)
        if begin >= end:
            continue
        if begin > at:
            found.append(Stretch(at, begin, None))
        found.append(Stretch(begin, end, place))
        at = end
    if at < until:
        found.append(Stretch(at, until, None))
    return found


@dataclass(frozen=True, slots=True)
class MeasuredBatch:
    """What is known of a batch. begin, end: its time.

    flash_c, other_c: of the part that was measured, by the index and by the other one; None when
    nothing was. coverage: that part of the volume, 0 to 1. sd_c: one standard deviation, from the
    cycles (their errors taken as the same one) and from the difference of the two indices; None
    where a cycle's is not known. worst: the lowest cycle that counts. lows: cycles with evidence
    of a low flash point, rejected ones among them. verdicts: how many cycles were judged so.
    volume_m3: None when the flow was taken as constant.
    """

    begin: datetime
    end: datetime
    flash_c: float | None
    other_c: float | None
    sd_c: float | None
    coverage: float
    worst: Sampled | None
    lows: tuple[Sampled, ...]
    verdicts: Mapping[Verdict, int]
    volume_m3: float | None
    note: str

    @property
    def is_measured(self) -> bool:
        """True when enough was measured to speak of the batch."""
        return round(self.coverage, 9) >= LEAST_COVERAGE


def measured_batch(
    samples: Sequence[Sampled],
    begin: datetime,
    end: datetime,
    reach_s: float,
    totaliser: Totaliser | None,
    index: Index,
) -> MeasuredBatch:
    """The batch that flowed from begin to end.

    samples: in time order. reach_s: as of `stretches`. Without a totaliser the flow is constant.
    Raises BlendError when nothing flowed, TotaliserError when its readings do not reach.
    """
    times = stretches(samples, begin, end, reach_s)
    within = [samples[time.sample] for time in times if time.sample is not None]
    parts = [_part(samples, time, totaliser) for time in times]
    batch, other = batch_flash_c(parts, index), batch_flash_c(parts, index.other)
    used = [s for s in within if s.value_c is not None]
    spread_c = 0.0
    if batch.flash_c is not None and other.flash_c is not None:
        spread_c = batch.flash_c - other.flash_c
    is_known = batch.sd_c is not None and all(s.sd_c is not None for s in used)
    worst = None if batch.worst is None else times[batch.worst].sample
    return MeasuredBatch(
        begin=begin,
        end=end,
        flash_c=batch.flash_c,
        other_c=other.flash_c,
        sd_c=math.hypot(batch.sd_c or 0.0, spread_c) if is_known else None,
        coverage=batch.coverage,
        worst=None if worst is None else samples[worst],
        lows=tuple(s for s in within if s.low_flash),
        verdicts={v: sum(s.verdict is v for s in within) for v in Verdict},
        volume_m3=None if totaliser is None else totaliser.volume_m3(begin, end),
        note=extrapolation_note([s.value_c for s in used if s.value_c is not None]),
    )


def _part(samples: Sequence[Sampled], time: Stretch, totaliser: Totaliser | None) -> BatchPart:
    """A constant flow is 1 m³ per hour: only the proportions count."""
    if totaliser is None:
        volume_m3 = (time.end - time.begin) / timedelta(hours=1)
    else:
        volume_m3 = totaliser.volume_m3(time.begin, time.end)
    if time.sample is None:
        return BatchPart(volume_m3, None)
    sample = samples[time.sample]
    return BatchPart(volume_m3, sample.value_c, sample.sd_c or 0.0)

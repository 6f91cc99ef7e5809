"""Assembles the cycles of one analyzer from its scans."""

from __future__ import annotations

from datetime import datetime, timedelta

from edgeflash.cycles.counter import Step, step
from edgeflash.cycles.observed import Observed
from edgeflash.cycles.present import SignOfLife, StampWatch, StreamWatch
from edgeflash.cycles.source_time import SourceAge
from edgeflash.model import (
    Continuity,
    Cycle,
    CycleBody,
    CycleSource,
    PreviousResult,
    RecentResult,
    Role,
    Scan,
)

CLOCK_TOLERANCE_S = 2.0
"""An analyzer clock this close to ours is taken as right."""


class Assembler:
    """Turns scans into cycles. Deterministic in the scans it is given.

    previous: the last cycle that is safely in the journal, so that after a restart the counting
    goes on. counter_span: see counter.step. keep_samples: build traces from the live readings,
    for an analyzer without a trace block. watched_gap_s: with a longer gap between two scans the
    moment of a new result was not watched.
    """

    def __init__(
        self,
        analyzer: str,
        counter_span: tuple[int, int] | None,
        previous: PreviousResult | None = None,
        keep_samples: bool = False,
        watched_gap_s: float = 5.0,
    ) -> None:
        self._analyzer = analyzer
        self._counter_span = counter_span
        self._previous = previous
        self._keep_samples = keep_samples
        self._watched_gap_s = watched_gap_s
        self._observed = Observed()
        self._last_scan_mono_s: float | None = None
        self._previous_seen_mono_s: float | None = None
        self._clock_offset_s = None if previous is None else _clock_offset_s(previous)
        self._stream = StreamWatch()
        self._life = SignOfLife()
        self._stamp = StampWatch()
        self._source = SourceAge()

    def alive_still_s(self, now_mono_s: float) -> float | None:
        """The longest time since the last result in which the sign of life stood still.

        It grows without scans, too, so it means something only while the link is up. None without
        a sign of life.
        """
        return self._life.still_s(now_mono_s)

    def take(self, scan: Scan) -> tuple[Cycle, ...]:
        """The cycles this scan completes, oldest first: usually none or one."""
        gap_s = (
            None if self._last_scan_mono_s is None else scan.taken_mono_s - self._last_scan_mono_s
        )
        self._last_scan_mono_s = scan.taken_mono_s
        is_watched = self._is_watched(gap_s)
        self._stream.take(scan)
        self._life.take(scan, is_watched)
        self._stamp.take(scan, gap_s if is_watched else None)
        self._source.take(scan, is_watched)
        cycles: list[Cycle] = []
        if scan.body is not None:
            age_s = self._source.age_s(scan, gap_s if is_watched else None)
            is_late = is_watched and age_s > 0.0
            if is_late:
                gap_s = None  # it has not happened since the scan before
            dated = self._finished_at(scan, scan.body, gap_s, age_s)
            for recent in self._newer(scan.recent, scan.body):
                caught = self._from_ring(recent, scan, gap_s)
                if caught is not None:
                    cycles.append(caught)
                    # What was seen was this one's, or is of both.
                    self._observed = Observed()
                    self._life.end_of_cycle(scan.taken_mono_s)
            cycle = self._from_body(scan, scan.body, dated, gap_s, is_late)
            if cycle is not None:
                cycles.append(cycle)
        self._observed.add(scan, gap_s, self._keep_samples)
        return tuple(cycles)

    def _is_watched(self, gap_s: float | None) -> bool:
        """True when what a scan shows anew has happened since a scan just before it."""
        return gap_s is not None and gap_s <= self._watched_gap_s

    def _finished_at(
        self, scan: Scan, body: CycleBody, gap_s: float | None, age_s: float
    ) -> tuple[datetime, bool]:
        """When the result was made, and whether that is known.

        Seen to appear between two close scans, the result is as old as the gap at most, and the
        difference to the analyzer's clock is learned. Found after a break, the analyzer's clock
        with the learned difference tells. Where that fails (no clock, none learned, or a time in
        the future, after a clock was set), the result is taken to be as old as it can be, and at
        least age_s, as its source's stamp has it.
        """
        stamped = _result_time(body)
        behind_s = None if stamped is None else (scan.taken_at - stamped).total_seconds()
        if gap_s is not None and self._is_watched(gap_s):
            if stamped is None or behind_s is None:
                return scan.taken_at, True
            in_step = -CLOCK_TOLERANCE_S <= behind_s <= gap_s + CLOCK_TOLERANCE_S
            self._clock_offset_s = 0.0 if in_step else behind_s
            return (min(stamped, scan.taken_at) if in_step else scan.taken_at), True
        made_at, is_known = self._dated(stamped, scan, gap_s)
        if not is_known:
            made_at = min(made_at, scan.taken_at - timedelta(seconds=age_s))
        return made_at, is_known

    def _dated(
        self, stamped: datetime | None, scan: Scan, gap_s: float | None
    ) -> tuple[datetime, bool]:
        """The time of a result found after a break, and whether it is known."""
        if stamped is not None:
            made_at = stamped + timedelta(seconds=self._clock_offset_s or 0.0)
            if (made_at - scan.taken_at).total_seconds() <= CLOCK_TOLERANCE_S:
                return min(made_at, scan.taken_at), self._clock_offset_s is not None
        return scan.taken_at - timedelta(seconds=gap_s or 0.0), False

    def _newer(self, recent: tuple[RecentResult, ...], body: CycleBody) -> tuple[RecentResult, ...]:
        """The ring's results that come after the last known cycle and before the body's."""
        known, stamped = self._previous, _result_time(body)
        if known is None:
            return ()
        first, top = self._counter_span or (0, 2**63 - 1)
        size = top - first + 1
        reach = (body.cycle_number - known.cycle_number) % size

        def ahead(entry: RecentResult) -> int:
            return (entry.cycle_number - known.cycle_number) % size

        since = known.result_time
        timed = [(e.result_time, e) for e in recent if e.result_time is not None]
        if since is None or stamped is None or len(timed) < len(recent):
            return tuple(sorted((e for e in recent if 0 < ahead(e) < reach), key=ahead))
        between = [(time, e) for time, e in timed if since < time < stamped]
        return tuple(e for _, e in sorted(between, key=lambda pair: pair[0]))

    def _from_ring(self, entry: RecentResult, scan: Scan, gap_s: float | None) -> Cycle | None:
        how = self._step(entry.cycle_number, entry.result_time, entry.flash_point_c)
        if how is None:
            return None
        finished_at, is_time_known = self._dated(entry.result_time, scan, gap_s)
        cycle = Cycle(
            analyzer=self._analyzer,
            epoch=how.epoch,
            cycle_number=entry.cycle_number,
            source=CycleSource.RING,
            continuity=how.continuity,
            missed=how.missed,
            finished_at=finished_at,
            is_time_known=is_time_known,
            values={
                Role.CYCLE_NUMBER: entry.cycle_number,
                Role.FLASH_POINT: entry.flash_point_c,
                Role.RESULT_TIME: entry.result_time,
                # The ring has no barometer; the present one is off by little and better than none.
                Role.BAROMETRIC_PRESSURE: scan.live.get(Role.BAROMETRIC_PRESSURE),
            },
            previous=self._previous,
        )
        self._remember(cycle, None)
        return cycle

    def _from_body(
        self,
        scan: Scan,
        body: CycleBody,
        dated: tuple[datetime, bool],
        gap_s: float | None,
        is_late: bool,
    ) -> Cycle | None:
        flash = body.values.get(Role.FLASH_POINT)
        flash_point_c = float(flash) if isinstance(flash, int | float) else None
        how = self._step(body.cycle_number, _result_time(body), flash_point_c)
        if how is None:
            return None
        seen, self._observed = self._observed, Observed()
        alive_stuck_s = self._life.end_of_cycle(scan.taken_mono_s)
        if how.missed or how.continuity is Continuity.RESET or is_late:
            # What was seen may belong to a cycle whose result is lost, or is still to come.
            seen, alive_stuck_s = Observed(), None
        if not seen.scans or Role.FAULT_BITS not in scan.live:
            seen.add_faults(body.values)
        seen.add_stream(body.values)
        gaps = [g for g in (seen.longest_gap_s, gap_s) if g is not None]
        cycle = Cycle(
            analyzer=self._analyzer,
            epoch=how.epoch,
            cycle_number=body.cycle_number,
            source=CycleSource.LIVE,
            continuity=how.continuity,
            missed=how.missed,
            finished_at=dated[0],
            is_time_known=dated[1],
            after_heating_s=seen.after_heating_s(scan.taken_mono_s),
            values=body.values,
            trace=body.trace or seen.polled_trace(),
            torn=body.torn,
            duration_s=self._duration_s(scan, body, gap_s),
            longest_gap_s=max(gaps) if gaps else None,
            phases=tuple(seen.phases),
            faults_seen=tuple(seen.faults),
            spans=seen.spans,
            previous=self._previous,
            pulse=body.pulse,
            streams=tuple(seen.streams),
            on_stream_s=self._stream.since_change_s(scan.taken_mono_s),
            clock_ahead_s=None if is_late else self._stamp.clock_ahead_s(_result_time(body)),
            alive_stuck_s=alive_stuck_s,
            statuses={**seen.statuses, **body.statuses},
        )
        self._remember(cycle, scan.taken_mono_s if self._is_watched(gap_s) else None)
        return cycle

    def _step(
        self, number: int, result_time: datetime | None, flash_point_c: float | None
    ) -> Step | None:
        return step(self._previous, number, result_time, flash_point_c, self._counter_span)

    def _duration_s(self, scan: Scan, body: CycleBody, gap_s: float | None) -> float | None:
        """From the last result to this one: by our monotonic clock where both were watched."""
        if self._previous_seen_mono_s is not None and self._is_watched(gap_s):
            return scan.taken_mono_s - self._previous_seen_mono_s
        stamped = _result_time(body)
        before = self._previous.result_time if self._previous else None
        if stamped is None or before is None:
            return None
        return (stamped - before).total_seconds()

    def _remember(self, cycle: Cycle, seen_mono_s: float | None) -> None:
        self._previous = previous_of(cycle)
        self._previous_seen_mono_s = seen_mono_s


def previous_of(cycle: Cycle) -> PreviousResult:
    """What the next cycle must know of this one."""
    barometer = cycle.spans.get(Role.BAROMETRIC_PRESSURE)
    stamped = cycle.values.get(Role.RESULT_TIME)
    return PreviousResult(
        epoch=cycle.epoch,
        cycle_number=cycle.cycle_number,
        flash_point_c=cycle.number_value(Role.FLASH_POINT),
        result_time=stamped if isinstance(stamped, datetime) else None,
        finished_at=cycle.finished_at,
        transducer_zero_kpa=cycle.number_value(Role.TRANSDUCER_ZERO),
        barometer_kpa=(
            cycle.number_value(Role.BAROMETRIC_PRESSURE) if barometer is None else barometer.mean
        ),
    )


def _clock_offset_s(previous: PreviousResult) -> float | None:
    """What the analyzer's clock was behind ours when its last recorded result was made."""
    if previous.result_time is None:
        return None
    behind_s = (previous.finished_at - previous.result_time).total_seconds()
    return 0.0 if abs(behind_s) <= CLOCK_TOLERANCE_S else behind_s


def _result_time(body: CycleBody) -> datetime | None:
    stamped = body.values.get(Role.RESULT_TIME)
    return stamped if isinstance(stamped, datetime) else None

"""What the DCS is shown of one analyzer at one instant. Pure: times come in as arguments.

The rule: an accepted cycle shows its value as good; a doubtful one shows its own value as
uncertain; after a rejected cycle, or while the analyzer is silent, the last accepted value is
shown as uncertain with its growing age until `hold_s`, then bad with the reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import IntEnum
from math import inf

from edgeflash.clock_state import UNKNOWN_CLOCK, ClockState
from edgeflash.link_figures import NO_FIGURES, LinkFigures
from edgeflash.model import (
    AlarmNote,
    AlarmState,
    CycleSource,
    Finding,
    Result,
    Role,
    Scalar,
    Severity,
    Verdict,
)
from edgeflash.onward import NOTHING_ONWARD, Onward
from edgeflash.trust import Quality, Trust

JUDGED = "flash_point_c"
"""The point that shows the judged flash point."""


class LinkState(IntEnum):
    """The link to one analyzer, as every outlet shows it."""

    CONNECTING = 0
    UP = 1
    DOWN = 2
    MISCONFIGURED = 3


@dataclass(frozen=True, slots=True)
class Held:
    """A result whose value may be shown, with its times on the monotonic clock of this process.

    finished_mono_s: when the result was made; sampled_mono_s: when its sample passed the tap.
    Both are set back by the true age, so after a restart they may be negative.
    """

    result: Result
    finished_mono_s: float
    sampled_mono_s: float

    @classmethod
    def since(cls, result: Result, at: datetime, at_mono_s: float) -> Held:
        """The result as held at an instant given on both clocks; never from the future."""
        finished_s = max(0.0, (at - result.cycle.finished_at).total_seconds())
        sampled_s = max(0.0, (at - result.sampled_at).total_seconds())
        return cls(result, at_mono_s - finished_s, at_mono_s - sampled_s)

    @classmethod
    def from_before(cls, result: Result, now: datetime, now_mono_s: float) -> Held:
        """The result as held after a restart.

        With a wall clock that now shows an earlier time than when the result was judged, nobody
        knows how old the result is: then it is too old to be shown.
        """
        if now < result.judged_at:
            return cls(result, -inf, -inf)
        return cls.since(result, now, now_mono_s)


@dataclass(frozen=True, slots=True)
class StandingFinding:
    """A finding about the present, not about a cycle (link down, maintenance, silence)."""

    finding: Finding
    quality_when_held: Quality
    quality_when_bad: Quality


@dataclass(frozen=True, slots=True)
class Counts:
    """Cycles judged since the start of the process."""

    accepted: int = 0
    doubtful: int = 0
    rejected: int = 0


@dataclass(frozen=True, slots=True)
class TestSignal:
    """What is shown in place of a point while its way to the control system is proved.

    value: in the point's inside unit; None shows a bad quality. quality: of the value.
    """

    __test__ = False  # not a test, whatever its name

    value: float | int | bool | str | datetime | None
    quality: Quality


@dataclass(frozen=True, slots=True)
class Standing:
    """All that is known of one analyzer; changed only by the functions below.

    low_flash_alarm: the plain condition. alarms: the states of those in force, by name, and
    alarm_notes what else is known of them. tests: test signals shown now, by point name.
    link_figures: what the link's requests came to. live_statuses: what the analyzer's server says
    of live values that it does not call simply good, as OPC UA names it.
    clock: the gateway's wall clock. onward: how results leave the gateway.
    """

    analyzer: str
    link: LinkState = LinkState.CONNECTING
    latest: Result | None = None
    accepted: Held | None = None
    doubtful: Held | None = None
    low_flash_alarm: bool = False
    standing: tuple[StandingFinding, ...] = ()
    live: Mapping[Role, Scalar] = field(default_factory=dict)
    live_at: datetime | None = None
    live_statuses: Mapping[Role, str] = field(default_factory=dict)
    counts: Counts = Counts()
    alarms: Mapping[str, AlarmState] = field(default_factory=dict)
    alarm_notes: Mapping[str, AlarmNote] = field(default_factory=dict)
    tests: Mapping[str, TestSignal] = field(default_factory=dict)
    link_figures: LinkFigures = NO_FIGURES
    clock: ClockState = UNKNOWN_CLOCK
    onward: Onward = NOTHING_ONWARD


@dataclass(frozen=True, slots=True)
class View:
    """One analyzer as the outlets show it at `at`. value_c is None when the quality is bad."""

    standing: Standing
    at: datetime
    value_c: float | None
    quality: Quality
    reason_code: int
    reason_text: str
    shown: Result | None
    age_s: float | None
    sampled_at: datetime | None
    heartbeat: int

    @property
    def shown_quality(self) -> Quality:
        """The quality of what stands where the judged flash point does: a test's while one runs."""
        test = self.standing.tests.get(JUDGED)
        return self.quality if test is None else test.quality


def with_result(standing: Standing, held: Held) -> Standing:
    """The standing after a judged cycle that is on disk.

    A cycle caught up from the ring is history by the time it is read: it counts, and can raise
    the alarm, but what is shown stays until the newest cycle, which follows at once.
    """
    result, counts = held.result, standing.counts
    accepted, doubtful = standing.accepted, None
    match result.verdict:
        case Verdict.ACCEPTED:
            counts = replace(counts, accepted=counts.accepted + 1)
            accepted = held
        case Verdict.DOUBTFUL:
            counts = replace(counts, doubtful=counts.doubtful + 1)
            doubtful = held
        case Verdict.REJECTED:
            counts = replace(counts, rejected=counts.rejected + 1)
    counted = replace(standing, counts=counts, low_flash_alarm=result.low_flash_alarm)
    if result.cycle.source is CycleSource.RING:
        return counted
    return replace(
        counted,
        latest=result,
        accepted=accepted,
        doubtful=doubtful,
    )


def restored(standing: Standing, latest: Held | None, accepted: Held | None) -> Standing:
    """The standing at a start, from the journal: the last accepted value with its true age.

    A cycle caught up from the ring gives the alarm only, as in with_result.
    """
    if latest is None:
        return standing
    if latest.result.cycle.source is CycleSource.RING:
        alarm = latest.result.low_flash_alarm
        return replace(standing, accepted=accepted, low_flash_alarm=alarm)
    return replace(
        standing,
        latest=latest.result,
        accepted=accepted,
        doubtful=latest if latest.result.verdict is Verdict.DOUBTFUL else None,
        low_flash_alarm=latest.result.low_flash_alarm,
    )


def view(
    standing: Standing,
    *,
    now: datetime,
    now_mono_s: float,
    hold_s: float,
    bad_at_once: bool,
    heartbeat: int,
    quality_of_rule: Mapping[int, tuple[Quality, Quality]],
) -> View:
    """What the DCS sees now.

    quality_of_rule: per rule code, the quality of a shown value and the one when none is shown.
    bad_at_once: a rejected cycle shows no held value. hold_s: how long after its finish a value
    may be shown.
    """
    latest = standing.latest
    held = standing.doubtful or standing.accepted
    cause: Finding | None = None
    shown_as, bad_as = Quality.GOOD, Quality.NO_DATA
    if latest is not None and latest.verdict is not Verdict.ACCEPTED:
        cause = next((f for f in latest.findings if f.severity is not Severity.NOTE), None)
        default = (Quality.LAST_USABLE, Quality.BAD)
        shown_as, bad_as = quality_of_rule.get(cause.code, default) if cause else default
        if latest.verdict is Verdict.REJECTED:
            shown_as = Quality.LAST_USABLE
    if standing.standing:
        first = standing.standing[0]
        cause, shown_as, bad_as = first.finding, first.quality_when_held, first.quality_when_bad
    code, text = (cause.code, cause.sentence) if cause else (0, "")

    def made(value_c: float | None, quality: Quality, why: str) -> View:
        return View(
            standing=standing,
            at=now,
            value_c=value_c,
            quality=quality,
            reason_code=code,
            reason_text=why,
            shown=held.result if held else None,
            age_s=_age_s(held, now_mono_s),
            sampled_at=held.result.sampled_at if held else None,
            heartbeat=heartbeat,
        )

    if held is None or held.result.published_c is None:
        if latest is None and not standing.standing:
            return made(None, Quality.WAITING_FOR_INITIAL_DATA, "no cycle has been judged yet")
        return made(None, bad_as, text or "no cycle has been accepted yet")
    if now_mono_s - held.finished_mono_s > hold_s:
        why = f"{text or 'no new result'}; the last usable value is older than {hold_s:g} s"
        return made(None, bad_as, why)
    rejected = latest is not None and latest.verdict is Verdict.REJECTED
    if bad_at_once and (rejected or standing.standing):
        return made(None, bad_as, text)
    if shown_as.trust is Trust.BAD:
        return made(None, shown_as, text)
    return made(held.result.published_c, shown_as, text)


def _age_s(held: Held | None, now_mono_s: float) -> float | None:
    if held is None or held.sampled_mono_s == -inf:
        return None
    return max(0.0, now_mono_s - held.sampled_mono_s)


def sampled_before(finished_at: datetime, after_ignition_s: float, lag_s: float) -> datetime:
    """When the measured sample passed the tap: ignition time minus transport lag."""
    return finished_at - timedelta(seconds=after_ignition_s + lag_s)

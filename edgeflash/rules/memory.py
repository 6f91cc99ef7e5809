"""What judging remembers of earlier cycles. Pure, and a function of the last few results only.

So a restart finds the same memory in the journal, and a replay finds it in the history.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from edgeflash.model import CheckResult, Cycle, Declared, Phase, Result, Role, Severity, Verdict

PAST_CYCLES = 64
"""How many cycles are remembered of an analyzer: enough for a robust spread over a few hours."""

PAST_CHECKS = 8

LOW_FLASH_STANDS = "low_flash_stands"
"""The rule whose notes say for which streams the alarm stands: a result holds them for the next."""


@dataclass(frozen=True, slots=True)
class Remembered:
    """What is kept of one judged cycle.

    value_c: at standard pressure, believed or not. reasons, notes: names of the rules that doubt
    or reject, and of those that only note. duration_s: from the cycle before; None when unknown.
    """

    epoch: int
    cycle_number: int
    finished_at: datetime
    sampled_at: datetime
    stream: int | None
    product: str
    verdict: Verdict
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    value_c: float | None
    reported_c: float | None
    uncertainty_c: float | None
    predicted_c: float | None
    zero_kpa: float | None
    trace_digest: int | None
    is_check: bool
    was_cleaned: bool
    was_zeroed: bool
    duration_s: float | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """The state of judging between two cycles: past, oldest first, and the alarm.

    low_flash_streams: the streams that the alarm stands for; empty while it stands where it is
    not known of which. They come from the last result, so that none is forgotten, however many
    cycles of other streams came since.
    """

    past: tuple[Remembered, ...] = ()
    checks: tuple[CheckResult, ...] = ()
    low_flash_alarm: bool = False
    low_flash_streams: tuple[int, ...] = ()

    def after(self, result: Result) -> Memory:
        """The memory with one more judged cycle."""
        return replace(
            self,
            past=(*self.past, remembered(result))[-PAST_CYCLES:],
            checks=result.checks,
            low_flash_alarm=result.low_flash_alarm,
            low_flash_streams=tuple(
                int(f.measured)
                for f in result.findings
                if f.rule == LOW_FLASH_STANDS and f.measured is not None
            ),
        )

    @classmethod
    def of(cls, results: Iterable[Result]) -> Memory:
        """The memory after these results, oldest first; the last PAST_CYCLES of them suffice."""
        memory = cls()
        for result in results:
            memory = memory.after(result)
        return memory


EMPTY = Memory()


def remembered(result: Result) -> Remembered:
    """What is kept of a result."""
    cycle, computed = result.cycle, result.computed
    phases = phases_of(cycle)
    return Remembered(
        epoch=cycle.epoch,
        cycle_number=cycle.cycle_number,
        finished_at=cycle.finished_at,
        sampled_at=result.sampled_at,
        stream=result.assessment.stream,
        product=result.product,
        verdict=result.verdict,
        reasons=result.reasons,
        notes=tuple(f.rule for f in result.findings if f.severity is Severity.NOTE),
        value_c=computed.corrected_c,
        reported_c=computed.reported_c,
        uncertainty_c=computed.uncertainty_c,
        predicted_c=result.assessment.predicted_c,
        zero_kpa=cycle.number_value(Role.TRANSDUCER_ZERO),
        trace_digest=computed.trace_digest,
        is_check=is_check_sample(cycle),
        was_cleaned=Phase.CLEAN in phases,
        was_zeroed=Phase.ZERO in phases,
        duration_s=cycle.duration_s,
    )


def phases_of(cycle: Cycle) -> Sequence[object]:
    """The phases seen; without scans, the one read beside the result."""
    return cycle.phases or (cycle.values.get(Role.PHASE),)


def is_check_sample(cycle: Cycle) -> bool:
    """True when a check sample was measured, not the product: the analyzer or a person says so.

    A cycle of which a person declared only a part is none: it proves nothing, and what it shows of
    a low flash point may be of the product.
    """
    return Phase.CHECK_SAMPLE in phases_of(cycle) or Declared.CHECK_SAMPLE in cycle.declared

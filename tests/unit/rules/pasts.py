"""Lines of cycles with given values, concluded by the real rules that look back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Any

from edgeflash.config.site import Analyzer
from edgeflash.model import (
    Assessment,
    Computed,
    Cycle,
    Finding,
    Phase,
    Result,
    Role,
    Severity,
)
from edgeflash.rules.judge import result_of
from edgeflash.rules.memory import EMPTY, Memory
from edgeflash.rules.rule import CycleContext
from edgeflash.rules.tuning import rulebook
from tests.simulated_line import BENCH_CUP, bench_analyzer
from tests.unit.rules.contexts import AT, SOUND

UNSOUND = (Finding(202, "cycle_too_long", Severity.DOUBT, "the cycle took 700.0 s"),)
"""What a rule that needs no past may have said of a cycle."""

CHECKED = (Finding(208, "check_sample", Severity.REJECT, "a check sample was measured"),)
"""What is said of every check sample."""

NEVER_FROZEN: dict[str, Any] = {"frozen": {"enabled": False, "because": "test"}}


def plain_cycle(number: int, **changes: Any) -> Cycle:
    """A cycle without a trace; three minutes after the one before it."""
    values = {Role.CYCLE_NUMBER: number, **changes.pop("values", {})}
    usual: dict[str, Any] = {
        "cycle_number": number,
        "values": values,
        "trace": None,
        "finished_at": AT + timedelta(seconds=180 * number),
        "duration_s": 180.0,
    }
    return replace(SOUND, **{**usual, **changes})


@dataclass
class Line:
    """One analyzer's judged cycles, one after the other, with a memory."""

    analyzer: Analyzer = field(default_factory=bench_analyzer)
    memory: Memory = EMPTY
    results: list[Result] = field(default_factory=list)

    def judge(
        self,
        value_c: float | None,
        *,
        own: tuple[Finding, ...] | None = None,
        product: str = "gas-oil",
        stream: int | None = None,
        predicted_c: float | None = None,
        is_check: bool = False,
        analyzer: Analyzer | None = None,
        computed: dict[str, Any] | None = None,
        **cycle_changes: Any,
    ) -> Result:
        """The result of the next cycle, which the line remembers. own: what other rules found."""
        if is_check:
            cycle_changes["phases"] = (Phase.CHECK_SAMPLE, Phase.HEAT)
        cycle = plain_cycle(len(self.results) + 1, **cycle_changes)
        used = analyzer or self.analyzer
        context = CycleContext(
            cycle=cycle,
            computed=Computed(corrected_c=value_c, **(computed or {})),
            analyzer=used,
            register_map=BENCH_CUP,
            product=None,
            product_name=product,
            assessment=Assessment(stream=stream, predicted_c=predicted_c),
            memory=self.memory,
        )
        if own is None:
            own = CHECKED if is_check else ()
        result = result_of(context, rulebook(used), own, AT)
        self.memory = self.memory.after(result)
        self.results.append(result)
        return result

    def add(self, values_c: Iterable[float], **given: Any) -> Line:
        """The line after more cycles, which must all be accepted."""
        for value_c in values_c:
            assert self.judge(value_c, **given).reasons == ()
        return self


def said(result: Result, rule: str) -> Finding | None:
    """What the rule said of the cycle."""
    return next((f for f in result.findings if f.rule == rule), None)

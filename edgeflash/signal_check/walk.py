"""Walks through the steps of a signal check and keeps each answer at once."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from datetime import datetime

from edgeflash.signal_check.answers import Answers, StoppedError
from edgeflash.signal_check.compare import compared, tolerance_of
from edgeflash.signal_check.driving import Driver
from edgeflash.signal_check.plan import Step
from edgeflash.signal_check.record import Row, row_of


def walk(
    steps: Sequence[Step],
    done: Collection[tuple[str, int]],
    driver: Driver,
    answers: Answers,
    keep: Callable[[Row], None],
    say: Callable[[str], None],
    *,
    analyzer: str,
    outlet: str,
    seconds: float,
    display: float,
    now: Callable[[], datetime],
) -> None:
    """Shows each step that is not done and hands each row to `keep`.

    An answer that came after the value had ended does not count: the step is shown again. A person
    who stops ends the walk. Raises GatewayError when the gateway is gone or refuses.
    """
    for place, step in enumerate(steps, start=1):
        while step.key not in done:
            driver.show(step)
            asked_at = now()
            try:
                answer = answers.of(step, place, len(steps), seconds)
            except StoppedError:
                return
            ended = "" if answer.outcome else driver.ended()
            if ended:
                say(f"  this answer does not count: {ended}. The value is shown again.")
                continue
            found = compared(step, answer, display)
            tolerance = tolerance_of(step, display)
            row = row_of(analyzer, outlet, step, answer, found, tolerance, asked_at, now())
            keep(row)
            what = f"  {step.point}, test value {step.number}: {found.outcome.value}"
            say(f"{what}: {found.why}" if found.why else what)
            break

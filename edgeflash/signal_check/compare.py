"""What the control system showed, against what it was sent. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from edgeflash.points import PointType
from edgeflash.signal_check.plan import Step
from edgeflash.trust import Trust

FLOAT32_SPACING = 2.0**-23
"""Relative distance of neighbouring single precision numbers (IEEE 754, binary32)."""

TIME_TOLERANCE_S = 1.0

_TRUE = frozenset({"1", "true", "on", "yes"})
_FALSE = frozenset({"0", "false", "off", "no"})
_NOTHING = frozenset({"", "nan", "null", "none", "-"})


class Outcome(StrEnum):
    """How one step came out."""

    PASSED = "passed"
    FAILED = "failed"
    SKIPPED = "skipped"
    NO_ANSWER = "no answer"


@dataclass(frozen=True, slots=True)
class Answer:
    """What was read at the control system. trust: None where nobody told. outcome: SKIPPED or
    NO_ANSWER where nothing was read."""

    value: str = ""
    trust: Trust | None = None
    note: str = ""
    outcome: Outcome | None = None


@dataclass(frozen=True, slots=True)
class Compared:
    """deviation: shown less sent, in the outlet's unit, s for a time; None where it is no number.

    why: what is wrong, in words; empty when passed.
    """

    outcome: Outcome
    deviation: float | None = None
    why: str = ""


def answer_of(line: str) -> Answer:
    """A line as a person types it: the value, then good, uncertain or bad where it was seen."""
    words = line.strip().split()
    trust = None
    if words and words[-1].lower() in tuple(Trust):
        trust = Trust(words.pop().lower())
    return Answer(" ".join(words), trust)


def tolerance_of(step: Step, display: float) -> float:
    """What a number may be off: what the display leaves away, and single precision."""
    if step.type is PointType.TIME:
        return TIME_TOLERANCE_S
    if step.type is not PointType.FLOAT or not isinstance(step.expected, float):
        return 0.0
    return display + FLOAT32_SPACING * abs(step.expected)


def compared(step: Step, answer: Answer, display: float) -> Compared:
    """One step's answer, judged. display: what a number may be off, in the outlet's unit."""
    if answer.outcome is not None:
        return Compared(answer.outcome)
    if answer.trust is not None and answer.trust is not step.quality.trust:
        why = f"quality {answer.trust.value}, sent {step.quality.trust.value}"
        return Compared(Outcome.FAILED, why=why)
    text = answer.value.strip()
    if step.expected is None:
        is_shown_bad = text.lower() in _NOTHING and answer.trust is Trust.BAD
        why = "" if is_shown_bad else "it must show no value, and bad"
        return Compared(Outcome.PASSED if is_shown_bad else Outcome.FAILED, why=why)
    match step.type:
        case PointType.FLOAT:
            return _number(step, _float(text), tolerance_of(step, display))
        case PointType.CODE if step.text and text.lower() == step.text.lower():
            return Compared(Outcome.PASSED)
        case PointType.INT | PointType.CODE:
            return _number(step, _float(text), 0.0)
        case PointType.TIME:
            return _time(step, text)
        case PointType.FLAG:
            shown = True if text.lower() in _TRUE else False if text.lower() in _FALSE else None
            return _same(shown is step.expected, text)
        case PointType.TEXT:
            return _same(text == step.expected, text)


def _same(is_same: bool, text: str) -> Compared:
    if is_same:
        return Compared(Outcome.PASSED)
    return Compared(Outcome.FAILED, why=f"it shows {text or 'nothing'}")


def _float(text: str) -> float | None:
    try:
        found = float(text.replace(",", "."))
    except ValueError:
        return None
    return found if math.isfinite(found) else None


def _number(step: Step, shown: float | None, tolerance: float) -> Compared:
    sent = step.expected
    if shown is None or isinstance(sent, bool) or not isinstance(sent, int | float):
        return Compared(Outcome.FAILED, why="what it shows is no number")
    deviation = shown - sent
    if abs(deviation) <= tolerance * (1.0 + 1e-9):
        return Compared(Outcome.PASSED, deviation)
    return Compared(Outcome.FAILED, deviation, f"off by {deviation:+g} {step.unit}".rstrip())


def _time(step: Step, text: str) -> Compared:
    """A time as ISO 8601 (UTC unless it says otherwise), or as s or µs since 1970."""
    assert isinstance(step.expected, datetime)
    number = _float(text)
    try:
        if number is not None:
            seconds = number / 1e6 if number > 1e11 else number
            shown = datetime.fromtimestamp(seconds, UTC)
        else:
            shown = datetime.fromisoformat(text)
    except (ValueError, OverflowError, OSError):
        return Compared(Outcome.FAILED, why="what it shows is no time")
    if shown.tzinfo is None:
        shown = shown.replace(tzinfo=UTC)
    deviation = (shown - step.expected).total_seconds()
    if abs(deviation) <= TIME_TOLERANCE_S:
        return Compared(Outcome.PASSED, deviation)
    return Compared(Outcome.FAILED, deviation, f"off by {deviation:+g} s")

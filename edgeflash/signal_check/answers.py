"""Where the answers of a signal check come from: a person, or a file that another program fills."""

from __future__ import annotations

import csv
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from edgeflash.errors import UsageError
from edgeflash.signal_check.compare import Answer, Outcome, answer_of
from edgeflash.signal_check.plan import Step
from edgeflash.signal_check.record import text_of
from edgeflash.trust import Trust

HELP = (
    "Read each value where the control system shows it, and type it as it stands",
    "there, with its quality where one is shown:",
    "  48.2 good    3 uncertain    heat    on    bad (where no value is shown)",
    "Or: skip REASON; note TEXT, before the value; quit, which keeps what is done.",
    "Enter alone shows this again.",
)

LOOK_EVERY_S = 0.2
NEEDED_COLUMNS = ("point", "step", "value", "quality")


class StoppedError(Exception):
    """The person stops here; what is done is kept."""


class Answers(Protocol):
    """Tells what the control system shows of the step that is shown now."""

    def of(self, step: Step, place: int, count: int, seconds: float) -> Answer:
        """The answer. Raises StoppedError."""


class Person:
    """Asks somebody at a terminal. ask: prints a prompt and gives the line; say: prints a line.

    tells: whether the sent value is told; an answer without knowing it proves more.
    """

    def __init__(
        self, ask: Callable[[str], str], say: Callable[[str], None], *, tells: bool
    ) -> None:
        self._ask = ask
        self._say = say
        self._tells = tells
        self._is_helped = False

    def _help(self) -> None:
        for line in HELP:
            self._say(line)
        self._is_helped = True

    def of(self, step: Step, place: int, count: int, seconds: float) -> Answer:
        """The answer typed: see HELP, which is told before the first."""
        if not self._is_helped:
            self._help()
        unit = f", in {step.unit}" if step.unit else ""
        self._say(f"\n[{place}/{count}] {step.title} ({step.point}){unit}")
        self._say(f"  test value {step.number} of this point, shown for at most {seconds:g} s")
        if self._tells:
            sent = text_of(step.expected) or "no value"
            self._say(f"  sent: {sent}, {step.quality.trust.value}")
        note = ""
        while True:
            try:
                line = self._ask("  the control system shows: ").strip()
            except EOFError as error:
                raise StoppedError from error
            first, _, rest = line.partition(" ")
            match first.lower():
                case "":
                    self._help()
                case "quit":
                    raise StoppedError
                case "note":
                    note = rest.strip()
                case "skip":
                    return Answer(note=note or rest.strip(), outcome=Outcome.SKIPPED)
                case _:
                    found = answer_of(line)
                    return Answer(found.value, found.trust, note)


class AnswersFile:
    """Reads the answers from a CSV file with the columns point, step, value, quality.

    The file may grow while the check runs: each step waits for its row as long as it is shown.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def of(self, step: Step, place: int, count: int, seconds: float) -> Answer:
        """The row of this step; NO_ANSWER when it does not come while the value is shown."""
        deadline_s = time.monotonic() + seconds
        while True:
            found = self._rows().get(step.key)
            if found is not None:
                return found
            if time.monotonic() > deadline_s:
                return Answer(outcome=Outcome.NO_ANSWER)
            time.sleep(LOOK_EVERY_S)

    def _rows(self) -> dict[tuple[str, int], Answer]:
        try:
            whole = self._path.read_text("utf-8")
        except OSError as error:
            raise UsageError(f"--answers: {error}") from error
        # A row that is still being written has no line end yet.
        reader = csv.DictReader(whole[: whole.rfind("\n") + 1].splitlines())
        names = reader.fieldnames
        if names is not None and not set(NEEDED_COLUMNS) <= set(names):
            needed = ", ".join(NEEDED_COLUMNS)
            raise UsageError(f"--answers: {self._path} must have the columns {needed}")
        return {
            (row["point"], int(row["step"])): _answer(row)
            for row in reader
            if (row["step"] or "").isdigit()
        }


def _answer(row: dict[str, str]) -> Answer:
    """Raises UsageError for a quality that is none: it would else be taken for one not told."""
    quality = (row["quality"] or "").strip().lower()
    if quality and quality not in tuple(Trust):
        known = ", ".join(Trust)
        raise UsageError(
            f"--answers: {row['point']}, step {row['step']}: the quality '{quality}' is none of "
            f"{known}; leave it empty where none is shown"
        )
    trust = Trust(quality) if quality else None
    return Answer((row["value"] or "").strip(), trust, (row.get("note") or "").strip())

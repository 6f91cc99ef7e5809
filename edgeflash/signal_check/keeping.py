"""The record of a signal check on disk."""

from __future__ import annotations

import os
from pathlib import Path

from edgeflash.errors import UsageError
from edgeflash.signal_check.plan import Step
from edgeflash.signal_check.record import Row, Signed, as_csv, as_markdown, of_csv, signed


class Keeper:
    """The record on disk, whole after each answer."""

    def __init__(
        self,
        base: Path,
        site: str,
        analyzer: str,
        outlet: str,
        steps: tuple[Step, ...],
        *,
        anew: bool,
    ) -> None:
        self._base, self._site, self._steps = base, site, steps
        self._rows: list[Row] = []
        path = base.with_name(base.name + ".csv")
        if path.exists() and not anew:
            self._rows = of_csv(path.read_text("utf-8"))
            if any((row.analyzer, row.outlet) != (analyzer, outlet) for row in self._rows):
                raise UsageError(f"{path}: a record of another analyzer or outlet; give --record")

    @property
    def done(self) -> set[tuple[str, int]]:
        """The steps that need not be done again: a failed one is tried again."""
        return {row.key for row in self._rows if row.outcome == "passed"}

    @property
    def all_passed(self) -> bool:
        """True when every planned step has passed."""
        return {step.key for step in self._steps} <= self.done

    @property
    def is_signed(self) -> bool:
        """True when somebody answers for each row."""
        return bool(self._rows) and all(row.checked_by for row in self._rows)

    def keep(self, row: Row) -> None:
        """Takes the answer of a step, in place of an earlier one."""
        self._rows = [*(r for r in self._rows if r.key != row.key), row]
        self.write(None, "")

    def write(self, by: Signed | None, restored: str) -> None:
        """Replaces both files, each as a whole."""
        if by is not None:
            self._rows = signed(self._rows, by)
        known = {row.key for row in self._rows}
        missing = [step for step in self._steps if step.key not in known]
        _replace(self._base, ".csv", as_csv(self._rows))
        text = as_markdown(self._site, self._rows, missing, by, restored)
        _replace(self._base, ".md", text)


def _replace(base: Path, suffix: str, text: str) -> None:
    path, beside = base.with_name(base.name + suffix), base.with_name(f".{base.name}{suffix}.new")
    with beside.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)

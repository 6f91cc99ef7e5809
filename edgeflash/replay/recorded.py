"""A judged cycle as the history holds it, and the result it stands for. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any

from edgeflash.history.schema import COLUMNS, KEY, TableName
from edgeflash.journal import UnreadableEntryError, decode_cycle
from edgeflash.model import (
    Assessment,
    CheckResult,
    Computed,
    Continuity,
    Cycle,
    CycleSource,
    Finding,
    InputReading,
    Pulse,
    Result,
    Severity,
    Trace,
    Verdict,
)
from edgeflash.rules.catalogue import BY_NAME

_HELD = {column.name for column in COLUMNS[TableName.RESULTS]}
_COMPUTED = tuple(f.name for f in fields(Computed) if f.name in _HELD)

RECORDED_COLUMNS: tuple[str, ...] = (
    *KEY,
    "finished_at",
    "sampled_at",
    "judged_at",
    "verdict",
    "published_c",
    "findings",
    "product",
    "low_flash",
    "possible_low_flash",
    "rules_version",
    "source",
    "stream",
    "minimum_c",
    "margin_c",
    "meets_limit_percent",
    "predicted_c",
    "hazard_class",
    *_COMPUTED,
    "checks",
    "as_read",
)
"""What is needed of the table `results`."""

_JUDGING_FAILED = BY_NAME["judging_failed"]

Key = tuple[int, int]
"""Epoch and cycle number: names a cycle of one analyzer."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """One judged cycle of the history: a row of `results`, in our own types.

    as_read: the cycle as it was read, for judging it again; None in a row of an older edgeflash.
    """

    analyzer: str
    key: Key
    finished_at: datetime
    judged_at: datetime
    sampled_at: datetime
    verdict: Verdict
    published_c: float | None
    findings: tuple[Finding, ...]
    low_flash: bool
    low_flash_alarm: bool
    product: str
    rules_version: str
    source: CycleSource
    computed: Computed
    assessment: Assessment
    checks: tuple[CheckResult, ...]
    as_read: str | None

    @property
    def id(self) -> str:
        """The name of the cycle for ever."""
        return f"{self.analyzer}/{self.key[0]}/{self.key[1]}"

    @property
    def why_not(self) -> str:
        """Why the cycle cannot be judged again; empty when it can."""
        if self.as_read is None:
            return "an older edgeflash recorded it, without what was read"
        if any(f.code == _JUDGING_FAILED.code for f in self.findings):
            return "its judging failed at the time, and its trace was not kept"
        return ""

    def read(self, trace: Trace | None, pulse: Pulse | None) -> tuple[Cycle, Inputs]:
        """The cycle as it was read, and the inputs as they stood then.

        Raises UnreadableEntryError for a damaged row, or for arrays that do not belong to it.
        """
        cycle, inputs = decode_cycle(self.as_read or "", trace, pulse)
        if (cycle.analyzer, cycle.epoch, cycle.cycle_number) != (self.analyzer, *self.key):
            raise UnreadableEntryError("it holds the reading of another cycle")
        return cycle, inputs

    def bare_cycle(self) -> Cycle:
        """What is left to say of a cycle whose reading was not kept, or is damaged."""
        return Cycle(
            self.analyzer,
            self.key[0],
            self.key[1],
            self.source,
            Continuity.NEXT,
            missed=0,
            finished_at=self.finished_at,
            values={},
        )

    def result(self, cycle: Cycle, inputs: Inputs = ()) -> Result:
        """The result as it was recorded."""
        return Result(
            cycle=cycle,
            computed=self.computed,
            findings=self.findings,
            verdict=self.verdict,
            published_c=self.published_c,
            low_flash=self.low_flash,
            low_flash_alarm=self.low_flash_alarm,
            sampled_at=self.sampled_at,
            judged_at=self.judged_at,
            product=self.product,
            rules_version=self.rules_version,
            assessment=self.assessment,
            inputs=inputs,
            checks=self.checks,
        )


Inputs = tuple[InputReading, ...]


def recorded(row: Mapping[str, Any]) -> Recorded:
    """The row of `results` with RECORDED_COLUMNS, as `to_pylist` gives it."""
    percent = row["meets_limit_percent"]
    return Recorded(
        analyzer=row["analyzer"],
        key=(row["epoch"], row["cycle_number"]),
        finished_at=_utc(row["finished_at"]),
        judged_at=_utc(row["judged_at"]),
        sampled_at=_utc(row["sampled_at"]),
        verdict=Verdict(row["verdict"]),
        published_c=row["published_c"],
        findings=tuple(
            Finding(**{**finding, "severity": Severity(finding["severity"])})
            for finding in row["findings"] or ()
        ),
        low_flash=bool(row["low_flash"]),
        low_flash_alarm=bool(row["possible_low_flash"]),
        product=row["product"] or "",
        rules_version=row["rules_version"] or "",
        source=CycleSource(row["source"]),
        computed=Computed(**{name: row[name] for name in _COMPUTED}),
        assessment=Assessment(
            stream=row["stream"],
            minimum_c=row["minimum_c"],
            margin_c=row["margin_c"],
            probability=None if percent is None else percent / 100.0,
            hazard_class=row["hazard_class"] or "",
            predicted_c=row["predicted_c"],
        ),
        checks=tuple(
            CheckResult(**{**check, "finished_at": _utc(check["finished_at"])})
            for check in row["checks"] or ()
        ),
        as_read=row["as_read"],
    )


def _utc(moment: datetime) -> datetime:
    return moment.astimezone(UTC)

"""The record of a signal check: as CSV, from which it is resumed, and as Markdown. Pure."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime

from edgeflash.errors import UsageError
from edgeflash.points import PointScalar
from edgeflash.rules.page import markdown_table
from edgeflash.signal_check.compare import Answer, Compared, Outcome
from edgeflash.signal_check.plan import CAUTIONS, Step


@dataclass(frozen=True, slots=True)
class Row:
    """One step of a check, as it is kept; all fields are text, empty for nothing."""

    analyzer: str
    outlet: str
    point: str
    step: str
    title: str
    unit: str
    sent: str
    sent_quality: str
    shown: str
    shown_quality: str
    deviation: str
    tolerance: str
    outcome: str
    why: str
    note: str
    asked_at: str
    answered_at: str
    checked_by: str = ""
    witnessed_by: str = ""

    @property
    def key(self) -> tuple[str, int]:
        """Names the step in a plan."""
        return self.point, int(self.step)


COLUMNS = tuple(field.name for field in fields(Row))


@dataclass(frozen=True, slots=True)
class Signed:
    """Who answers for a check, as they gave their names."""

    checked_by: str
    witnessed_by: str
    at: datetime


def row_of(
    analyzer: str,
    outlet: str,
    step: Step,
    answer: Answer,
    found: Compared,
    tolerance: float,
    asked_at: datetime,
    answered_at: datetime,
) -> Row:
    """The row of an answered step."""
    return Row(
        analyzer,
        outlet,
        step.point,
        str(step.number),
        step.title,
        step.unit,
        text_of(step.expected),
        step.quality.value.opcua_name,
        answer.value,
        answer.trust.value if answer.trust else "",
        "" if found.deviation is None else f"{found.deviation:.6g}",
        f"{tolerance:.6g}" if tolerance else "",
        found.outcome.value,
        found.why,
        answer.note,
        stamp(asked_at),
        stamp(answered_at),
    )


def text_of(value: PointScalar) -> str:
    """A sent value as text."""
    match value:
        case None:
            return ""
        case bool():
            return "1" if value else "0"
        case datetime():
            return stamp(value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def stamp(at: datetime) -> str:
    """A time in UTC, to the second."""
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def as_csv(rows: Sequence[Row]) -> str:
    """All rows as CSV with a heading."""
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows([getattr(row, name) for name in COLUMNS] for row in rows)
    return file.getvalue()


def of_csv(text: str) -> list[Row]:
    """What `as_csv` wrote. Raises UsageError."""
    reader = csv.DictReader(io.StringIO(text))
    if tuple(reader.fieldnames or ()) != COLUMNS:
        raise UsageError("it is not the record of a signal check")
    try:
        rows = [Row(**row) for row in reader]
        for row in rows:
            _ = row.key, Outcome(row.outcome)
    except (TypeError, ValueError) as error:
        raise UsageError(f"a row of the record is damaged: {error}") from error
    return rows


def signed(rows: Sequence[Row], by: Signed) -> list[Row]:
    """The rows with the names of those who answer for them."""
    return [
        replace(row, checked_by=by.checked_by, witnessed_by=by.witnessed_by)
        if not row.checked_by
        else row
        for row in rows
    ]


def as_markdown(
    site: str, rows: Sequence[Row], missing: Sequence[Step], by: Signed | None, restored: str
) -> str:
    """The record for people. missing: planned steps without an answer. restored: what became of
    the last test value, in words."""
    analyzer, outlet = (rows[0].analyzer, rows[0].outlet) if rows else ("", "")
    counts = {o: sum(r.outcome == o for r in rows) for o in Outcome}
    told = ", ".join(f"{count} {o.value}" for o, count in counts.items() if count)
    parts = [
        f"# Signal check of {analyzer} at {site}",
        f"Checked as outlet `{outlet}` shows it. {told or 'no step done'}; "
        f"{len(missing)} of the plan not done.",
        restored,
        markdown_table(
            (
                *("Point", "Step", "Sent", "Quality", "Shown", "Its quality"),
                *("Deviation", "Tolerance", "Outcome", "Remark", "Answered (UTC)"),
            ),
            [
                (
                    _cell(f"{row.title} (`{row.point}`)"),
                    row.step,
                    _cell(f"{row.sent} {row.unit}"),
                    _cell(row.sent_quality),
                    _cell(row.shown),
                    _cell(row.shown_quality),
                    row.deviation,
                    row.tolerance,
                    row.outcome,
                    _cell("; ".join(part for part in (row.why, row.note) if part)),
                    row.answered_at,
                )
                for row in rows
            ],
        ),
    ]
    if missing:
        names = ", ".join(dict.fromkeys(f"`{step.point}`" for step in missing))
        parts.append(f"Not done: {names}.")
    signers = dict.fromkeys(_cell(row.checked_by) for row in rows)
    if by is None and signers and "" not in signers:
        parts.append(f"Signed off before. Checked by: {', '.join(signers)}.")
    elif by is None:
        parts.append("**Not signed off.**")
    else:
        parts.append(
            f"Signed off {stamp(by.at)}. Checked by: {_cell(by.checked_by)}. "
            f"Witnessed by: {_cell(by.witnessed_by) or 'nobody'}."
        )
    parts.append("Cautions that were shown:")
    parts.append("\n".join(f"- {caution}" for caution in CAUTIONS))
    return "\n\n".join(part for part in parts if part) + "\n"


def _cell(text: str) -> str:
    return " ".join(text.split())

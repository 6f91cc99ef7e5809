"""The report of a replay for machines: JSON, and the changed cycles as CSV."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from edgeflash.errors import StorageError
from edgeflash.model import Verdict
from edgeflash.replay.report import Change, Report, Side

CSV_COLUMNS = (
    "id",
    "analyzer",
    "finished_at",
    "turn",
    "seen_c",
    "verdict_before",
    "verdict_after",
    "published_before_c",
    "published_after_c",
    "reason_before",
    "reason_after",
    "low_flash_before",
    "low_flash_after",
    "low_flash_alarm_before",
    "low_flash_alarm_after",
    "rules",
)


def as_json(report: Report) -> dict[str, Any]:
    """The whole report in JSON's own types; times are ISO 8601 in UTC."""
    return {
        "cycles": report.cycles,
        "judged_again": report.judged,
        "is_unchanged": report.is_unchanged,
        "silenced": [change.id for change in report.silenced],
        "rules_versions": dict(report.rules_versions),
        "analyzers": [
            {
                "analyzer": own.analyzer,
                "cycles": len(own.turns),
                "before": {v.value: own.before[v] for v in Verdict},
                "after": {v.value: own.after[v] for v in Verdict},
                "low_flash": {"before": own.low_flash_before, "after": own.low_flash_after},
            }
            for own in report.analyzers.values()
        ],
        "rules": [{**asdict(found), "turn": found.turn.value} for found in report.rules],
        "changes": [_change_json(change) for change in report.changes],
        "not_judged_again": [asdict(left) for left in report.not_judged],
    }


def write_csv(report: Report, path: Path) -> int:
    """Writes the changed cycles, every one; how many. The file appears whole or not at all.

    Raises StorageError when the disk refuses.
    """
    pending = path.with_name(f".{path.name}.{os.getpid()}.pending")
    try:
        with pending.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(CSV_COLUMNS)
            writer.writerows(_csv_row(change) for change in report.changes)
        pending.replace(path)
    except OSError as error:
        raise StorageError(f"{path}: the changed cycles cannot be written: {error}") from error
    finally:
        with suppress(OSError):
            pending.unlink(missing_ok=True)
    return len(report.changes)


def _csv_row(change: Change) -> Iterator[object]:
    before, after = change.before, change.after
    yield from (change.id, change.analyzer, _stamp(change.finished_at))
    yield from (change.turn.value, change.seen_c)
    yield from (before.verdict.value, after.verdict.value)
    yield from (before.published_c, after.published_c)
    yield from (before.reason, after.reason)
    yield from (before.low_flash, after.low_flash)
    yield from (before.low_flash_alarm, after.low_flash_alarm)
    yield "; ".join(f"{rule} {turn.value}" for rule, turn in change.rules)


def _change_json(change: Change) -> dict[str, Any]:
    return {
        "id": change.id,
        "analyzer": change.analyzer,
        "finished_at": _stamp(change.finished_at),
        "turn": change.turn.value,
        "seen_c": change.seen_c,
        "before": _side_json(change.before),
        "after": _side_json(change.after),
        "rules": [{"rule": rule, "turn": turn.value} for rule, turn in change.rules],
    }


def _side_json(side: Side) -> dict[str, Any]:
    return {**asdict(side), "verdict": side.verdict.value}


def _stamp(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%S.%fZ}"

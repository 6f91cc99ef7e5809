"""What the history holds of each analyzer."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from edgeflash.history.reader import Reading
from edgeflash.history.schema import KEY, TableName
from edgeflash.history.selection import Selection
from edgeflash.journal import JournalReader
from edgeflash.model import Verdict

SUMMARY_COLUMNS = (*KEY, "finished_at", "verdict", "published_c")
"""The columns of `results` that a summary is made of."""


@dataclass(frozen=True, slots=True)
class AnalyzerSummary:
    """Cycles of one analyzer. first, last: when they finished. low_c, high_c: of the accepted."""

    analyzer: str
    first: datetime
    last: datetime
    cycles: int
    accepted: int
    doubtful: int
    rejected: int
    low_c: float | None
    high_c: float | None


def summary(
    folder: Path,
    journal: JournalReader | None = None,
    analyzer: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> list[AnalyzerSummary]:
    """One entry for each analyzer with cycles in that time, by name. Raises as `read_results`."""
    selection = Selection(analyzer, since, until)
    table = Reading(folder, TableName.RESULTS, journal, selection, SUMMARY_COLUMNS).all()
    return summaries([table])


def summaries(tables: Iterable[pa.Table]) -> list[AnalyzerSummary]:
    """The same of rows that come table by table, with SUMMARY_COLUMNS; no row twice."""
    found: dict[str, AnalyzerSummary] = {}
    for table in tables:
        names: list[Any] = pc.unique(table["analyzer"]).to_pylist()
        for name in names:
            own = table if len(names) == 1 else table.filter(pc.equal(table["analyzer"], name))
            one = _summary(name, own)
            found[name] = one if name not in found else _together(found[name], one)
    return [found[name] for name in sorted(found)]


def _together(one: AnalyzerSummary, other: AnalyzerSummary) -> AnalyzerSummary:
    lows = [s.low_c for s in (one, other) if s.low_c is not None]
    highs = [s.high_c for s in (one, other) if s.high_c is not None]
    return AnalyzerSummary(
        one.analyzer,
        min(one.first, other.first),
        max(one.last, other.last),
        one.cycles + other.cycles,
        one.accepted + other.accepted,
        one.doubtful + other.doubtful,
        one.rejected + other.rejected,
        min(lows, default=None),
        max(highs, default=None),
    )


def _summary(analyzer: str, table: pa.Table) -> AnalyzerSummary:
    finished: Any = pc.min_max(table["finished_at"]).as_py()
    counts = Counter(
        {v["values"]: v["counts"] for v in table["verdict"].value_counts().to_pylist()}
    )
    accepted = table.filter(pc.equal(table["verdict"], pa.scalar(Verdict.ACCEPTED.value)))
    flash_c: Any = pc.min_max(accepted["published_c"]).as_py()
    return AnalyzerSummary(
        analyzer=analyzer,
        first=finished["min"],
        last=finished["max"],
        cycles=len(table),
        accepted=counts[Verdict.ACCEPTED.value],
        doubtful=counts[Verdict.DOUBTFUL.value],
        rejected=counts[Verdict.REJECTED.value],
        low_c=flash_c["min"],
        high_c=flash_c["max"],
    )

"""Shared tables to ask: three sites over two months, with rejects, misses, outages, check samples
and laboratory results whose answers can be worked out by hand. Invented figures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from edgeflash.history.schema import TableName
from edgeflash.model import CheckResult, LabResult, LabStatus, Result, Verdict
from tests.unit.fleet.sites import MadeSite, collected, folder_store
from tests.unit.journal.samples import sample_result

SITES = ("Windmill Quay", "Ämter & Söhne/2", "12")
ANALYZERS = ("fp-1", "fp-2")
MONTHS = (datetime(2026, 4, 1, tzinfo=UTC), datetime(2026, 5, 1, tzinfo=UTC))
STEP = timedelta(minutes=10)
CYCLES = 60
OUTAGE_AFTER = 20
OUTAGE = timedelta(hours=5)
CHECK_EVERY = 6
REFERENCE_C = 62.0
LAB_EVERY = 15

_VERDICTS = (Verdict.ACCEPTED, Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.REJECTED)


def check_offset_c(site: int, analyzer: int, month: int, number: int) -> float:
    """By how much a check sample reads high: scatter that differs from analyzer to analyzer."""
    noise = np.random.default_rng([site, analyzer, month, number]).normal()
    return round(float(0.1 + 0.2 * (1 + site + analyzer) * noise), 2)


def results(site: int) -> Iterator[Result]:
    """The site's cycles, in the order of their time for each analyzer."""
    for a, analyzer in enumerate(ANALYZERS):
        for m, start in enumerate(MONTHS):
            checks: tuple[CheckResult, ...] = ()
            for n in range(CYCLES):
                at = start + n * STEP + (OUTAGE if n > OUTAGE_AFTER else timedelta(0))
                at += timedelta(microseconds=n)
                number = 1000 * m + n
                made = sample_result(
                    number,
                    analyzer,
                    finished_at=at,
                    verdict=_VERDICTS[n % 4],
                    with_trace=n % 3 == 0,
                )
                if n % CHECK_EVERY == 0:
                    read_c = REFERENCE_C + check_offset_c(site, a, m, n)
                    checks = (*checks[-5:], CheckResult(0, number, at, read_c, REFERENCE_C))
                missed = 3 if n == OUTAGE_AFTER + 1 else 0
                yield replace(made, checks=checks, cycle=replace(made.cycle, missed=missed))


def lab_results() -> list[LabResult]:
    """Two determinations on each sample, 0.4 °C below and 0.2 °C above a true 62.0; a corrected
    entry, a withdrawn one, and one that no result is near."""
    rows: list[LabResult] = []

    def add(analyzer: str, sample: str, at: datetime, value_c: float, **more: Any) -> None:
        entry = f"{sample}-{len(rows)}"
        given = {"status": LabStatus.FINAL, "entered_at": at + timedelta(days=1), **more}
        rows.append(LabResult(analyzer, entry, sample, at, value_c, **given))

    for analyzer in ANALYZERS:
        for start in MONTHS:
            for n in range(0, CYCLES, LAB_EVERY):
                at = start + n * STEP + (OUTAGE if n > OUTAGE_AFTER else timedelta(0))
                sample = f"{analyzer}-{at:%m%d%H%M}"
                add(analyzer, sample, at, 61.6)
                add(analyzer, sample, at, 62.2)
        at = MONTHS[0] + 4 * STEP
        add(analyzer, f"{analyzer}-wrong", at, 99.0)
        add(analyzer, f"{analyzer}-wrong", at, 61.9, correction_of=rows[-1].entry_id)
        add(analyzer, f"{analyzer}-gone", at, 10.0, status=LabStatus.WITHDRAWN)
        add(analyzer, f"{analyzer}-far", MONTHS[0] - timedelta(days=3), 10.0)
    return rows


def made_tables(top: Path) -> Path:
    """Ships and collects it all; the root of the shared tables."""
    store = folder_store(top / "store")
    for number, name in enumerate(SITES):
        site = MadeSite(top / f"site-{number}", name)
        site.add(results(number), lab=lab_results())
        site.ship(store)
    root = top / "tables"
    for table in (TableName.RESULTS, TableName.LAB):
        collected(store, root, table)
    return root

"""Results in the order of their samples, over the ends of months and the journal's tail."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edgeflash.gateway.history_source import HistorySource
from edgeflash.history import HistoryWriter
from edgeflash.history.by_time import ResultsByTime
from edgeflash.history.tail import ResultsTail
from edgeflash.journal import Journal
from edgeflash.model import Result, Verdict
from edgeflash.outlets.history_rows import EARLIEST, HISTORIC, LATEST, Query, columns_of, row_of
from edgeflash.outlets.values import OutletUnits
from edgeflash.points import CATALOGUE
from edgeflash.rules.catalogue import RULES
from edgeflash.trust import Trust
from tests.unit.outlets.builders import analyzer, result

COLUMNS = ("epoch", "cycle_number", "finished_at", "sampled_at")
MONTH_END = datetime(2024, 2, 29, 23, 0, tzinfo=UTC)
UNITS = OutletUnits("degC", "kPa")


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    one = Journal.open(tmp_path / "journal.db")
    yield one
    one.close()


def cycle(number: int, minutes: float, lag_minutes: float = 0.0) -> Result:
    """A cycle that ends so many minutes after an hour before the month's end."""
    finished = MONTH_END + timedelta(minutes=minutes)
    made = result("fp-101", number, 60.0, at=finished)
    return replace(made, sampled_at=finished - timedelta(minutes=lag_minutes))


def numbers(
    folder: Path,
    tail: ResultsTail,
    forward: bool = True,
    low: datetime = EARLIEST,
    high: datetime = LATEST,
) -> list[int]:
    looked = ResultsByTime(folder, tail, "fp-101", COLUMNS).rows(low, high, forward)
    return [cells["cycle_number"] for cells in looked]


def test_a_long_lag_over_the_end_of_a_month(journal: Journal, tmp_path: Path) -> None:
    """Samples taken before others that came earlier, from the file of the next month."""
    made = [cycle(1, 0), cycle(2, 30), cycle(3, 70, lag_minutes=60), cycle(4, 80), cycle(5, 90)]
    for one in made:
        journal.append(one).result()
    tail = ResultsTail(journal, COLUMNS)
    for _ in range(2):
        assert numbers(tmp_path, tail) == [1, 3, 2, 4, 5]
        assert numbers(tmp_path, tail, forward=False) == [5, 4, 2, 3, 1]
        low, high = made[2].sampled_at, made[3].sampled_at
        assert numbers(tmp_path, tail, low=low, high=high) == [3, 2, 4]
        HistoryWriter(journal, tmp_path).flush()
    assert len(list(tmp_path.glob("results/*/*/*.parquet"))) == 2


def test_the_tail_follows_the_journal(journal: Journal, tmp_path: Path) -> None:
    """New entries are seen at the next look; what has come to the files is no longer kept."""
    tail = ResultsTail(journal, COLUMNS)
    assert numbers(tmp_path, tail) == []
    for number in range(5):
        journal.append(cycle(number, number)).result()
        assert numbers(tmp_path, tail) == list(range(number + 1))
    HistoryWriter(journal, tmp_path).flush()
    assert numbers(tmp_path, tail) == list(range(5))
    assert tail.now("fp-101") == {}
    journal.append(cycle(5, 5)).result()
    assert numbers(tmp_path, tail) == list(range(6))
    journal.rewind("history")
    assert numbers(tmp_path, tail) == list(range(6))


def test_rows_that_move_between_two_looks_at_them_are_there_once(
    journal: Journal, tmp_path: Path
) -> None:
    """Flushed after the tail was looked at and before the file is: known by their keys."""
    for number in range(5):
        journal.append(cycle(number, number)).result()
    looked = ResultsByTime(tmp_path, ResultsTail(journal, COLUMNS), "fp-101", COLUMNS)
    HistoryWriter(journal, tmp_path).flush()
    seen = [cells["cycle_number"] for cells in looked.rows(EARLIEST, LATEST, True)]
    assert seen == list(range(5))


def test_another_analyzer_s_rows_are_not_seen(journal: Journal, tmp_path: Path) -> None:
    journal.append(result("fp-102", 1, at=MONTH_END)).result()
    assert numbers(tmp_path, ResultsTail(journal, COLUMNS)) == []


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(st.tuples(st.integers(0, 60 * 24 * 70), st.integers(0, 1440)), max_size=25),
    st.integers(0, 25),
    st.lists(st.integers(-100, 60 * 24 * 70), min_size=2, max_size=2),
    st.booleans(),
)
def test_any_lags_any_files_any_question(
    tmp_path_factory: pytest.TempPathFactory,
    made: list[tuple[int, int]],
    flushed: int,
    asked: list[int],
    forward: bool,
) -> None:
    """Lags up to a day over three months, some flushed: what sorting all of them gives."""
    folder = tmp_path_factory.mktemp("history")
    journal = Journal.open(folder / "journal.db")
    try:
        results = [cycle(n, minutes, lag) for n, (minutes, lag) in enumerate(made)]
        for place, one in enumerate(results):
            if place == flushed:
                HistoryWriter(journal, folder).flush()
            journal.append(one).result()
        low, high = (MONTH_END + timedelta(minutes=m) for m in sorted(asked))
        seen = numbers(folder, ResultsTail(journal, COLUMNS), forward, low, high)
        wanted = sorted(
            (r for r in results if low <= r.sampled_at <= high),
            key=lambda r: (r.sampled_at, r.cycle.cycle_number),
        )
        assert seen == [r.cycle.cycle_number for r in (wanted if forward else wanted[::-1])]
    finally:
        journal.close()


def test_the_source_reads_every_historic_point(journal: Journal, tmp_path: Path) -> None:
    """What a result gives of a point is what its history shows, in files and tail."""
    made = result("fp-101", 7, 61.5, at=MONTH_END)
    journal.append(made).result()
    source = HistorySource(tmp_path, journal, (analyzer("fp-101"),))
    for _ in range(2):
        for point in HISTORIC:
            (row,) = source.reader("fp-101", point, UNITS)(Query(EARLIEST, LATEST, True, 9))
            get = point.of_result or (lambda r: r.published_c)
            assert row.value == get(made), point.name
            assert (row.status == 0) == (get(made) is not None)
            assert row.at == made.sampled_at
            assert row.usable_until == MONTH_END + timedelta(seconds=900)
        HistoryWriter(journal, tmp_path).flush()


POINTS = {point.name: point for point in CATALOGUE}


def cells_of(
    verdict: Verdict, reasons: list[str], value_c: float | None = 60.0
) -> dict[str, object]:
    return {
        "epoch": 0,
        "cycle_number": 1,
        "finished_at": MONTH_END,
        "sampled_at": MONTH_END,
        "judged_at": MONTH_END,
        "verdict": verdict.value,
        "reasons": reasons,
        "published_c": value_c,
        "reported_c": 61.0,
    }


@pytest.mark.parametrize("rule", [rule.name for rule in RULES] + ["of_old"])
def test_quality_is_never_better_than_the_verdict(rule: str) -> None:
    """For every rule, and one that is no more: doubtful is never good nor another cycle's value;
    rejected has no value, whatever was computed."""
    point = POINTS["flash_point_c"]
    doubtful = row_of(point, cells_of(Verdict.DOUBTFUL, [rule]), UNITS, 900.0)
    assert doubtful.trust is not Trust.GOOD
    assert (doubtful.value == 60.0) is (doubtful.trust is Trust.UNCERTAIN)
    assert doubtful.status not in (0x40900000, 0x408F0000)
    rejected = row_of(point, cells_of(Verdict.REJECTED, [rule], None), UNITS, 900.0)
    assert (rejected.trust, rejected.value) == (Trust.BAD, None)
    computed = row_of(point, cells_of(Verdict.REJECTED, [rule]), UNITS, 900.0)
    assert (computed.trust, computed.value) == (Trust.BAD, None)
    reported = row_of(POINTS["reported_c"], cells_of(Verdict.REJECTED, [rule]), UNITS, 900.0)
    assert (reported.trust, reported.value) == (Trust.UNCERTAIN, 61.0)
    assert set(columns_of(point)) <= set(cells_of(Verdict.ACCEPTED, []))


def test_the_reason_s_own_status_is_kept() -> None:
    """A rejected cycle's status is that of the rule that rejected it, as it would be live."""
    for rule in RULES:
        if rule.without_value.trust is Trust.BAD:
            cells = cells_of(Verdict.REJECTED, [rule.name], None)
            row = row_of(POINTS["flash_point_c"], cells, UNITS, 900.0)
            assert row.status == rule.without_value.value.opcua_code

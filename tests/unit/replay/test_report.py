"""What a replay counts and draws: from made results, without a history."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from rich.console import Console

from edgeflash.history.schema import TableName, rows
from edgeflash.model import Finding, Result, Severity, Verdict
from edgeflash.replay.drawing import drawn, timeline
from edgeflash.replay.judge_again import Again
from edgeflash.replay.recorded import recorded
from edgeflash.replay.report import AnalyzerReport, Report, RuleTurn, Turn, rule_turns
from edgeflash.replay.report_files import CSV_COLUMNS, as_json, write_csv
from tests.unit.journal.samples import entries_of, sample_result

AT = datetime(2026, 5, 1, tzinfo=UTC)


def judged(number: int, verdict: Verdict, **changes: object) -> Result:
    return replace(sample_result(number, "kestrel-1", verdict=verdict), **changes)  # type: ignore[arg-type]


def again(before: Result, after: Result | None, why_not: str = "") -> Again:
    """As a replay gives it: the one from its row of the history, the other fresh."""
    (row,) = rows(TableName.RESULTS, entries_of([before])).to_pylist()
    return Again(recorded(row), after, why_not)


def report_of(*agains: Again) -> Report:
    report = Report()
    for one in agains:
        report.add(one)
    return report


def text_of(report: Report, most: int | None = 50, columns: int = 80) -> str:
    console = Console(width=columns, color_system=None)
    with console.capture() as captured:
        for part in drawn(report, changes_most=most, columns=columns):
            console.print(part)
    return captured.get()


ACCEPTED = judged(1, Verdict.ACCEPTED, low_flash_alarm=False)
DOUBTFUL = judged(1, Verdict.DOUBTFUL, low_flash_alarm=False)
REJECTED = judged(1, Verdict.REJECTED, low_flash_alarm=False)
LOW = replace(REJECTED, low_flash=True, low_flash_alarm=True)


@pytest.mark.parametrize(
    ("before", "after", "turn"),
    [
        (ACCEPTED, ACCEPTED, Turn.KEPT),
        (ACCEPTED, DOUBTFUL, Turn.WORSE),
        (DOUBTFUL, REJECTED, Turn.WORSE),
        (REJECTED, ACCEPTED, Turn.BETTER),
        (ACCEPTED, replace(ACCEPTED, published_c=60.0), Turn.OTHER),
        (ACCEPTED, replace(ACCEPTED, low_flash_alarm=True), Turn.OTHER),
        (LOW, REJECTED, Turn.SILENCED),
        (LOW, replace(LOW, low_flash=False), Turn.SILENCED),
        (LOW, ACCEPTED, Turn.SILENCED),
        (LOW, LOW, Turn.KEPT),
    ],
)
def test_every_kind_of_change_has_its_name(before: Result, after: Result, turn: Turn) -> None:
    """A danger that is no longer told outweighs a verdict that gets better."""
    report = report_of(again(before, after))
    assert [t for _, t in report.analyzers["kestrel-1"].turns] == [turn]
    assert report.is_unchanged is (turn is Turn.KEPT)
    assert bool(report.silenced) is (turn is Turn.SILENCED)


def test_rules_are_told_apart_by_what_they_say_now() -> None:
    """Newly speaking, silent, stricter and milder; a rule with the same word is left out."""

    def finding(rule: str, severity: Severity) -> Finding:
        return Finding(1, rule, severity, "said")

    before = [
        finding("a", Severity.DOUBT),
        finding("b", Severity.NOTE),
        finding("c", Severity.REJECT),
    ]
    after = [
        finding("b", Severity.DOUBT),
        finding("c", Severity.DOUBT),
        finding("d", Severity.NOTE),
    ]
    assert dict(
        rule_turns([*before, finding("e", Severity.NOTE)], [*after, finding("e", Severity.NOTE)])
    ) == {
        "a": RuleTurn.SILENT,
        "b": RuleTurn.STRICTER,
        "c": RuleTurn.MILDER,
        "d": RuleTurn.SPEAKS,
    }


def test_a_silenced_danger_is_said_first_and_named() -> None:
    """Before all counts, with id, value and the reason of the time."""
    told = text_of(report_of(again(ACCEPTED, DOUBTFUL), again(LOW, REJECTED)))
    first, second, *_ = told.splitlines()
    assert first.startswith("DANGER: in 1 cycle")
    assert LOW.id in second
    assert "torn_read" in second


def test_the_last_line_does_not_hide_a_silenced_danger_among_other_changes() -> None:
    """Who sees the end alone is told too; each cycle is counted once."""
    told = text_of(report_of(again(ACCEPTED, DOUBTFUL), again(LOW, REJECTED)))
    counts, last = told.rstrip().splitlines()[-2:]
    assert counts.endswith("1 worse, 0 better, 0 other")
    assert last.startswith("DANGER: in 1 of them")


def test_what_was_not_judged_is_said_with_its_reason() -> None:
    """And then nothing is called unchanged."""
    report = report_of(again(ACCEPTED, ACCEPTED), again(DOUBTFUL, None, "its row is damaged"))
    assert not report.is_unchanged
    assert (report.cycles, report.judged) == (2, 1)
    assert "not judged again: 1 (kestrel-1/0/1): its row is damaged" in text_of(report)


def test_the_list_of_cycles_ends_where_it_is_told_to() -> None:
    """And says how many there are."""
    report = report_of(*(again(ACCEPTED, DOUBTFUL) for _ in range(60)))
    assert "Changed cycles, 50 of 60; --all shows the others" in text_of(report)
    everything = text_of(report, None)
    assert "Changed cycles, 60 of 60" in everything
    assert "--all" not in everything


def turns(*given: tuple[float, Turn]) -> AnalyzerReport:
    """An analyzer with turns at hours."""
    own = AnalyzerReport("kestrel-1")
    own.turns = [(AT + timedelta(hours=h), turn) for h, turn in given]
    return own


def test_the_timeline_shows_each_change_at_its_time() -> None:
    """Hours 0 to 9 in ten columns: each cycle in its own, the gravest of a column, gaps empty."""
    own = turns(
        (0, Turn.KEPT),
        (1, Turn.WORSE),
        (2, Turn.BETTER),
        (3, Turn.SILENCED),
        (3.1, Turn.BETTER),
        (5, Turn.WORSE),
        (5.1, Turn.BETTER),
        (7, Turn.UNKNOWN),
        (9.99, Turn.OTHER),
    )
    _, row, axis, legend = str(timeline([own], 20)).splitlines()
    assert row == "kestrel-1 ·▼▲! ◆ ? ◆"
    assert axis.strip().startswith("2026-05-01 00:00")
    assert "▼ now worse" in legend
    assert "! danger silenced" in legend


@pytest.mark.parametrize("columns", (60, 80))
def test_a_report_fits_its_terminal(columns: int) -> None:
    """No line is longer than the terminal is wide."""
    report = report_of(again(ACCEPTED, DOUBTFUL), again(LOW, REJECTED), again(REJECTED, ACCEPTED))
    assert max(map(len, text_of(report, columns=columns).splitlines())) <= columns


def test_the_files_hold_every_change(tmp_path: Path) -> None:
    """CSV as RFC 4180 has it; times in UTC as ISO 8601 has them."""
    report = report_of(again(ACCEPTED, DOUBTFUL), again(ACCEPTED, ACCEPTED), again(LOW, REJECTED))
    assert write_csv(report, tmp_path / "c.csv") == 2
    with (tmp_path / "c.csv").open(newline="") as file:
        found = list(csv.DictReader(file))
    assert tuple(found[0]) == CSV_COLUMNS
    assert [row["turn"] for row in found] == ["worse", "silenced"]
    assert found[0]["rules"] == "ignition_weak newly speaks"
    said = as_json(report)
    assert said["silenced"] == [LOW.id]
    finished = datetime.fromisoformat(said["changes"][0]["finished_at"])
    assert finished == ACCEPTED.cycle.finished_at

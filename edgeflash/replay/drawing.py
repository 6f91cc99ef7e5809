"""The report of a replay for people: dangers first, then counts, trend, rules and cycles."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from edgeflash.model import Verdict
from edgeflash.replay.report import AnalyzerReport, Change, Report, RuleTurn, Side, Turn

COLUMNS_MOST = 80
NAMED_MOST = 10

_MARK = {
    Turn.SILENCED: ("!", "bold white on red"),
    Turn.UNKNOWN: ("?", "magenta"),
    Turn.OTHER: ("◆", "yellow"),
    Turn.WORSE: ("▼", "red"),
    Turn.BETTER: ("▲", "green"),
    Turn.KEPT: ("·", "dim"),
}
_LEGEND = {
    Turn.KEPT: "kept",
    Turn.WORSE: "now worse",
    Turn.BETTER: "now better",
    Turn.OTHER: "both, or another value",
    Turn.SILENCED: "danger silenced",
    Turn.UNKNOWN: "not judged again",
}
_VERDICT_STYLE = {
    Verdict.ACCEPTED: "green",
    Verdict.DOUBTFUL: "yellow",
    Verdict.REJECTED: "red",
}
_RULE_STYLE = {
    RuleTurn.SPEAKS: "red",
    RuleTurn.STRICTER: "red",
    RuleTurn.SILENT: "green",
    RuleTurn.MILDER: "green",
}


def drawn(report: Report, *, changes_most: int | None, columns: int) -> Iterator[RenderableType]:
    """The report, part by part. changes_most: cycles in the last table; None: all of them."""
    yield from _dangers(report)
    yield _counts(list(report.analyzers.values()))
    if any(own.turns for own in report.analyzers.values()):
        yield Text()
        yield timeline(list(report.analyzers.values()), min(columns, COLUMNS_MOST))
    if report.rules:
        yield Text()
        yield _rules(report)
    if report.changes:
        yield Text()
        yield _changes(report.changes, changes_most)
    yield Text()
    yield from _left_out(report)
    yield _conclusion(report)


def _dangers(report: Report) -> Iterator[RenderableType]:
    """A possible low flash point that would no longer be told, before everything else."""
    silenced = report.silenced
    if not silenced:
        return
    many = "cycles" if len(silenced) > 1 else "cycle"
    yield Text(
        f"DANGER: in {len(silenced)} {many} a possible low flash point would no longer be told:",
        "bold white on red",
    )
    for change in silenced[:NAMED_MOST]:
        seen = "no value" if change.seen_c is None else f"{change.seen_c:.1f} °C"
        reason = f", {change.before.reason}" if change.before.reason else ""
        yield Text(
            f"  {change.id}  {_when(change.finished_at)}  "
            f"{seen}, {change.before.verdict.value}{reason}",
            "bold red",
        )
    if len(silenced) > NAMED_MOST:
        yield Text(f"  and {len(silenced) - NAMED_MOST} more; --csv has them all", "bold red")
    yield Text()


def _counts(analyzers: Sequence[AnalyzerReport]) -> Table:
    table = Table(
        box=None, padding=(0, 1, 0, 0), title="Cycles, before → after", title_justify="left"
    )
    table.add_column("analyzer", no_wrap=True)
    for name in ("cycles", *(v.value for v in Verdict), "low flash"):
        table.add_column(name, justify="right", no_wrap=True)
    for own in analyzers:
        table.add_row(
            own.analyzer,
            str(len(own.turns)),
            *(_step(own.before[v], own.after[v]) for v in Verdict),
            _step(own.low_flash_before, own.low_flash_after),
        )
    return table


def _step(before: int, after: int) -> Text:
    return Text(f"{before} → {after}", "" if before == after else "bold")


def timeline(analyzers: Sequence[AnalyzerReport], columns: int) -> Text:
    """One row for each analyzer over the time of all cycles, and the axis and legend below."""
    times = [at for own in analyzers for at, _ in own.turns]
    first, last = min(times), max(times)
    label = max(len(own.analyzer) for own in analyzers) + 1
    width = max(10, columns - label)
    span_s = max((last - first).total_seconds(), 1.0)
    drawing = Text(f"Changes in time; one column is {_duration(span_s / width)}\n")
    for own in analyzers:
        cells: list[set[Turn]] = [set() for _ in range(width)]
        for at, turn in own.turns:
            place = int((at - first).total_seconds() / span_s * width)
            cells[min(place, width - 1)].add(turn)
        drawing.append(own.analyzer.ljust(label))
        for turns in cells:
            drawing.append(*_cell(turns))
        drawing.append("\n")
    drawing.append(" " * label + _axis(first, last, width), "dim")
    seen = {turn for own in analyzers for _, turn in own.turns}
    for n, (turn, words) in enumerate((t, w) for t, w in _LEGEND.items() if t in seen):
        drawing.append("\n" if n == 0 else "   ")
        drawing.append(*_MARK[turn])
        drawing.append(f" {words}")
    return drawing


def _cell(turns: set[Turn]) -> tuple[str, str]:
    """What a column shows of its cycles: the gravest, and where some fare better and some worse,
    both."""
    if not turns:
        return " ", ""
    if Turn.SILENCED not in turns and {Turn.WORSE, Turn.BETTER} <= turns:
        return _MARK[Turn.OTHER]
    return next(mark for turn, mark in _MARK.items() if turn in turns)


def _axis(first: datetime, last: datetime, width: int) -> str:
    """The times at both ends, and in the middle where there is room."""
    ends = [_when(first), _when(last)]
    middle = _when(first + (last - first) / 2)
    room = width - len(ends[0]) - len(ends[1])
    if room >= len(middle) + 2:
        left = (width - len(middle)) // 2 - len(ends[0])
        gap = width - len(ends[0]) - left - len(middle) - len(ends[1])
        return f"{ends[0]}{' ' * left}{middle}{' ' * gap}{ends[1]}"
    return f"{ends[0]}{' ' * max(1, room)}{ends[1]}"


def _duration(seconds: float) -> str:
    """A span of time in the unit that fits it."""
    for size, name in ((86_400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= size:
            return f"{seconds / size:.3g} {name}"
    return f"{seconds:.3g} s"


def _rules(report: Report) -> Table:
    table = Table(
        box=None, padding=(0, 1, 0, 0), title="Rules with another word", title_justify="left"
    )
    for name in ("rule", "now"):
        table.add_column(name, no_wrap=True)
    table.add_column("cycles", justify="right")
    for name in ("first", "last"):
        table.add_column(name, overflow="fold")
    for found in report.rules:
        now = Text(found.turn.value, _RULE_STYLE[found.turn])
        table.add_row(found.rule, now, str(found.count), found.first, found.last)
    return table


def _changes(changes: Sequence[Change], most: int | None) -> Table:
    shown = changes if most is None else changes[:most]
    title = f"Changed cycles, {len(shown)} of {len(changes)}"
    if len(shown) < len(changes):
        title += "; --all shows the others"
    table = Table(box=None, padding=(0, 1, 0, 0), title=title, title_justify="left")
    for name in ("cycle", "finished (UTC)", "before", "after"):
        table.add_column(name, overflow="fold")
    for change in shown:
        table.add_row(
            Text(change.id, _MARK[change.turn][1] if change.turn is Turn.SILENCED else ""),
            _when(change.finished_at),
            _said(change.before),
            _said(change.after),
        )
    return table


def _said(side: Side) -> Text:
    said = Text(side.verdict.value, _VERDICT_STYLE[side.verdict])
    if side.published_c is not None:
        said.append(f" {side.published_c:.2f} °C", "")
    if side.reason:
        said.append(f" {side.reason}", "dim")
    if side.low_flash:
        said.append(" LOW FLASH", "bold red")
    return said


def _left_out(report: Report) -> Iterator[RenderableType]:
    for left in report.not_judged:
        which = left.first if left.count == 1 else f"{left.first} to {left.last}"
        yield Text(f"not judged again: {left.count} ({which}): {left.why}", "magenta")


def _conclusion(report: Report) -> Text:
    if not report.changes:
        return Text(f"nothing changes in {report.judged} cycles judged again", "green")
    worse = sum(c.turn is Turn.WORSE for c in report.changes)
    better = sum(c.turn is Turn.BETTER for c in report.changes)
    silenced = len(report.silenced)
    other = len(report.changes) - worse - better - silenced
    said = Text(
        f"{len(report.changes)} of {report.judged} cycles judged again fare otherwise: "
        f"{worse} worse, {better} better, {other} other"
    )
    if silenced:  # the last line is what is read when the first has scrolled away
        told = f"DANGER: in {silenced} of them a possible low flash point would no longer be told"
        said.append(f"\n{told}", "bold white on red")
    return said


def _when(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M:%S}"

"""The demonstration's screen: what arrives, how it is judged and why, and what the DCS sees."""

from __future__ import annotations

import textwrap
from collections import Counter, deque
from collections.abc import Sequence

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from edgeflash.model import Phase, Result, Role, Severity, Verdict
from edgeflash.publication import View
from edgeflash.trust import Trust

BARS = "▁▂▃▄▅▆▇█"
TREND_CYCLES = 24
REFRESH_PER_S = 4
COLUMNS = 80
_INDENT = " " * 10

_VERDICT_STYLE = {
    Verdict.ACCEPTED: "green",
    Verdict.DOUBTFUL: "yellow",
    Verdict.REJECTED: "bold red",
}
_TRUST_STYLE = {Trust.GOOD: "green", Trust.UNCERTAIN: "yellow", Trust.BAD: "bold red"}


def trend(values: Sequence[float | None]) -> str:
    """The values as bars between their own lowest and highest; a rejected cycle is a gap."""
    known = [v for v in values if v is not None]
    if not known:
        return ""
    low, width = min(known), max(max(known) - min(known), 0.5)
    steps = len(BARS) - 1
    return "".join(" " if v is None else BARS[round((v - low) / width * steps)] for v in values)


def cycle_line(result: Result) -> Text:
    """One judged cycle: a line of time, analyzer, number, verdict, value or none, and both figures;
    below it the reasons, folded. Fits COLUMNS with ids of a dozen characters.
    """
    computed, cycle = result.computed, result.cycle
    style = _VERDICT_STYLE[result.verdict]
    line = Text()
    line.append(f"{result.judged_at:%H:%M:%S}Z ", "dim")
    line.append(f"{cycle.analyzer:<10} {cycle.cycle_number:>5} ")
    line.append(f"{result.verdict.value:<8} ", style)
    value = "no value" if result.published_c is None else f"{result.published_c:.2f} °C"
    line.append(f"{value:>9}  ", style)
    figures = []
    if computed.reported_c is not None:
        figures.append(f"its {computed.reported_c:.2f}")
    if computed.recomputed_c is not None:
        spread = f" ± {computed.uncertainty_c:.2f}" if computed.uncertainty_c is not None else ""
        figures.append(f"ours {computed.recomputed_c:.2f}{spread}")
    line.append(", ".join(figures) or "no flash point", "dim")
    for finding in result.findings:
        if finding.severity is not Severity.NOTE:
            told = f"{finding.code} {finding.rule}: {finding.sentence}"
            for part in textwrap.wrap(told, COLUMNS - len(_INDENT), subsequent_indent="  "):
                line.append(f"\n{_INDENT}{part}", style)
    if result.low_flash:
        line.append(f"\n{_INDENT}ALARM possible low flash point", "bold white on red")
    return line


def state_table(views: Sequence[View], trends: dict[str, deque[float | None]]) -> Table:
    """What the DCS sees of every analyzer now."""
    table = Table(title="What the control system sees now", expand=True)
    for heading in ("analyzer", "phase", "cup", "flash point", "quality", "age", "trend", "why"):
        table.add_column(heading, overflow="fold")
    for v in views:
        live, s = v.standing.live, v.standing
        phase = live.get(Role.PHASE)
        cup = live.get(Role.SAMPLE_TEMPERATURE)
        table.add_row(
            s.analyzer,
            phase.value if isinstance(phase, Phase) else "—",
            f"{cup:.1f} °C" if isinstance(cup, float) else "—",
            "—" if v.value_c is None else f"{v.value_c:.2f} °C",
            Text(v.quality.value.opcua_name, _TRUST_STYLE[v.quality.trust]),
            "—" if v.age_s is None else f"{v.age_s:.0f} s",
            trend(trends.get(s.analyzer, deque())),
            Text("ALARM possible low flash point. ", "bold white on red").append(
                v.reason_text, "default on default"
            )
            if s.low_flash_alarm
            else v.reason_text,
        )
    return table


class Screen:
    """Prints a line per cycle; on a terminal the present state stays below them."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live = Live(console=console, refresh_per_second=REFRESH_PER_S, transient=True)
        self._trends: dict[str, deque[float | None]] = {}
        self.results: list[Result] = []

    def start(self) -> None:
        """Takes the lower part of the terminal, if this is one."""
        if self._console.is_terminal:
            self._live.start()

    def stop(self) -> None:
        """Gives the terminal back."""
        self._live.stop()

    def show_result(self, result: Result) -> None:
        """One more judged cycle."""
        self.results.append(result)
        values = self._trends.setdefault(result.cycle.analyzer, deque(maxlen=TREND_CYCLES))
        values.append(result.published_c)
        self._console.print(cycle_line(result), soft_wrap=True)

    def show_state(self, views: Sequence[View], remaining: str) -> None:
        """The present state and how long the demonstration still runs."""
        body: RenderableType = Group(state_table(views, self._trends), Text(remaining, "dim"))
        self._live.update(body)


def summary_table(results: Sequence[Result]) -> Table:
    """Cycles by analyzer and verdict, with the reasons that occurred."""
    table = Table(title="Judged cycles")
    for heading in ("analyzer", *(v.value for v in Verdict), "reasons"):
        table.add_column(heading, overflow="fold")
    for analyzer in sorted({r.cycle.analyzer for r in results}):
        own = [r for r in results if r.cycle.analyzer == analyzer]
        verdicts = Counter(r.verdict for r in own)
        reasons = Counter(reason for r in own for reason in r.reasons)
        table.add_row(
            analyzer,
            *(str(verdicts[v]) for v in Verdict),
            ", ".join(f"{name} ×{count}" for name, count in reasons.most_common()) or "none",
        )
    return table

"""One explained verdict, for people in a terminal and for machines."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from edgeflash.model import Severity, Verdict
from edgeflash.replay.chart import trace_chart
from edgeflash.replay.explain import Explained
from edgeflash.replay.rule_words import RuleWord, Word
from edgeflash.trust import Trust
from edgeflash.units import with_unit

COLUMNS_MOST = 80

_VERDICT_STYLE = {
    Verdict.ACCEPTED: "bold green",
    Verdict.DOUBTFUL: "bold yellow",
    Verdict.REJECTED: "bold red",
}
_SEVERITY_STYLE = {Severity.NOTE: "cyan", Severity.DOUBT: "yellow", Severity.REJECT: "red"}
_TRUST_STYLE = {Trust.GOOD: "green", Trust.UNCERTAIN: "yellow", Trust.BAD: "bold red"}


def told(explained: Explained, columns: int) -> Iterator[RenderableType]:
    """The explanation, part by part, for a terminal of so many columns."""
    columns = min(columns, COLUMNS_MOST)
    yield _header(explained)
    result = explained.result
    if explained.not_kept:
        yield Text(f"what was read cannot be shown: {explained.not_kept}", "magenta")
    if result.cycle.trace is not None:
        yield Text()
        yield trace_chart(result.cycle.trace, result.computed.ignition_time_s, columns)
    elif not explained.not_kept:
        yield Text("the cycle has no trace", "dim")
    yield Text()
    yield _figures(explained)
    yield Text()
    yield _rules(explained)
    yield from _silent_ones(explained)
    yield Text()
    yield _shown(explained)


def _header(explained: Explained) -> Text:
    result = explained.result
    head = Text()
    head.append(result.id, "bold")
    head.append(f"  {result.verdict.value}", _VERDICT_STYLE[result.verdict])
    value = "no value" if result.published_c is None else f"{result.published_c:.2f} °C"
    head.append(f"  {value}", _VERDICT_STYLE[result.verdict])
    head.append(f"  {explained.shown.quality.value.opcua_name}\n")
    if result.low_flash:
        head.append("ALARM: possible low flash point by this cycle's evidence", "bold white on red")
        head.append("\n")
    product = result.product or "no product"
    if result.assessment.minimum_c is not None:
        product += f", limit {result.assessment.minimum_c:g} °C"
    head.append(f"finished  {_when(result.cycle.finished_at)} UTC    product  {product}\n")
    head.append(f"at tap    {_when(result.sampled_at)} UTC    ")
    head.append(f"judged  {_when(result.judged_at)} UTC\n")
    head.append(f"rules     version {result.rules_version}")
    for finding in result.findings:
        if finding.severity is not Severity.NOTE:
            head.append(f"\n{finding.code} {finding.rule}: ", _SEVERITY_STYLE[finding.severity])
            head.append(finding.sentence)
    return head


def _figures(explained: Explained) -> Table:
    """What was found in the trace, and what was made of it."""
    c = explained.result.computed
    table = Table(box=None, padding=(0, 2, 0, 0), show_header=False)
    for _ in range(2):
        table.add_column(no_wrap=True, style="dim")
        table.add_column(no_wrap=True, justify="right")
    rows = (
        (_row("ignition at", c.ignition_time_s, "s"), _row("reported", c.reported_c, "°C")),
        (_row("sensor showed", c.ignition_seen_c, "°C"), _row("recomputed", c.recomputed_c, "°C")),
        (_row("ignitions", c.ignition_count, ""), _row("uncertainty, 1 sd", c.uncertainty_c, "°C")),
        (_row("peak", c.peak_kpa, "kPa"), _row("barometer", c.barometer_kpa, "kPa")),
        (_row("baseline", c.baseline_kpa, "kPa"), _row("correction", c.correction_c, "°C")),
        (
            _row("threshold", explained.threshold_kpa, "kPa"),
            _row(f"corrected, {c.basis or 'no basis'}", c.corrected_c, "°C"),
        ),
        (_row("noise, 1 sd", c.noise_kpa, "kPa"), _row("start", c.start_temperature_c, "°C")),
        (_row("rise, 10 to 90 %", c.rise_s, "s"), _row("ramp", c.heating_rate_c_per_min, "°C/min")),
        (_row("decay to 10 %", c.decay_s, "s"), _row("resolution", c.resolution_c, "°C")),
    )
    for left, right in rows:
        table.add_row(*left, *right)
    return table


def _row(name: str, value: float | None, unit: str) -> tuple[str, str]:
    if value is None:
        return name, "—"
    return name, f"{value:d}" if isinstance(value, int) else f"{value:.3f} {unit}"


def _rules(explained: Explained) -> Table:
    """The rules that spoke, and of the silent ones those that tell what they have measured."""
    table = Table(box=None, padding=(0, 1, 0, 0), title="Rules", title_justify="left")
    table.add_column("code")
    table.add_column("rule", no_wrap=True)
    table.add_column("word", no_wrap=True)
    table.add_column("measured", justify="right")
    table.add_column("limit", justify="right")
    for word in explained.words:
        if word.word is Word.SPOKE:
            severity = word.severity or Severity.NOTE
            said = Text(severity.value, _SEVERITY_STYLE[severity])
        elif word.word is Word.SILENT and word.measured is not None:
            said = Text("silent", "dim")
        else:
            continue
        measured, limit = _number(word.measured, word.unit), _limit(word)
        table.add_row(str(word.code), word.rule, said, measured, limit)
    return table


def _limit(word: RuleWord) -> str:
    """The limit, with the side on which a value is in order."""
    side = ""
    if word.measured is not None and word.limit is not None and word.measured != word.limit:
        is_lower = (word.measured > word.limit) == (word.word is Word.SILENT)
        side = "≥ " if is_lower else "≤ "
    return side + _number(word.limit, word.unit)


def _number(value: float | None, unit: str) -> str:
    return "—" if value is None else with_unit(f"{value:.4g}", unit)


def _silent_ones(explained: Explained) -> Iterator[Text]:
    """The rules without a figure: silent, blind, off, or not asked of a cycle."""

    def those(wanted: Word) -> list[RuleWord]:
        return [w for w in explained.words if w.word is wanted]

    silent = [w.rule for w in those(Word.SILENT) if w.measured is None]
    if silent:
        yield Text(f"silent: {', '.join(silent)}", "dim")
    for word in those(Word.BLIND):
        yield Text(f"blind: {word.rule} needs {word.sentence}", "yellow")
    for word in those(Word.OFF):
        yield Text(f"off: {word.rule} because {word.sentence or 'no reason is given'}", "yellow")
    live = [w.rule for w in those(Word.LIVE)]
    if live:
        yield Text(f"not asked of a cycle: {', '.join(live)}", "dim")


def _shown(explained: Explained) -> Text:
    view = explained.shown
    quality = view.quality
    text = Text("What the control system was shown then\n", "italic")
    value = "no value" if view.value_c is None else f"{view.value_c:.2f} °C"
    text.append(f"{value}  ", "bold")
    text.append(quality.value.opcua_name, _TRUST_STYLE[quality.trust])
    text.append(f" (Modbus {quality.value.modbus}): {quality.value.meaning}\n")
    text.append(f"reason code {view.reason_code}")
    text.append(f": {view.reason_text}\n" if view.reason_text else "\n")
    if view.shown is not None and view.value_c is not None:
        age = "" if view.age_s is None else f", {view.age_s:.0f} s after its sample passed the tap"
        text.append(f"value of cycle {view.shown.id}{age}\n")
    alarm = explained.result.low_flash_alarm
    text.append("possible low flash point: ")
    text.append("ACTIVE\n" if alarm else "not active\n", "bold red" if alarm else "green")
    text.append(
        "Computed from the recorded results and the present site file, for the moment of judging; "
        "what the link did then is not recorded.",
        "dim",
    )
    return text


def as_json(explained: Explained) -> dict[str, Any]:
    """The explanation in JSON's own types; times are ISO 8601 in UTC. The trace is left out."""
    result, view = explained.result, explained.shown
    computed = result.computed
    return {
        "id": result.id,
        "finished_at": _stamp(result.cycle.finished_at),
        "sampled_at": _stamp(result.sampled_at),
        "judged_at": _stamp(result.judged_at),
        "product": result.product,
        "rules_version": result.rules_version,
        "verdict": result.verdict.value,
        "published_c": result.published_c,
        "low_flash": result.low_flash,
        "low_flash_alarm": result.low_flash_alarm,
        "not_kept": explained.not_kept,
        "samples": 0 if result.cycle.trace is None else len(result.cycle.trace),
        "threshold_kpa": explained.threshold_kpa,
        "computed": {n: getattr(computed, n) for n in type(computed).__dataclass_fields__},
        "rules": [
            {
                "code": word.code,
                "rule": word.rule,
                "word": word.word.value,
                "severity": None if word.severity is None else word.severity.value,
                "sentence": word.sentence,
                "measured": word.measured,
                "limit": word.limit,
                "unit": word.unit,
            }
            for word in explained.words
        ],
        "shown": {
            "value_c": view.value_c,
            "quality": view.quality.value.opcua_name,
            "modbus_quality": view.quality.value.modbus,
            "reason_code": view.reason_code,
            "reason": view.reason_text,
            "value_of": None if view.shown is None or view.value_c is None else view.shown.id,
            "age_s": view.age_s,
        },
    }


def _when(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M:%S}"


def _stamp(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%S.%fZ}"

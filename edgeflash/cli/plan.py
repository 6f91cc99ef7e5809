"""`edgeflash plan`: the cycle before it runs, and what real cycles did against it."""

from __future__ import annotations

import json as json_module
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from edgeflash.cli.moments import moment
from edgeflash.config.load import load_site
from edgeflash.config.site import Analyzer, Site
from edgeflash.errors import UsageError
from edgeflash.flash.method import Method
from edgeflash.flash.methods import METHODS
from edgeflash.flash.plan import CyclePlan, Fixed, PlanError, Requirement, proposed, requirements
from edgeflash.flash.plan_kept import COLUMNS, Kept, kept
from edgeflash.units import with_unit

NOT_MET = 1
DEFAULT_BELOW_C = 20.0
DEFAULT_RATE_C_PER_MIN = 10.0
DEFAULT_INTERVAL_S = 2.0
"""Of a process analyzer (common practice, no source)."""


def plan(
    site: Annotated[
        Path | None, typer.Argument(help="A site file: the analyzer's own settings and history.")
    ] = None,
    analyzer: Annotated[str | None, typer.Argument(help="Which of its analyzers.")] = None,
    expected: Annotated[
        float | None, typer.Option(metavar="C", help="Expected flash point, °C.")
    ] = None,
    start: Annotated[float | None, typer.Option(metavar="C", help="Start of the ramp, °C.")] = None,
    rate: Annotated[
        float | None, typer.Option(metavar="C/MIN", help="Heating rate, °C/min.")
    ] = None,
    interval: Annotated[
        float | None, typer.Option(metavar="S", help="Time between sparks, s.")
    ] = None,
    lag: Annotated[
        float | None, typer.Option(metavar="S", help="Lag of the temperature sensor, s.")
    ] = None,
    heater_lag: Annotated[
        float, typer.Option(metavar="S", help="Lag of the heater behind its setting, s.")
    ] = 0.0,
    clean: Annotated[float, typer.Option(metavar="S", help="Cleaning the electrodes, s.")] = 8.0,
    zero: Annotated[float, typer.Option(metavar="S", help="Zeroing the transducer, s.")] = 4.0,
    fill: Annotated[float, typer.Option(metavar="S", help="Filling the cell, s.")] = 4.0,
    settle: Annotated[float, typer.Option(metavar="S", help="From flash to purge, s.")] = 3.0,
    purge: Annotated[float, typer.Option(metavar="S", help="Purging and cooling, s.")] = 28.0,
    method: Annotated[
        str | None, typer.Option(help="Meet this test method's rules: see `edgeflash products`.")
    ] = None,
    within: Annotated[
        float | None, typer.Option(metavar="S", help="The cycle must take no longer than this.")
    ] = None,
    propose: Annotated[
        bool, typer.Option("--propose", help="Propose start, rate and interval for --within.")
    ] = False,
    since: Annotated[
        str | None, typer.Option(help="Only cycles finished since: 2026-05-01 or with T06:00Z.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Plan a measuring cycle: its time, its sparks, its resolution, and how sure it can be.

    With SITE and ANALYZER the settings of the site file hold where none is given here, and its
    recorded cycles are held against the plan. Ends with 0 when every demand is met, else with 1.

    Examples: edgeflash plan --expected 62 --start 42 --rate 10 --interval 2 --lag 3;
    edgeflash plan --expected 62 --within 180 --propose; edgeflash plan site.toml kestrel-1
    """
    if (site is None) != (analyzer is None):
        raise UsageError("give the site file and the analyzer, or neither")
    loaded, found = _analyzer(site, analyzer)
    rules = _method(method or (found.method if found else None))
    columns = _recorded(loaded, analyzer, since) if loaded and analyzer else {}
    own_expected = found.expected_c if found else None
    known = [v for v in (expected, own_expected, _usual(columns)) if v is not None]
    if not known:
        raise UsageError("give --expected: the flash point that is expected, in °C")
    expected_c = known[0]
    own_below = found.start_below_expected_c if found else None
    own_rate = found.heating_rate_c_per_min if found else None
    own_interval = found.spark_interval_s if found else None
    wanted = CyclePlan(
        expected_c=expected_c,
        start_c=expected_c - (own_below or DEFAULT_BELOW_C) if start is None else start,
        rate_c_per_min=_first(rate, own_rate, DEFAULT_RATE_C_PER_MIN),
        spark_interval_s=_first(interval, own_interval, DEFAULT_INTERVAL_S),
        sensor_lag_s=_first(lag, found.sensor_lag_s if found else None, 0.0),
        heater_lag_s=heater_lag,
        fixed=Fixed(clean, zero, fill, settle, purge),
    )
    if propose:
        if within is None:
            raise UsageError("give --within: the cycle time to propose a plan for, in s")
        try:
            wanted = proposed(wanted, within, rules)
        except PlanError as error:
            _say_impossible(str(error), json=json)
            raise typer.Exit(NOT_MET) from error
    demands = tuple(requirements(wanted, rules, within))
    real = kept(wanted, columns)
    if json:
        document = _document(wanted, demands, real)
        typer.echo(json_module.dumps(document, ensure_ascii=False, indent=2))
    else:
        _print(wanted, demands, real, analyzer)
    raise typer.Exit(0 if all(d.is_met for d in demands) else NOT_MET)


def _analyzer(site: Path | None, name: str | None) -> tuple[Site | None, Analyzer | None]:
    if site is None:
        return None, None
    loaded = load_site(site)
    for analyzer in loaded.file.analyzers:
        if analyzer.id == name:
            return loaded, analyzer
    there = ", ".join(a.id for a in loaded.file.analyzers)
    raise UsageError(f"{site} has no analyzer '{name}'; there are: {there}")


def _method(name: str | None) -> Method | None:
    if name is None:
        return None
    if name not in METHODS:
        raise UsageError(f"there is no method '{name}'; there are: {', '.join(METHODS)}")
    return METHODS[name]


def _recorded(site: Site, analyzer: str, since: str | None) -> dict[str, list[float | None]]:
    """The columns that tell of the plan, of the cycles that were not rejected."""
    from edgeflash.history import read_results
    from edgeflash.journal import JOURNAL_NAME, Journal

    path = site.state_dir / JOURNAL_NAME
    if not path.exists() and not site.history_dir.exists():
        return {}
    journal = Journal.open_readonly(path) if path.exists() else None
    try:
        rows = read_results(site.history_dir, journal, analyzer, moment(since))
    finally:
        if journal is not None:
            journal.close()
    usable = [verdict != "rejected" for verdict in rows["verdict"].to_pylist()]
    return {
        name: [v for v, use in zip(rows[name].to_pylist(), usable, strict=True) if use]
        for name in (*COLUMNS, "recomputed_c", "reported_c")
    }


def _usual(columns: dict[str, list[float | None]]) -> float | None:
    """What the recorded cycles flashed at, for an analyzer whose site file expects nothing."""
    for name in ("recomputed_c", "reported_c"):
        values = sorted(v for v in columns.get(name, ()) if v is not None)
        if values:
            return values[len(values) // 2]
    return None


def _first(given: float | None, own: float | None, otherwise: float) -> float:
    return next((value for value in (given, own) if value is not None), otherwise)


def _say_impossible(why: str, *, json: bool) -> None:
    if json:
        typer.echo(json_module.dumps({"possible": False, "why": why}, ensure_ascii=False))
    else:
        typer.echo(why)


def _document(
    wanted: CyclePlan, demands: Sequence[Requirement], real: Sequence[Kept]
) -> dict[str, Any]:
    return {
        "possible": True,
        "expected_c": wanted.expected_c,
        "start_c": wanted.start_c,
        "rate_c_per_min": wanted.rate_c_per_min,
        "spark_interval_s": wanted.spark_interval_s,
        "heating_s": wanted.heating_s,
        "cycle_s": wanted.cycle_s,
        "sparks": wanted.sparks,
        "resolution_c": wanted.resolution_c,
        "contributions": [asdict(c) for c in wanted.contributions()],
        "standard_uncertainty_c": wanted.standard_uncertainty_c,
        "expanded_uncertainty_c": wanted.expanded_uncertainty_c,
        "demands": [{**asdict(d), "is_met": d.is_met} for d in demands],
        "recorded": [asdict(k) for k in real],
    }


def _print(
    wanted: CyclePlan,
    demands: Sequence[Requirement],
    real: Sequence[Kept],
    analyzer: str | None,
) -> None:
    console = Console(highlight=False)
    f, fixed = wanted, wanted.fixed
    console.print(f"Heats from {f.start_c:.1f} °C at {f.rate_c_per_min:.2f} °C/min,", end=" ")
    console.print(f"a spark every {f.spark_interval_s:.2f} s, expected {f.expected_c:.1f} °C")
    console.print(
        f"  cycle        {f.cycle_s:.0f} s: clean {fixed.clean_s:g}, zero {fixed.zero_s:g}, "
        f"fill {fixed.fill_s:g}, heat {f.heating_s:.0f}, settle {fixed.settle_s:g}, "
        f"purge {fixed.purge_s:g}"
    )
    console.print(f"  sparks       {f.sparks} until the flash, {f.resolution_c:.3f} °C apart")
    console.print(f"  sensor       reads {f.lag_c:.3f} °C low on the ramp")
    console.print(
        f"  uncertainty  {f.standard_uncertainty_c:.3f} °C (one standard deviation), "
        f"{f.expanded_uncertainty_c:.3f} °C (two)"
    )
    parts = Table("part", "°C, one sd", "shifts by °C", box=None, padding=(0, 2, 0, 0))
    for c in f.contributions():
        parts.add_row(c.name, f"{c.sd_c:.3f}", f"{c.bias_c:+.3f}" if c.bias_c else "")
    console.print(parts)
    console.print()
    table = Table("demand", "value", "allowed", "", "source", box=None, padding=(0, 2, 0, 0))
    for d in demands:
        value = with_unit(f"{d.value:.4g}", d.unit)
        table.add_row(d.name, value, _allowed(d), "met" if d.is_met else "NOT MET", d.source)
    console.print(table)
    if real:
        console.print(f"\nWhat {analyzer} did (cycles that were not rejected):")
        done = Table("", "plan", "median", "nine of ten", "cycles", box=None, padding=(0, 2, 0, 0))
        for k in real:
            span = f"{k.low:.4g} to {k.high:.4g} {k.unit}"
            planned, median = (f"{v:.4g} {k.unit}" for v in (k.plan, k.median))
            done.add_row(k.name, planned, median, span, str(k.count))
        console.print(done)
    elif analyzer is not None:
        console.print(f"\n{analyzer} has no recorded cycle to hold against the plan")


def _allowed(d: Requirement) -> str:
    match (d.low, d.high):
        case (None, None):
            return "any"
        case (None, high):
            word = "below" if d.high_excluded else "at most"
            return f"{word} {with_unit(f'{high:g}', d.unit)}"
        case (low, None):
            word = "above" if d.low_excluded else "at least"
            return f"{word} {with_unit(f'{low:g}', d.unit)}"
    return f"{d.low:g} to {d.high:g} {d.unit}"

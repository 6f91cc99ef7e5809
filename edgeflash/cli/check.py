"""`edgeflash check`: is the configuration right, and what will the rules see with it?"""

from __future__ import annotations

import asyncio
import json as json_module
import sys
import textwrap
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.hosts import is_loopback
from edgeflash.config.link_checks import way_words
from edgeflash.config.roles import has_trace, has_trace_block
from edgeflash.config.schema import SchemaName, json_schema
from edgeflash.config.site import Analyzer, History, Keep, Site
from edgeflash.errors import ConfigurationError, Mistake, UsageError
from edgeflash.gateway.file_check import FileFinding, file_findings
from edgeflash.gateway.site import checked_site
from edgeflash.model import Role
from edgeflash.rules.catalogue import RULES, blind_rules
from edgeflash.rules.site_checks import site_notes
from edgeflash.rules.tuning import changes

if TYPE_CHECKING:
    from edgeflash.gateway.live_check import LiveLook

WRONG_CONFIGURATION = 2
IMPLAUSIBLE = 1
COLUMNS = 80


def check(
    site: Annotated[Path | None, typer.Argument(help="The site file (TOML).")] = None,
    live: Annotated[
        bool, typer.Option("--live", help="Read each analyzer once too, and doubt what cannot be.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
    schema: Annotated[
        SchemaName | None,
        typer.Option(help="Print the JSON Schema of that kind of file, for editors, and end."),
    ] = None,
) -> None:
    """Check SITE and its register maps; say what is wrong, or what each analyzer will have.

    Every mistake is printed at once as `file:line: key: what is wrong, what would be right`.
    Ends with 0 when all is right, with 2 when something is wrong.

    A file that the site file names (a certificate, a key, a password, the credentials of a store)
    and that is missing, unreadable or expired is told with its key and ends it with 1: the gateway
    would start, and that outlet would not work.

    With --live, an analyzer that cannot be read, or a value that cannot be, ends it with 1: a wrong
    order of bytes or a wrong unit gives a number, not an error. Nothing is written to an analyzer.

    Examples: edgeflash check site.toml; edgeflash check --schema map > map.schema.json
    """
    if schema is not None:
        typer.echo(json_module.dumps(json_schema(schema), ensure_ascii=False, indent=2))
        return
    if site is None:
        raise UsageError("give the site file to check, as in: edgeflash check site.toml")
    try:
        checked = checked_site(site)
    except ConfigurationError as error:
        _say_mistakes(error.mistakes, json=json)
        sys.exit(WRONG_CONFIGURATION)
    analyzers = [_analyzer_summary(checked, analyzer) for analyzer in checked.file.analyzers]
    looks = _looks(checked) if live else {}
    files = file_findings(checked, datetime.now(UTC))
    fine = all(look.is_fine for look in looks.values()) and not any(f.is_fault for f in files)
    if json:
        for summary in analyzers if live else ():
            summary["live"] = _look_entry(looks[summary["id"]])
        document = {
            **{"ok": fine, "mistakes": [], **_site_summary(checked)},
            "files": [_file_entry(checked, one) for one in files],
            "analyzers": analyzers,
        }
        typer.echo(json_module.dumps(document, ensure_ascii=False, indent=2))
        sys.exit(0 if fine else IMPLAUSIBLE)
    for line in (
        *_site_lines(checked),
        *(_file_line(checked, one) for one in files),
        *(t for a in analyzers for t in _analyzer_lines(a)),
    ):
        typer.echo(line)
    for look in looks.values():
        for line in _look_lines(look):
            typer.echo(line)
    if not fine:
        sys.exit(IMPLAUSIBLE)


def _file_entry(site: Site, one: FileFinding) -> dict[str, Any]:
    place = {"file": str(site.path), "line": one.line or None, "key": one.key}
    return {**place, "problem": one.problem, "is_fault": one.is_fault}


def _file_line(site: Site, one: FileFinding) -> str:
    text = str(Mistake(site.path, one.line, one.key, one.problem))
    return _folded("fault" if one.is_fault else "note", text)


def _looks(site: Site) -> dict[str, LiveLook]:
    """One look at each analyzer, by its id."""
    from edgeflash.gateway.live_check import live_looks

    async def look() -> dict[str, LiveLook]:
        return {one.analyzer: one async for one in live_looks(site)}

    return asyncio.run(look())


def _look_entry(look: LiveLook) -> dict[str, Any]:
    values = {role.value: _plain(value) for role, value in (look.values or {}).items()}
    doubts = [{"role": d.role.value, "why": d.why, "would_fit": d.would_fit} for d in look.doubts]
    return {"fault": look.fault or None, "values": values, "implausible": doubts}


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return value.isoformat()
    return list(value) if isinstance(value, tuple) else value


def _look_lines(look: LiveLook) -> Iterator[str]:
    yield ""
    if look.fault:
        yield from _filled(f"{look.analyzer} now: cannot be read: {look.fault}", "")
        return
    told = [v for v in (look.values or {}).values() if v is not None]
    yield f"{look.analyzer} now: {len(told)} of {len(look.values or {})} values read"
    for doubt in look.doubts:
        fits = f"; {doubt.would_fit}" if doubt.would_fit else ""
        yield from _filled(f"{doubt.role}: {doubt.why}{fits}", "  implausible ")


def _filled(text: str, before: str) -> Iterator[str]:
    indent = " " * (len(before) or 2)
    yield textwrap.fill(text, COLUMNS, initial_indent=before, subsequent_indent=indent)


def _say_mistakes(mistakes: tuple[Mistake, ...], *, json: bool) -> None:
    if json:
        rows = [
            {"file": str(m.file), "line": m.line or None, "key": m.key, "problem": m.problem}
            for m in mistakes
        ]
        document = {"ok": False, "mistakes": rows}
        typer.echo(json_module.dumps(document, ensure_ascii=False, indent=2))
        return
    for mistake in mistakes:
        typer.echo(str(mistake))
    many = "mistake" if len(mistakes) == 1 else "mistakes"
    typer.echo(f"{len(mistakes)} {many}", err=True)


def _site_summary(site: Site) -> dict[str, Any]:
    outlets = [f"OPC UA {s.host}:{s.port}" for s in (site.file.opcua,) if s is not None]
    outlets += [f"Modbus TCP {server.host}:{server.port}" for server in site.file.modbus]
    outlets += [f"MQTT {e.id} ({e.form}) to {e.broker}" for e in site.file.mqtt]
    return {
        "site": site.file.site.name,
        "file": str(site.path),
        "state_dir": str(site.state_dir),
        "history_dir": str(site.history_dir),
        "history_kept": _kept_words(site.file.history),
        "outlets": outlets,
        "cautions": list(_cautions(site)),
    }


def _kept_words(history: History) -> dict[str, str]:
    """How long each table of the history is kept, in words."""
    tables = ("results", "traces", "events", "lab")
    return {table: _kept(getattr(history, table)) for table in tables}


def _kept(keep: Keep) -> str:
    limits = []
    if keep.keep_days is not None:
        limits.append(f"{keep.keep_days:,g} days")
    if keep.keep_mb is not None:
        limits.append(f"at most {keep.keep_mb:,g} MB")
    return " and ".join(limits) or "for ever"


def _cautions(site: Site) -> Iterator[str]:
    """Outlets that ask nobody who they are; the site decides, but must see it."""
    server = site.file.opcua
    if server is not None and server.allow_open_endpoint:
        may = "read and write inputs" if server.accept_inputs else "read"
        yield f"OPC UA {server.host}:{server.port}: whoever reaches it can {may}"
    for modbus in site.file.modbus:
        where = f"Modbus TCP {modbus.host}:{modbus.port}"
        if not modbus.allow:
            yield f"{where}: whoever reaches it can read"
        if modbus.accept_inputs:
            named = bool(modbus.allow_inputs or modbus.allow)
            who = "whoever has an allowed address" if named else "whoever reaches it"
            yield f"{where}: {who} can write inputs"
    for entry in site.file.mqtt:
        if not entry.tls and not is_loopback(entry.host):
            yield (
                f"MQTT {entry.id} to {entry.broker}: without TLS whoever is on the way can read "
                "and change what is published"
            )


def _analyzer_summary(site: Site, analyzer: Analyzer) -> dict[str, Any]:
    register_map = site.maps[analyzer.id]
    roles = frozenset(register_map.roles)
    off = {name for name, tuning in analyzer.rules.items() if not tuning.enabled}
    blind = [
        {"rule": b.rule, "missing": list(b.unmapped), "unset": list(b.unset)}
        for b in blind_rules(roles, has_trace(roles), analyzer)
        if b.rule not in off
    ]
    return {
        "id": analyzer.id,
        "number": analyzer.number,
        "link": way_words(analyzer),
        "map": {"file": str(analyzer.map), "name": register_map.map.name},
        "roles": [role.value for role in register_map.roles],
        "roles_not_mapped": [role.value for role in Role if role not in roles],
        "trace": _trace_words(register_map),
        "rules": len(RULES),
        "rules_off": {name: analyzer.rules[name].because for name in sorted(off)},
        "rules_changed": [str(change) for change in changes(analyzer)],
        "notes": list(site_notes(analyzer, register_map)),
        "blind": blind,
    }


def _trace_words(register_map: AnalyzerMap) -> str:
    roles = frozenset(register_map.roles)
    if has_trace_block(roles):
        return "block"
    return "polled" if has_trace(roles) else "none"


_TRACE = {
    "block": "read from the analyzer's block",
    "polled": "polled from the live values, so coarser",
    "none": "none",
}


def _site_lines(site: Site) -> Iterator[str]:
    summary, count = _site_summary(site), len(site.file.analyzers)
    many = "analyzer" if count == 1 else "analyzers"
    yield f"{site.path}: no mistakes; {site.file.site.name}, {count} {many}"
    yield _folded("published", "; ".join(summary["outlets"]))
    yield _folded("kept in", f"{summary['state_dir']}, history in {summary['history_dir']}")
    yield _folded("history", "; ".join(f"{t} kept {k}" for t, k in summary["history_kept"].items()))
    for caution in summary["cautions"]:
        yield _folded("caution", caution)


def _analyzer_lines(summary: dict[str, Any]) -> Iterator[str]:
    yield ""
    yield f"{summary['id']} (number {summary['number']})"
    yield _folded("link", summary["link"])
    yield _folded("map", f"{summary['map']['name']} ({summary['map']['file']})")
    roles = f"{len(summary['roles'])} of {len(Role)}: {', '.join(summary['roles'])}"
    yield _folded("roles", roles)
    yield f"  trace      {_TRACE[summary['trace']]}"
    for change in summary["rules_changed"]:
        yield _folded("milder", change)
    for note in summary["notes"]:
        yield _folded("note", note)
    if not summary["blind"]:
        yield f"  blind      none of {summary['rules']} rules"
        return
    yield f"  blind      {len(summary['blind'])} of {summary['rules']} rules:"
    for rule in summary["blind"]:
        needed = [
            f"{verb} {', '.join(rule[what])}"
            for verb, what in (("map", "missing"), ("set", "unset"))
            if rule[what]
        ]
        yield f"    {rule['rule']}: {' and '.join(needed)} to open its eyes"


def _folded(heading: str, text: str) -> str:
    return textwrap.fill(
        text,
        COLUMNS,
        initial_indent=f"  {heading:<11}",
        subsequent_indent=" " * 13,
        break_long_words=False,  # a path or an address that is cut could not be copied
        break_on_hyphens=False,
    )

"""Loading of the site file and of register maps: all that is wrong at once, or a checked value."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.expectations import guess
from edgeflash.config.line_checks import with_line_limits
from edgeflash.config.link_checks import map_link_problems
from edgeflash.config.map_checks import role_problems
from edgeflash.config.map_layout import layout_problems
from edgeflash.config.map_models import PROTOCOL, model_of_map, protocol_of
from edgeflash.config.node_checks import node_problems
from edgeflash.config.node_map import NodeMap
from edgeflash.config.problems import WHOLE_FILE, Ledger, Problem, key_text
from edgeflash.config.register_map import MapHeader, RegisterMap
from edgeflash.config.site import Site, SiteFile
from edgeflash.config.site_checks import site_problems
from edgeflash.config.toml_positions import KeyPath, key_lines, line_of
from edgeflash.config.validate import Document, validated
from edgeflash.errors import ConfigurationError, Mistake
from edgeflash.model import Role

Check = Callable[[Site], Iterable[Problem]]
"""A check from another room.

It sees the site even when something else is wrong with it: what is wrong has been replaced by a
default, a map that cannot be read by an empty one. It may speak of keys of the site file only.
"""

EXAMPLES = "examples:"
EXAMPLE_MAPS = Path(__file__).parent.parent / "examples" / "maps"
"""Register maps that come with edgeflash; a site file names one as `examples:NAME.toml`."""

MAX_BYTES = 4_000_000
"""Of a file; ours have some ten thousand, and a device gives bytes without end."""

MAX_DEPTH = 20
"""Tables and lists within each other; our own files need six."""

_TOML_WORDS = {
    "Illegal character '\\n'": "the text in quotes does not end on its line",
    "Cannot overwrite a value": "this key stands here for the second time",
    "Cannot declare": "this table stands here for the second time",
}
"""Where the parser's own words explain little."""

MAX_BITS = 10_000
"""Of a whole number; with more, Python refuses to write it down. TOML has 64."""

TOO_LONG = "a number has thousands of digits"
TOO_DEEP = "tables and lists are nested too deeply to be a configuration"
_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_NO_MAP = RegisterMap(
    map=MapHeader(name="none", protocol="modbus", addressing="zero_based"), roles={}
)


def load_site(path: Path, checks: Sequence[Check] = ()) -> Site:
    """The checked site of a site file, with the register map of each analyzer.

    state_dir is relative to the site file, the history's folder to state_dir, maps to the site
    file. Nothing is created. Raises ConfigurationError with every mistake found, in file order.
    """
    document = _read(path)
    checked = validated(SiteFile, document.table)
    ledger, file = checked.ledger, checked.value
    if file is None:
        raise ConfigurationError(_mistakes(document, ledger))
    maps = _maps_of(path, file, ledger)
    ledger.add_all(map_link_problems(file, [reading.protocol for reading in maps]))
    ledger.add_all(site_problems(file, [reading.roles for reading in maps]))
    site = _site(document, file, maps)
    for check in checks:
        ledger.add_all(check(site))
    found = dict.fromkeys(m for reading in maps for m in reading.mistakes)
    mistakes = (*_mistakes(document, ledger), *found)
    if mistakes:
        raise ConfigurationError(mistakes)
    return site


def load_map(path: Path) -> AnalyzerMap:
    """The checked register map. Raises ConfigurationError with every mistake found."""
    reading = _read_map(path)
    if reading.mistakes:
        raise ConfigurationError(reading.mistakes)
    return reading.register_map


@dataclass(frozen=True, slots=True)
class _MapReading:
    """What came of one map file. roles: those the map gives or means to give.

    protocol: what the map is for; None when it does not say.
    """

    register_map: AnalyzerMap = _NO_MAP
    roles: frozenset[Role] = frozenset()
    protocol: str | None = None
    mistakes: tuple[Mistake, ...] = ()


@dataclass(frozen=True, slots=True)
class _Document:
    """A TOML file as read."""

    path: Path
    table: Document
    lines: dict[KeyPath, int] = field(default_factory=dict)
    digest: str = ""


def _site(document: _Document, file: SiteFile, maps: Sequence[_MapReading]) -> Site:
    path = document.path
    state_dir = path.absolute().parent / file.site.state_dir
    return Site(
        path=path,
        digest=document.digest,
        state_dir=state_dir,
        history_dir=state_dir / file.history.folder,
        file=with_line_limits(file),
        maps={a.id: m.register_map for a, m in zip(file.analyzers, maps, strict=True)},
    )


def _maps_of(site: Path, file: SiteFile, ledger: Ledger) -> list[_MapReading]:
    """The map of each analyzer, each file read once. A missing map is a mistake of the site."""
    readings: list[_MapReading] = []
    by_file: dict[Path, _MapReading] = {}
    for index, analyzer in enumerate(file.analyzers):
        key: KeyPath = ("analyzers", index, "map")
        if ledger.is_wrong(key):
            readings.append(_MapReading())
            continue
        path, why = _map_path(site, str(analyzer.map))
        if path is None:
            ledger.add(Problem(key, why))
            readings.append(_MapReading())
            continue
        if path not in by_file:
            by_file[path] = _read_map(path)
        readings.append(by_file[path])
        if not by_file[path].roles:
            ledger.distrust(key)
    return readings


def _map_path(site: Path, written: str) -> tuple[Path | None, str]:
    """The file a map key means; or None and what is wrong."""
    if written.startswith(EXAMPLES):
        name = written.removeprefix(EXAMPLES)
        shipped = sorted(p.name for p in EXAMPLE_MAPS.glob("*.toml"))
        if name in shipped:
            return EXAMPLE_MAPS / name, ""
        return None, f"edgeflash brings no map '{name}'; it brings {', '.join(shipped)}"
    path = site.parent / written
    problem = _file_problem(path)
    return (path, "") if problem is None else (None, f"{path}: {problem}")


def _read_map(path: Path) -> _MapReading:
    try:
        document = _read(path)
    except ConfigurationError as error:
        return _MapReading(mistakes=error.mistakes)
    checked = validated(model_of_map(document.table), document.table)
    ledger, analyzer_map = checked.ledger, checked.value
    given = document.table.get("roles")
    roles = _meant(given.keys()) if isinstance(given, dict) else frozenset()
    if analyzer_map is not None:
        for role in roles - analyzer_map.roles.keys():
            ledger.distrust(("roles", role.value))
        ledger.add_all(_map_problems(analyzer_map))
    protocol = None if ledger.is_wrong(PROTOCOL) else protocol_of(document.table)
    return _MapReading(analyzer_map or _NO_MAP, roles, protocol, _mistakes(document, ledger))


def _map_problems(analyzer_map: AnalyzerMap) -> Iterator[Problem]:
    """What is wrong with a map whose keys are each right."""
    match analyzer_map:
        case RegisterMap():
            yield from role_problems(analyzer_map)
            yield from layout_problems(analyzer_map)
        case NodeMap():
            yield from node_problems(analyzer_map)


def _meant(names: Iterable[str]) -> frozenset[Role]:
    """The roles that names mean, a misspelt one taken for the nearest."""
    known = [role.value for role in Role]
    near = ((name if name in known else guess(name, known)) for name in names)
    return frozenset(Role(name) for name in near if name is not None)


def _inside(value: object) -> Iterable[object]:
    if isinstance(value, dict):
        return value.values()
    return value if isinstance(value, list) else ()


def _mistakes(document: _Document, ledger: Ledger) -> tuple[Mistake, ...]:
    """The ledger's problems with their lines, in file order."""
    placed = [
        Mistake(document.path, line_of(document.lines, p.path), key_text(p.path), p.problem)
        for p in ledger
    ]
    return tuple(sorted(placed, key=lambda mistake: mistake.line))


def _file_problem(path: Path) -> str | None:
    """Why a file cannot be read, or None."""
    try:
        if path.is_dir():
            return "this is a folder; give the file itself"
        if path.exists() and not path.is_file():
            return "this is no file, but a device or a pipe"
        with path.open("rb"):
            size = path.stat().st_size
            large = f"has {size} bytes; a configuration has {MAX_BYTES} at most"
            return large if size > MAX_BYTES else None
    except FileNotFoundError:
        return "there is no such file"
    except OSError as error:
        return f"cannot be read: {(error.strerror or str(error)).lower()}"
    except ValueError:  # a NUL in the name
        return "no file can have this name"


def _read(path: Path) -> _Document:
    """A TOML file with the lines of its keys. Raises ConfigurationError with the one mistake."""
    if why := _file_problem(path):
        raise _unreadable(path, 0, why)
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES)
    except OSError as error:
        raise _unreadable(path, 0, f"cannot be read: {error}") from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        why = f"byte 0x{data[error.start]:02X} is not UTF-8 text; save the file as UTF-8"
        raise _unreadable(path, line, why) from error
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _unreadable(path, *_toml_words(text, str(error))) from error
    except RecursionError as error:
        raise _unreadable(path, 1, TOO_DEEP) from error
    except ValueError as error:  # the parser lets through what Python says of such a number
        raise _unreadable(path, 1, TOO_LONG) from error
    if _deeper_than(MAX_DEPTH, table):
        raise _unreadable(path, 1, TOO_DEEP)
    if _has_endless_number(table):
        raise _unreadable(path, 1, TOO_LONG)
    return _Document(path, table, key_lines(text), hashlib.sha256(data).hexdigest())


def _deeper_than(depth: int, table: Document) -> bool:
    """True when tables and lists stand within each other more than `depth` times. Not recursive."""
    level: list[object] = [table]
    for _ in range(depth):
        level = [v for one in level for v in _inside(one) if isinstance(v, dict | list)]
        if not level:
            return False
    return True


def _has_endless_number(value: object) -> bool:
    """True for a whole number that nothing could be said of, or when one stands inside."""
    if isinstance(value, int):
        return value.bit_length() > MAX_BITS
    return any(_has_endless_number(one) for one in _inside(value))


def _toml_words(text: str, message: str) -> tuple[int, str]:
    """Line and sentence of what tomllib found."""
    place = _PLACE.search(message)
    what = _PLACE.sub("", message)
    plain = next((ours for theirs, ours in _TOML_WORDS.items() if what.startswith(theirs)), None)
    what = plain or f"{what[:1].lower()}{what[1:]}"
    if place is None or place.group(1) is None:
        return text.rstrip("\n").count("\n") + 1, f"not valid TOML: {what}, at the end of the file"
    return int(place.group(1)), f"not valid TOML: {what}, at column {place.group(2)}"


def _unreadable(path: Path, line: int, why: str) -> ConfigurationError:
    return ConfigurationError((Mistake(path, line, WHOLE_FILE, why),))


__all__ = ["Check", "Problem", "load_map", "load_site"]

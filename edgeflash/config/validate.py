"""A TOML document into a model: every mistake in our own words, and a model to go on checking with.

Values are taken as written: "502" is not a number, 1 is not true.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass
from datetime import date, time
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ValidationError

from edgeflash.config.expectations import expected, in_toml, key_words, unknown_key
from edgeflash.config.problems import Ledger, Problem
from edgeflash.config.schema import schema_of
from edgeflash.config.toml_positions import KeyPath

M = TypeVar("M", bound=BaseModel)
Document = dict[str, Any]

_ROUNDS = 4
"""A removed value may lay bare a missing one, three tables deep at most; then it is good."""

_STAND_INS: Mapping[str, Any] = {
    "id": "x",
    "number": 1,
    "host": "localhost",
    "url": "opc.tcp://localhost",
    "analyzer_corrects_barometer": True,
    "name": "x",
    "protocol": "modbus",
    "addressing": "zero_based",
    "table": "input",
    "address": 1,
    "type": "uint16",
    "first": 0,
    "last": 0,
    "category": "failure",
    "roles": {},
    "sd_c": 1.0,
    "reference_c": 0.0,
    "flash_c": 0.0,
    "share": 0.0,
    "site": {"name": "x"},
    "analyzers": [
        {
            "id": "x",
            "number": 1,
            "map": "x",
            "host": "localhost",
            "analyzer_corrects_barometer": True,
        }
    ],
}
"""What stands for a required value that is wrong or missing; the ledger keeps it from mattering."""


@dataclass(frozen=True, slots=True)
class Validated(Generic[M]):
    """The model, its stand-ins known to the ledger as wrong. value: None when beyond repair."""

    value: M | None
    ledger: Ledger


def validated(model: type[M], document: Document) -> Validated[M]:
    """Checks a document key by key; what spans several keys is the caller's, on the same ledger."""
    ledger = Ledger()
    mended: Document = deepcopy(document)
    for path, value in list(_dates(document, ())):
        place = expected(schema_of(model), path)
        if ledger.add(Problem(path, f"must be {place}, not {in_toml(value)}")):
            _remove(mended, path)
    for _ in range(_ROUNDS):
        try:
            # Strict JSON mode is TOML's own typing: enums, paths and tuples come from plain values.
            value = model.model_validate_json(json.dumps(mended), strict=True)
        except ValidationError as error:
            found = sorted(_errors(model, error, mended), key=lambda e: e.rank)
            for each in found:
                _keep(model, document, ledger, each)
            for each in found:
                _mend(mended, each)
        else:
            return Validated(value, ledger)
    return Validated(None, ledger)


@dataclass(frozen=True, slots=True)
class _Error:
    """One error of the validator, at a path of the document. rank: causes come first."""

    path: KeyPath
    kind: str
    rank: int


def _errors(model: type[BaseModel], error: ValidationError, document: Document) -> Iterator[_Error]:
    seen: set[KeyPath] = set()
    for item in error.errors(include_url=False, include_context=False, include_input=False):
        kind, loc = item["type"], tuple(item["loc"])
        if loc and loc[-1] == "[key]":
            kind, loc = "key", loc[:-1]
        elif kind != "missing":
            loc = _existing(document, loc)
        if kind == "too_short" and _value_at(document, loc):
            continue  # its items are wrong, not their number
        if loc not in seen:
            seen.add(loc)
            yield _Error(loc, kind, {"key": 0, "extra_forbidden": 1, "missing": 3}.get(kind, 2))


def _keep(model: type[BaseModel], document: Document, ledger: Ledger, error: _Error) -> None:
    path, root = error.path, schema_of(model)
    table, key = path[:-1], str(path[-1]) if path else ""
    match error.kind:
        case "key":
            ledger.add(Problem(path, key_words(root, table, key)))
        case "extra_forbidden":
            sentence, meant = unknown_key(root, table, key)
            kept = ledger.add(Problem(path, sentence))
            if kept and meant is not None and _value_at(document, (*table, meant)) is None:
                ledger.distrust((*table, meant))
        case "missing":
            ledger.add(Problem(path, f"is missing; give {expected(root, path)}"))
        case "too_short":
            ledger.add(Problem(path, f"is empty; give {expected(root, path)}"))
        case _:
            wanted, given = expected(root, path), _value_at(document, path)
            hint = ""
            if isinstance(given, str) and "quotes" not in wanted and '"' not in wanted:
                hint = " (without quotes)" if _is_plain(given) else ""
            ledger.add(Problem(path, f"must be {wanted}, not {in_toml(given)}{hint}"))


def _is_plain(text: str) -> bool:
    """True when the text would be a number or a truth value without its quotes."""
    try:
        float(text)
    except ValueError:
        return text in ("true", "false")
    return True


def _existing(document: Document, loc: tuple[str | int, ...]) -> KeyPath:
    """The part of a location that is in the document; the rest names branches of the validator."""
    at: Any = document
    for length, part in enumerate(loc):
        if not _has(at, part):
            return loc[:length]
        at = at[part]
    return loc


def _has(container: Any, part: str | int) -> bool:
    if isinstance(part, str):
        return isinstance(container, dict) and part in container
    return isinstance(container, list) and part < len(container)


def _value_at(document: Document, path: KeyPath) -> Any:
    at: Any = document
    for part in path:
        if not _has(at, part):
            return None
        at = at[part]
    return at


def _mend(document: Document, error: _Error) -> None:
    if error.kind != "missing":
        _remove(document, error.path)
        return
    parent = _value_at(document, error.path[:-1])
    name = str(error.path[-1])
    if isinstance(parent, dict):
        if name == "map":  # a table in a register map, a path in a site file
            root = {"name": "x", "protocol": "modbus", "addressing": "zero_based"}
            parent[name] = root if len(error.path) == 1 else "x"
        elif name in _STAND_INS:
            parent[name] = deepcopy(_STAND_INS[name])


def _remove(document: Document, path: KeyPath) -> None:
    """Takes out the smallest keyed value around a path."""
    for length in range(len(path), 0, -1):
        parent, part = _value_at(document, path[: length - 1]), path[length - 1]
        if isinstance(part, str) and isinstance(parent, dict):
            parent.pop(part, None)
            return


def _dates(value: Any, path: KeyPath) -> Iterator[tuple[KeyPath, object]]:
    """Dates and times: TOML has them, no key of ours takes one."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _dates(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _dates(item, (*path, index))
    elif isinstance(value, date | time):
        yield path, value

"""Results as text and bytes, and back without loss. Pure.

A result becomes JSON (one object, `format` first) and the arrays of its cycle. JSON has no times,
tuples or NaN: those are tagged objects with one key. Later formats only add keys, so an older entry
stays readable; keys that are not known are passed over.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from enum import Enum
from typing import Any, TypeVar

import numpy as np

from edgeflash.errors import StorageError
from edgeflash.journal.arrays import decode_arrays, encode_arrays
from edgeflash.journal.declared import as_declared
from edgeflash.model import (
    Assessment,
    CheckResult,
    Computed,
    Continuity,
    Cycle,
    CycleSource,
    Finding,
    InputReading,
    Phase,
    PreviousResult,
    Pulse,
    Result,
    Role,
    Severity,
    Span,
    Trace,
    TraceSource,
    Verdict,
)

_T = TypeVar("_T")

FORMAT = 1

_DAMAGE = (ValueError, KeyError, TypeError, AttributeError, RecursionError, zlib.error)


class UnstorableResultError(StorageError):
    """A result holds something the journal has no form for; a fault of whoever made it."""


class UnreadableEntryError(StorageError):
    """A journal entry cannot be turned back into a result: damaged, or of a newer format."""


@dataclass(frozen=True, slots=True)
class Encoded:
    """A result as stored. trace: of `encode_arrays`; None when the cycle has no arrays."""

    body: str
    trace: bytes | None

    @property
    def checksum(self) -> int:
        """CRC-32 over body and trace, so that a damaged page is seen."""
        return zlib.crc32(self.trace or b"", zlib.crc32(self.body.encode("ascii")))


def encode(result: Result) -> Encoded:
    """The result as stored. Raises UnstorableResultError for a naive time or a foreign type."""
    try:
        body = _dumped(_result_tree(result))
        return Encoded(body, encode_arrays(result.cycle.trace, result.cycle.pulse))
    except UnstorableResultError as error:
        raise UnstorableResultError(f"{result.id}: {error}") from error
    except (TypeError, ValueError, AttributeError) as error:
        raise UnstorableResultError(f"{result.id}: cannot be stored: {error}") from error


def decode(stored: Encoded) -> Result:
    """The result that was encoded. Raises UnreadableEntryError."""
    try:
        tree = _loaded(stored.body)
        source, interval_s = tree["cycle"]["trace_source"], tree["cycle"].get("pulse_interval_s")
        arrays = decode_arrays(
            stored.trace, None if source is None else TraceSource(source), _value(interval_s)
        )
        cycle, inputs = _tree_as_read(tree, *arrays)
        return _tree_result(tree, cycle, inputs)
    except _DAMAGE as error:
        raise UnreadableEntryError(f"damaged entry: {error!r}") from error


def encode_cycle(cycle: Cycle, inputs: tuple[InputReading, ...]) -> str:
    """What judging a cycle starts from, as JSON text in ASCII; without the samples of its arrays.

    Raises UnstorableResultError for a naive time or a foreign type.
    """
    try:
        return _dumped(_as_read_tree(cycle, inputs))
    except (TypeError, ValueError, AttributeError) as error:
        raise UnstorableResultError(f"a cycle cannot be stored: {error}") from error


def decode_cycle(
    text: str, trace: Trace | None, pulse: Pulse | None
) -> tuple[Cycle, tuple[InputReading, ...]]:
    """The cycle and inputs that were encoded, with the arrays that were kept apart from them.

    Raises UnreadableEntryError, also when the cycle had a trace or a pulse that is not given, or
    the other way round: judged without it, the cycle would be another one.
    """
    try:
        return _tree_as_read(_loaded(text), trace, pulse)
    except _DAMAGE as error:
        raise UnreadableEntryError(f"damaged cycle: {error!r}") from error


def _dumped(tree: Mapping[str, Any]) -> str:
    return json.dumps({"format": FORMAT, **tree}, allow_nan=False, separators=(",", ":"))


def _loaded(text: str) -> dict[str, Any]:
    tree: dict[str, Any] = json.loads(text)
    if tree["format"] > FORMAT:
        raise UnreadableEntryError(
            f"entry format {tree['format']} is newer than {FORMAT}: update edgeflash"
        )
    return tree


def _as_read_tree(c: Cycle, inputs: tuple[InputReading, ...]) -> dict[str, Any]:
    return {
        "cycle": {
            "analyzer": c.analyzer,
            "epoch": c.epoch,
            "cycle_number": c.cycle_number,
            "source": c.source.value,
            "continuity": c.continuity.value,
            "missed": c.missed,
            "finished_at": _plain(c.finished_at),
            "values": {role.value: _plain(value) for role, value in c.values.items()},
            "trace_source": None if c.trace is None else c.trace.source.value,
            "pulse_interval_s": None if c.pulse is None else _plain(c.pulse.interval_s),
            "torn": bool(c.torn),
            "duration_s": _plain(c.duration_s),
            "longest_gap_s": _plain(c.longest_gap_s),
            "is_time_known": bool(c.is_time_known),
            "after_heating_s": _plain(c.after_heating_s),
            "phases": [p.value for p in c.phases],
            "faults_seen": list(c.faults_seen),
            "spans": {role.value: _fields_tree(span) for role, span in c.spans.items()},
            "previous": None if c.previous is None else _fields_tree(c.previous),
            "streams": [_plain(stream) for stream in c.streams],
            "on_stream_s": _plain(c.on_stream_s),
            "clock_ahead_s": _plain(c.clock_ahead_s),
            "alive_stuck_s": _plain(c.alive_stuck_s),
            "statuses": {role.value: told for role, told in c.statuses.items()},
        },
        "inputs": [_fields_tree(i) for i in inputs],
    }


def _tree_as_read(
    tree: Mapping[str, Any], trace: Trace | None, pulse: Pulse | None
) -> tuple[Cycle, tuple[InputReading, ...]]:
    c = tree["cycle"]
    source = None if trace is None else trace.source.value
    interval_s = None if pulse is None else _plain(pulse.interval_s)
    if c["trace_source"] != source or c.get("pulse_interval_s") != interval_s:
        raise ValueError("the cycle and the arrays do not belong together")
    cycle = Cycle(
        analyzer=c["analyzer"],
        epoch=c["epoch"],
        cycle_number=c["cycle_number"],
        source=CycleSource(c["source"]),
        continuity=Continuity(c["continuity"]),
        missed=c["missed"],
        finished_at=_value(c["finished_at"]),
        values={Role(name): _value(value) for name, value in c["values"].items()},
        trace=trace,
        pulse=pulse,
        torn=c["torn"],
        duration_s=_value(c["duration_s"]),
        longest_gap_s=_value(c["longest_gap_s"]),
        is_time_known=c["is_time_known"],
        after_heating_s=_value(c["after_heating_s"]),
        phases=tuple(Phase(p) for p in c["phases"]),
        faults_seen=tuple(c["faults_seen"]),
        spans={Role(name): _known(Span, span) for name, span in c["spans"].items()},
        previous=None if c["previous"] is None else _known(PreviousResult, c["previous"]),
        streams=tuple(c.get("streams", ())),
        on_stream_s=_value(c.get("on_stream_s")),
        clock_ahead_s=_value(c.get("clock_ahead_s")),
        alive_stuck_s=_value(c.get("alive_stuck_s")),
        statuses={Role(name): told for name, told in c.get("statuses", {}).items()},
    )
    return as_declared(cycle), tuple(_known(InputReading, i) for i in tree.get("inputs", ()))


def _result_tree(r: Result) -> dict[str, Any]:
    return {
        **_as_read_tree(r.cycle, r.inputs),
        "computed": _fields_tree(r.computed),
        "findings": [_fields_tree(f) for f in r.findings],
        "verdict": r.verdict.value,
        "published_c": _plain(r.published_c),
        "low_flash": bool(r.low_flash),
        "low_flash_alarm": bool(r.low_flash_alarm),
        "sampled_at": _plain(r.sampled_at),
        "judged_at": _plain(r.judged_at),
        "product": r.product,
        "rules_version": r.rules_version,
        "assessment": _fields_tree(r.assessment),
        "checks": [_fields_tree(check) for check in r.checks],
    }


def _tree_result(tree: Mapping[str, Any], cycle: Cycle, inputs: tuple[InputReading, ...]) -> Result:
    result = Result(
        cycle=cycle,
        computed=_known(Computed, tree["computed"]),
        findings=tuple(_finding(f) for f in tree["findings"]),
        verdict=Verdict(tree["verdict"]),
        published_c=_value(tree["published_c"]),
        low_flash=tree["low_flash"],
        low_flash_alarm=tree["low_flash_alarm"],
        sampled_at=_value(tree["sampled_at"]),
        judged_at=_value(tree["judged_at"]),
        product=tree["product"],
        rules_version=tree["rules_version"],
        assessment=_known(Assessment, tree.get("assessment", {})),
        inputs=inputs,
        checks=tuple(_known(CheckResult, check) for check in tree.get("checks", ())),
    )
    return as_declared(result)


def _finding(tree: Mapping[str, Any]) -> Finding:
    return _known(Finding, {**tree, "severity": Severity(tree["severity"])})


def _fields_tree(item: Any) -> dict[str, Any]:
    """A dataclass of scalars as an object of its fields."""
    return {f.name: _plain(getattr(item, f.name)) for f in fields(item)}


def _known(kind: Callable[..., _T], tree: Mapping[str, Any]) -> _T:
    """A dataclass of scalars from its fields; one that came later keeps its default."""
    names = (f.name for f in fields(kind))  # type: ignore[arg-type]  # each kind is a dataclass
    return as_declared(kind(**{name: _value(tree[name]) for name in names if name in tree}))


def _plain(value: Any) -> Any:
    """A scalar in JSON's own types, tagged where JSON has none for it."""
    if isinstance(value, np.generic):
        value = value.item()
    match value:
        case None | bool():
            return value
        case Phase():
            return {"phase": value.value}
        case Enum():
            return value.value
        case int() | str():
            return value
        case float():
            return value if math.isfinite(value) else {"float": repr(value)}
        case datetime():
            if value.tzinfo is None:
                raise UnstorableResultError(f"the time {value.isoformat()} lacks its timezone")
            return {"time": value.astimezone(UTC).isoformat()}
        case tuple():
            return {"texts": [str(text) for text in value]}
    raise UnstorableResultError(f"a value of type {type(value).__name__} has no stored form")


def _value(plain: Any) -> Any:
    """The scalar that `_plain` was given."""
    if not isinstance(plain, dict):
        return plain
    match plain:
        case {"phase": str(name)}:
            return Phase(name)
        case {"float": str(text)}:
            return float(text)
        case {"time": str(text)}:
            return datetime.fromisoformat(text)
        case {"texts": list(texts)}:
            return tuple(texts)
    raise ValueError(f"unknown tag {sorted(plain)}")

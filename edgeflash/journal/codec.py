"""Results as text and bytes, and back without loss. Pure.

A result becomes JSON (one object, `format` first) and its trace zlib-compressed float64 arrays.
JSON has no times, tuples or NaN: those are tagged objects with one key. Later formats only add
keys, so an older entry stays readable; keys that are not known are passed over.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from enum import Enum
from typing import Any

import numpy as np

from edgeflash.errors import StorageError
from edgeflash.model import (
    Computed,
    Continuity,
    Cycle,
    CycleSource,
    Finding,
    Phase,
    PreviousResult,
    Result,
    Role,
    Severity,
    Span,
    Trace,
    TraceSource,
    Verdict,
)

FORMAT = 1

# Traces are read a few times and written once, beside a synced commit that costs more: the
# fastest level is within a few percent of the best one on noisy doubles.
_ZLIB_LEVEL = 1
_FLOAT64 = np.dtype("<f8")


class UnstorableResultError(StorageError):
    """A result holds something the journal has no form for; a fault of whoever made it."""


class UnreadableEntryError(StorageError):
    """A journal entry cannot be turned back into a result: damaged, or of a newer format."""


@dataclass(frozen=True, slots=True)
class Encoded:
    """A result as stored. trace: None when the cycle has none."""

    body: str
    trace: bytes | None

    @property
    def checksum(self) -> int:
        """CRC-32 over body and trace, so that a damaged page is seen."""
        return zlib.crc32(self.trace or b"", zlib.crc32(self.body.encode("ascii")))


def encode(result: Result) -> Encoded:
    """The result as stored. Raises UnstorableResultError for a naive time or a foreign type."""
    try:
        tree = {"format": FORMAT, **_result_tree(result)}
        body = json.dumps(tree, allow_nan=False, separators=(",", ":"))
        trace = result.cycle.trace
        return Encoded(body, None if trace is None else encode_trace(trace))
    except UnstorableResultError as error:
        raise UnstorableResultError(f"{result.id}: {error}") from error
    except (TypeError, ValueError, AttributeError) as error:
        raise UnstorableResultError(f"{result.id}: cannot be stored: {error}") from error


def decode(stored: Encoded) -> Result:
    """The result that was encoded. Raises UnreadableEntryError."""
    try:
        tree = json.loads(stored.body)
        if tree["format"] > FORMAT:
            raise UnreadableEntryError(
                f"entry format {tree['format']} is newer than {FORMAT}: update edgeflash"
            )
        return _tree_result(tree, stored.trace)
    except (ValueError, KeyError, TypeError, AttributeError, zlib.error) as error:
        raise UnreadableEntryError(f"damaged entry: {error!r}") from error


def encode_trace(trace: Trace) -> bytes:
    """Time, temperature and pressure one after the other, float64 little-endian, compressed."""
    arrays = (trace.time_s, trace.temperature_c, trace.pressure_kpa)
    return zlib.compress(b"".join(np.asarray(a, _FLOAT64).tobytes() for a in arrays), _ZLIB_LEVEL)


def decode_trace(data: bytes, source: TraceSource) -> Trace:
    """The trace that was encoded, bit for bit. Raises ValueError or zlib.error when damaged."""
    time_s, temperature_c, pressure_kpa = (
        np.frombuffer(zlib.decompress(data), _FLOAT64).reshape(3, -1).astype(np.float64)
    )
    return Trace(source, time_s, temperature_c, pressure_kpa)


def _result_tree(r: Result) -> dict[str, Any]:
    c = r.cycle
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
            "torn": bool(c.torn),
            "duration_s": _plain(c.duration_s),
            "longest_gap_s": _plain(c.longest_gap_s),
            "is_time_known": bool(c.is_time_known),
            "after_heating_s": _plain(c.after_heating_s),
            "phases": [p.value for p in c.phases],
            "faults_seen": list(c.faults_seen),
            "spans": {role.value: _fields_tree(span) for role, span in c.spans.items()},
            "previous": None if c.previous is None else _fields_tree(c.previous),
        },
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
    }


def _tree_result(tree: Mapping[str, Any], trace: bytes | None) -> Result:
    c = tree["cycle"]
    source = c["trace_source"]
    if (source is None) != (trace is None):
        raise ValueError("the trace and its source do not belong together")
    cycle = Cycle(
        analyzer=c["analyzer"],
        epoch=c["epoch"],
        cycle_number=c["cycle_number"],
        source=CycleSource(c["source"]),
        continuity=Continuity(c["continuity"]),
        missed=c["missed"],
        finished_at=_value(c["finished_at"]),
        values={Role(name): _value(value) for name, value in c["values"].items()},
        trace=None if trace is None else decode_trace(trace, TraceSource(source)),
        torn=c["torn"],
        duration_s=_value(c["duration_s"]),
        longest_gap_s=_value(c["longest_gap_s"]),
        is_time_known=c["is_time_known"],
        after_heating_s=_value(c["after_heating_s"]),
        phases=tuple(Phase(p) for p in c["phases"]),
        faults_seen=tuple(c["faults_seen"]),
        spans={Role(name): Span(**_known(Span, span)) for name, span in c["spans"].items()},
        previous=None if c["previous"] is None else _previous(c["previous"]),
    )
    return Result(
        cycle=cycle,
        computed=Computed(**_known(Computed, tree["computed"])),
        findings=tuple(_finding(f) for f in tree["findings"]),
        verdict=Verdict(tree["verdict"]),
        published_c=_value(tree["published_c"]),
        low_flash=tree["low_flash"],
        low_flash_alarm=tree["low_flash_alarm"],
        sampled_at=_value(tree["sampled_at"]),
        judged_at=_value(tree["judged_at"]),
        product=tree["product"],
        rules_version=tree["rules_version"],
    )


def _previous(tree: Mapping[str, Any]) -> PreviousResult:
    return PreviousResult(**_known(PreviousResult, tree))


def _finding(tree: Mapping[str, Any]) -> Finding:
    return Finding(**{**_known(Finding, tree), "severity": Severity(tree["severity"])})


def _fields_tree(item: Any) -> dict[str, Any]:
    """A dataclass of scalars as an object of its fields."""
    return {f.name: _plain(getattr(item, f.name)) for f in fields(item)}


def _known(kind: Any, tree: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of `kind` found in the tree; a field that came later keeps its default."""
    return {f.name: _value(tree[f.name]) for f in fields(kind) if f.name in tree}


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

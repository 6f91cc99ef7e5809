"""Results as text and bytes, and back without loss. Pure.

A result becomes JSON (one object, `format` first) and the arrays of its cycle. JSON has no times,
tuples or NaN: those are tagged objects with one key (`fields`). Later formats only add keys or
another form of the arrays, so an older entry stays readable; keys that are not known are passed
over.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Any, TypeVar

import msgspec

from edgeflash.errors import StorageError
from edgeflash.journal.arrays import decode_arrays, encode_arrays
from edgeflash.journal.declared import as_declared
from edgeflash.journal.fields import AS_IT_IS, Fields, UnstorableResultError, plain, value_of
from edgeflash.model import (
    Assessment,
    CheckResult,
    Computed,
    Continuity,
    Cycle,
    CycleSource,
    Declared,
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

__all__ = [
    "FORMAT",
    "Encoded",
    "UnreadableEntryError",
    "UnstorableResultError",
    "cycle_text_of",
    "decode",
    "decode_cycle",
    "encode",
    "encode_cycle",
]

_Member = TypeVar("_Member", bound=Enum)

FORMAT = 2
"""2: the arrays are a block (`arrays`). An entry without any is of format 1 to this day, as is the
text of a cycle alone, so that older versions read it."""

_PLAIN_FORMAT = 1

_DAMAGE = (ValueError, KeyError, TypeError, AttributeError, RecursionError, zlib.error)


def _byvalue_of(members: type[_Member]) -> dict[Any, _Member]:
    """A look into this costs a tenth of a call of the enumeration."""
    return {member.value: member for member in members}


_ROLES, _PHASES, _DECLARED = _byvalue_of(Role), _byvalue_of(Phase), _byvalue_of(Declared)
_SOURCES, _CONTINUITIES = _byvalue_of(CycleSource), _byvalue_of(Continuity)
_TRACE_SOURCES, _VERDICTS = _byvalue_of(TraceSource), _byvalue_of(Verdict)

_SPAN, _PREVIOUS, _INPUT = Fields(Span), Fields(PreviousResult), Fields(InputReading)
_COMPUTED, _ASSESSMENT, _CHECK = Fields(Computed), Fields(Assessment), Fields(CheckResult)
_FINDING = Fields(Finding, severity=_byvalue_of(Severity))

_ENCODER = msgspec.json.Encoder()
_DECODER = msgspec.json.Decoder()
_HEADS = tuple(f'{{"format":{form},' for form in (_PLAIN_FORMAT, FORMAT))
_AFTER_INPUTS = ',"computed":'
_NOT_ASCII = re.compile(r"[^\x00-\x7f]")


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
        trace = encode_arrays(result.cycle.trace, result.cycle.pulse)
        form = _PLAIN_FORMAT if trace is None else FORMAT
        return Encoded(_dumped(form, _result_tree(result), result, result.cycle), trace)
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
            stored.trace, None if source is None else _TRACE_SOURCES[source], value_of(interval_s)
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
        return _dumped(_PLAIN_FORMAT, _as_read_tree(cycle, inputs), cycle)
    except (TypeError, ValueError, AttributeError) as error:
        raise UnstorableResultError(f"a cycle cannot be stored: {error}") from error


def cycle_text_of(body: str) -> str | None:
    """What `encode_cycle` gave of the cycle in this entry when it was written; None where the body
    is not of that form.

    The cycle and its inputs stand first in it. No text holds the mark of what follows: in a text
    its quotes would be escaped.
    """
    end = body.find(_AFTER_INPUTS)
    begin = next((len(head) for head in _HEADS if body.startswith(head)), 0)
    return f"{_HEADS[0]}{body[begin:end]}}}" if begin and end > 0 else None


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


def _dumped(form: int, tree: Mapping[str, Any], *told: Cycle | Result) -> str:
    """The tree as text. told: what it tells of."""
    whole = {"format": form, **tree}
    try:
        if not all(map(_is_plain, told)):
            return _dumped_by_the_book(whole)
        text = _ENCODER.encode(whole).decode("utf-8")
    except (TypeError, ValueError):
        return _dumped_by_the_book(whole)
    return text if text.isascii() else _NOT_ASCII.sub(_escaped, text)


def _dumped_by_the_book(tree: Mapping[str, Any]) -> str:
    return json.dumps(tree, allow_nan=False, separators=(",", ":"))


def _is_plain(item: Cycle | Result) -> bool:
    """Whether the fast encoder says of it what the other one does. Itself it refuses neither a NaN
    nor types that we have no form for. Raises ValueError for such a type."""
    if isinstance(item, Cycle):
        numbers = (item.epoch, item.cycle_number, item.missed)
        if any(type(number) is not int for number in numbers):
            return False
    as_declared(item)
    return True


def _escaped(found: re.Match[str]) -> str:
    return _escape_of(found.group())


@lru_cache(512)
def _escape_of(character: str) -> str:
    return json.dumps(character)[1:-1]


def _loaded(text: str) -> dict[str, Any]:
    tree: dict[str, Any]
    try:
        tree = _DECODER.decode(text)
    except msgspec.DecodeError:
        # Half of a surrogate pair is text to us, and JSON to this one only.
        tree = json.loads(text)
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
            "source": c.source,
            "continuity": c.continuity,
            "missed": c.missed,
            "finished_at": plain(c.finished_at),
            "values": {
                role: value if type(value) in AS_IT_IS else plain(value)
                for role, value in c.values.items()
            },
            "trace_source": None if c.trace is None else c.trace.source,
            "pulse_interval_s": None if c.pulse is None else plain(c.pulse.interval_s),
            "torn": bool(c.torn),
            "duration_s": plain(c.duration_s),
            "longest_gap_s": plain(c.longest_gap_s),
            "is_time_known": bool(c.is_time_known),
            "after_heating_s": plain(c.after_heating_s),
            "phases": c.phases,
            "faults_seen": c.faults_seen,
            "spans": {role: _SPAN.tree(span) for role, span in c.spans.items()},
            "previous": None if c.previous is None else _PREVIOUS.tree(c.previous),
            "streams": [plain(stream) for stream in c.streams],
            "on_stream_s": plain(c.on_stream_s),
            "clock_ahead_s": plain(c.clock_ahead_s),
            "alive_stuck_s": plain(c.alive_stuck_s),
            "statuses": dict(c.statuses),
            "declared": c.declared,
        },
        "inputs": [_INPUT.tree(i) for i in inputs],
    }


def _tree_as_read(
    tree: Mapping[str, Any], trace: Trace | None, pulse: Pulse | None
) -> tuple[Cycle, tuple[InputReading, ...]]:
    c = tree["cycle"]
    source = None if trace is None else trace.source.value
    interval_s = None if pulse is None else plain(pulse.interval_s)
    if c["trace_source"] != source or c.get("pulse_interval_s") != interval_s:
        raise ValueError("the cycle and the arrays do not belong together")
    cycle = Cycle(
        analyzer=c["analyzer"],
        epoch=c["epoch"],
        cycle_number=c["cycle_number"],
        source=_SOURCES[c["source"]],
        continuity=_CONTINUITIES[c["continuity"]],
        missed=c["missed"],
        finished_at=value_of(c["finished_at"]),
        values={
            _ROLES[name]: value_of(value) if type(value) is dict else value
            for name, value in c["values"].items()
        },
        trace=trace,
        pulse=pulse,
        torn=c["torn"],
        duration_s=value_of(c["duration_s"]),
        longest_gap_s=value_of(c["longest_gap_s"]),
        is_time_known=c["is_time_known"],
        after_heating_s=value_of(c["after_heating_s"]),
        phases=tuple(map(_PHASES.__getitem__, c["phases"])),
        faults_seen=tuple(c["faults_seen"]),
        spans={_ROLES[name]: _SPAN.item(span) for name, span in c["spans"].items()},
        previous=None if c["previous"] is None else _PREVIOUS.item(c["previous"]),
        streams=tuple(c.get("streams", ())),
        on_stream_s=value_of(c.get("on_stream_s")),
        clock_ahead_s=value_of(c.get("clock_ahead_s")),
        alive_stuck_s=value_of(c.get("alive_stuck_s")),
        statuses={_ROLES[name]: told for name, told in c.get("statuses", {}).items()},
        declared=tuple(map(_DECLARED.__getitem__, c.get("declared", ()))),
    )
    return as_declared(cycle), tuple(map(_INPUT.item, tree.get("inputs", ())))


def _result_tree(r: Result) -> dict[str, Any]:
    return {
        **_as_read_tree(r.cycle, r.inputs),
        "computed": _COMPUTED.tree(r.computed),
        "findings": [_FINDING.tree(f) for f in r.findings],
        "verdict": r.verdict,
        "published_c": plain(r.published_c),
        "low_flash": bool(r.low_flash),
        "low_flash_alarm": bool(r.low_flash_alarm),
        "sampled_at": plain(r.sampled_at),
        "judged_at": plain(r.judged_at),
        "product": r.product,
        "rules_version": r.rules_version,
        "assessment": _ASSESSMENT.tree(r.assessment),
        "checks": [_CHECK.tree(check) for check in r.checks],
    }


def _tree_result(tree: Mapping[str, Any], cycle: Cycle, inputs: tuple[InputReading, ...]) -> Result:
    result = Result(
        cycle=cycle,
        computed=_COMPUTED.item(tree["computed"]),
        findings=tuple(map(_FINDING.item, tree["findings"])),
        verdict=_VERDICTS[tree["verdict"]],
        published_c=value_of(tree["published_c"]),
        low_flash=tree["low_flash"],
        low_flash_alarm=tree["low_flash_alarm"],
        sampled_at=value_of(tree["sampled_at"]),
        judged_at=value_of(tree["judged_at"]),
        product=tree["product"],
        rules_version=tree["rules_version"],
        assessment=_ASSESSMENT.item(tree.get("assessment", {})),
        inputs=inputs,
        checks=tuple(map(_CHECK.item, tree.get("checks", ()))),
    )
    return as_declared(result)

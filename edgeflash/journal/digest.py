"""One number for what a row of the history says, from the result or from the row alike. Pure.

Made of columns that every version of the history has, so that it can be computed again from a row
of a Parquet file alone. Rows of one day are added up without regard to their order; the sum is
taken modulo 2^64, so that a doubled row changes it as a missing one does.

The digest is BLAKE2b (RFC 7693) of 8 bytes, over the columns one after the other; each begins with
a letter for its kind. Texts and arrays carry their length. What is not known is one zero byte, and
so is a number that is not finite, as in the files.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from hashlib import blake2b
from operator import attrgetter
from typing import Any

import numpy as np
import numpy.typing as npt

from edgeflash.model import EventEntry, Result

_1970 = datetime(1970, 1, 1, tzinfo=UTC)
_NULL = b"\0"
_MODULUS = 2**64
_SIGN = 2**63


class Kind(StrEnum):
    """How a figure is packed. TIME: microseconds since 1970 UTC. ARRAY: of single precision."""

    TEXT = "t"
    WHOLE = "w"
    REAL = "r"
    FLAG = "f"
    TIME = "u"
    ARRAY = "a"


@dataclass(frozen=True, slots=True)
class Figure:
    """A column that the digest covers: its name in the history, and where its source has it."""

    name: str
    kind: Kind
    get: Callable[[Any], Any]


_KEY = (
    Figure("analyzer", Kind.TEXT, attrgetter("cycle.analyzer")),
    Figure("epoch", Kind.WHOLE, attrgetter("cycle.epoch")),
    Figure("cycle_number", Kind.WHOLE, attrgetter("cycle.cycle_number")),
    Figure("finished_at", Kind.TIME, attrgetter("cycle.finished_at")),
)

RESULT_FIGURES: tuple[Figure, ...] = (
    *_KEY,
    Figure("sampled_at", Kind.TIME, attrgetter("sampled_at")),
    Figure("judged_at", Kind.TIME, attrgetter("judged_at")),
    Figure("verdict", Kind.TEXT, attrgetter("verdict.value")),
    Figure("published_c", Kind.REAL, attrgetter("published_c")),
    Figure("low_flash", Kind.FLAG, attrgetter("low_flash")),
    Figure("possible_low_flash", Kind.FLAG, attrgetter("low_flash_alarm")),
    Figure("reported_c", Kind.REAL, attrgetter("computed.reported_c")),
    Figure("recomputed_c", Kind.REAL, attrgetter("computed.recomputed_c")),
    Figure("corrected_c", Kind.REAL, attrgetter("computed.corrected_c")),
    Figure("product", Kind.TEXT, attrgetter("product")),
    Figure("rules_version", Kind.TEXT, attrgetter("rules_version")),
)


def _of_trace(name: str) -> Callable[[Result], Any]:
    return lambda r: None if r.cycle.trace is None else getattr(r.cycle.trace, name)


def _of_pulse(name: str) -> Callable[[Result], Any]:
    return lambda r: None if r.cycle.pulse is None else getattr(r.cycle.pulse, name)


TRACE_FIGURES: tuple[Figure, ...] = (
    *_KEY,
    Figure("source", Kind.TEXT, _of_trace("source")),
    Figure("time_s", Kind.ARRAY, _of_trace("time_s")),
    Figure("temperature_c", Kind.ARRAY, _of_trace("temperature_c")),
    Figure("pressure_kpa", Kind.ARRAY, _of_trace("pressure_kpa")),
    Figure("pulse_interval_s", Kind.REAL, _of_pulse("interval_s")),
    Figure("pulse_kpa", Kind.ARRAY, _of_pulse("pressure_kpa")),
)


def _text_of(name: str) -> Callable[[tuple[int, EventEntry]], Any]:
    """In the files an empty text is null."""
    return lambda line: getattr(line[1], name) or None


EVENT_FIGURES: tuple[Figure, ...] = (
    Figure("journal_seq", Kind.WHOLE, lambda line: line[0]),
    Figure("at", Kind.TIME, lambda line: line[1].at),
    Figure("kind", Kind.TEXT, lambda line: line[1].kind.value),
    *(Figure(n, Kind.TEXT, _text_of(n)) for n in ("analyzer", "subject", "text", "who", "via")),
    Figure("until", Kind.TIME, lambda line: line[1].until),
)


def result_digest(result: Result) -> int:
    """The digest of the row of `results`."""
    return row_digest(RESULT_FIGURES, [f.get(result) for f in RESULT_FIGURES])


def trace_digest(result: Result) -> int | None:
    """The digest of the row of `traces`; None when the cycle has no row there."""
    if result.cycle.trace is None and result.cycle.pulse is None:
        return None
    return row_digest(TRACE_FIGURES, [f.get(result) for f in TRACE_FIGURES])


def event_digest(seq: int, entry: EventEntry) -> int:
    """The digest of the row of `events`. seq: its number in the journal."""
    return row_digest(EVENT_FIGURES, [f.get((seq, entry)) for f in EVENT_FIGURES])


def row_digest(figures: Sequence[Figure], values: Sequence[Any]) -> int:
    """The digest of a row by its values, in the order of the figures; a signed 64-bit number.

    A time may be given as its microseconds.
    """
    packed = b"".join([_PACK[f.kind](v) for f, v in zip(figures, values, strict=True)])
    return int.from_bytes(blake2b(packed, digest_size=8).digest(), "little", signed=True)


def added(checksum: int, digest: int) -> int:
    """The sum modulo 2^64, as a signed number."""
    return (checksum + digest + _SIGN) % _MODULUS - _SIGN


def _text(value: str | None) -> bytes:
    if value is None:
        return _NULL
    data = value.encode("utf-8", "replace")
    return b"t" + struct.pack("<I", len(data)) + data


def _whole(value: int | None) -> bytes:
    return _NULL if value is None else b"w" + struct.pack("<q", value)


def _real(value: float | None) -> bytes:
    if value is None or not math.isfinite(value):
        return _NULL
    return b"r" + struct.pack("<d", value)


def _flag(value: bool | None) -> bytes:
    return _NULL if value is None else (b"f\1" if value else b"f\0")


def _time(value: datetime | int | None) -> bytes:
    if value is None:
        return _NULL
    if isinstance(value, datetime):
        value = (value - _1970) // timedelta(microseconds=1)
    return b"u" + struct.pack("<q", value)


def _array(value: npt.ArrayLike | None) -> bytes:
    if value is None:
        return _NULL
    narrow = np.array(value, "<f4")
    # There is more than one NaN, and the files keep none of them: a sample without a number is one.
    odd = np.isnan(narrow)
    if odd.any():
        narrow[odd] = np.float32(np.nan)
    return b"a" + struct.pack("<I", len(narrow)) + narrow.tobytes()


_PACK: dict[Kind, Callable[[Any], bytes]] = {
    Kind.TEXT: _text,
    Kind.WHOLE: _whole,
    Kind.REAL: _real,
    Kind.FLAG: _flag,
    Kind.TIME: _time,
    Kind.ARRAY: _array,
}

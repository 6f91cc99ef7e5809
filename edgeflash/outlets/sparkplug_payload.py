"""The wire form of a Sparkplug B payload: what an edge node sends, and commands it is sent. Pure.

Protocol Buffers (proto2 wire format) by hand: of the message `Payload` of the Eclipse Sparkplug
specification 3.0.0, section 6.4, only the fields that we use. Field numbers from memory, and as the
independent decoder of tests/peers has them.

No UInt32: the specification's table carries it in `int_value`, much software in `long_value`.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum
from typing import TypeAlias

from edgeflash.errors import DeviceError
from edgeflash.outlets.values import microseconds_since_1970

LARGEST_PAYLOAD_BYTES = 64 * 1024
MOST_METRICS = 1000
"""A command beyond these is refused: nothing that may be asked of us needs so much."""

_MOST_VARINT_BYTES = 10


class DataType(IntEnum):
    """The data types we send (specification 6.4.16)."""

    INT32 = 3
    INT64 = 4
    UINT16 = 6
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATETIME = 13


MetricValue: TypeAlias = float | int | bool | str | datetime | None
"""None is sent as is_null. A datetime goes out as whole milliseconds."""


class PayloadError(DeviceError):
    """A received payload is not a Sparkplug payload, or too large for a command."""


@dataclass(frozen=True, slots=True)
class Property:
    """One property of a metric: key, type and value."""

    key: str
    datatype: DataType
    value: MetricValue


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric. name: None where the alias stands for it. datatype: how the value goes out.

    says_datatype: births say it; data messages leave it out.
    """

    name: str | None
    alias: int | None
    timestamp_ms: int
    datatype: DataType
    value: MetricValue
    properties: tuple[Property, ...] = ()
    is_historical: bool = False
    says_datatype: bool = True


@dataclass(frozen=True, slots=True)
class Payload:
    """One message's content. seq: None in a death of the node."""

    timestamp_ms: int | None
    metrics: tuple[Metric, ...]
    seq: int | None


@dataclass(frozen=True, slots=True)
class CommandMetric:
    """What a command says of one metric. value: None when null, absent or of a kind we do not read;
    numbers as they are on the wire, without sign."""

    name: str | None
    alias: int | None
    datatype: int | None
    value: float | int | bool | str | None


def milliseconds(moment: datetime) -> int:
    """Whole milliseconds from 1970 UTC to an aware time; 0 for what lies before."""
    return max(0, microseconds_since_1970(moment) // 1000)


def encode(payload: Payload) -> bytes:
    """The bytes of a payload. Raises ValueError when a value does not fit its data type."""
    out = bytearray()
    if payload.timestamp_ms is not None:
        _put_number(out, 1, payload.timestamp_ms)
    for metric in payload.metrics:
        _put_bytes(out, 2, _metric(metric))
    if payload.seq is not None:
        _put_number(out, 3, payload.seq)
    return bytes(out)


def _metric(metric: Metric) -> bytes:
    out = bytearray()
    if metric.name is not None:
        _put_bytes(out, 1, metric.name.encode())
    if metric.alias is not None:
        _put_number(out, 2, metric.alias)
    _put_number(out, 3, metric.timestamp_ms)
    if metric.says_datatype:
        _put_number(out, 4, metric.datatype)
    if metric.is_historical:
        _put_number(out, 5, 1)
    if metric.value is None:
        _put_number(out, 7, 1)
    if metric.properties:
        _put_bytes(out, 9, _property_set(metric.properties))
    if metric.value is not None:
        _put_value(out, 10, metric.datatype, metric.value)
    return bytes(out)


def _property_set(properties: tuple[Property, ...]) -> bytes:
    out = bytearray()
    for each in properties:
        _put_bytes(out, 1, each.key.encode())
    for each in properties:
        value = bytearray()
        _put_number(value, 1, each.datatype)
        if each.value is None:
            _put_number(value, 2, 1)
        else:
            _put_value(value, 3, each.datatype, each.value)
        _put_bytes(out, 2, bytes(value))
    return bytes(out)


_LIMITS: dict[DataType, tuple[int, int]] = {
    DataType.INT32: (-(2**31), 2**31 - 1),
    DataType.INT64: (-(2**63), 2**63 - 1),
    DataType.UINT16: (0, 2**16 - 1),
}


def _put_value(out: bytearray, first_field: int, datatype: DataType, value: MetricValue) -> None:
    """A value. first_field: number of `int_value`; the others follow in the same order in every
    message that has values: long, float, double, boolean, string."""
    match datatype, value:
        case DataType.BOOLEAN, bool():
            _put_number(out, first_field + 4, int(value))
        case ((DataType.INT32 | DataType.INT64 | DataType.UINT16), int()) if not isinstance(
            value, bool
        ):
            low, high = _LIMITS[datatype]
            if not low <= value <= high:
                raise ValueError(f"{value} does not fit {datatype.name}")
            is_long = datatype is DataType.INT64
            # Negative: the two's complement of 64 or 32 bits (specification 6.4.16).
            unsigned = value & (2**64 - 1 if is_long else 2**32 - 1)
            _put_number(out, first_field + is_long, unsigned)
        case DataType.DOUBLE, (float() | int()) if not isinstance(value, bool):
            _put_tag(out, first_field + 3, 1)
            out += struct.pack("<d", value)
        case DataType.STRING, str():
            _put_bytes(out, first_field + 5, value.encode(errors="replace"))
        case DataType.DATETIME, datetime():
            _put_number(out, first_field + 1, milliseconds(value))
        case _:
            raise ValueError(f"{value!r} is no {datatype.name}")


def _put_tag(out: bytearray, field: int, wire_type: int) -> None:
    _put_varint(out, field << 3 | wire_type)


def _put_number(out: bytearray, field: int, value: int) -> None:
    _put_tag(out, field, 0)
    _put_varint(out, value)


def _put_bytes(out: bytearray, field: int, value: bytes) -> None:
    _put_tag(out, field, 2)
    _put_varint(out, len(value))
    out += value


def _put_varint(out: bytearray, value: int) -> None:
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)


def decode_command(data: bytes) -> tuple[CommandMetric, ...]:
    """The metrics of a received payload; fields we do not know are passed over.

    Raises PayloadError when it is cut short, malformed or larger than a command may be.
    """
    if len(data) > LARGEST_PAYLOAD_BYTES:
        raise PayloadError(
            f"a payload of {len(data)} bytes; a command has at most {LARGEST_PAYLOAD_BYTES}"
        )
    metrics: list[CommandMetric] = []
    for field, value in _fields(data):
        if field == 2 and isinstance(value, bytes):
            if len(metrics) == MOST_METRICS:
                raise PayloadError(f"a command with more than {MOST_METRICS} metrics")
            metrics.append(_command_metric(value))
    return tuple(metrics)


def _command_metric(data: bytes) -> CommandMetric:
    name: str | None = None
    alias: int | None = None
    datatype: int | None = None
    value: float | int | bool | str | None = None
    for field, found in _fields(data):
        match field, found:
            case 1, bytes():
                name = _text(found)
            case 2, int():
                alias = found
            case 4, int():
                datatype = found
            case ((10 | 11), int()):
                value = found
            case 12, bytes() if len(found) == 4:
                (value,) = struct.unpack("<f", found)
            case 13, bytes() if len(found) == 8:
                (value,) = struct.unpack("<d", found)
            case 14, int():
                value = bool(found)
            case 15, bytes():
                value = _text(found)
    return CommandMetric(name, alias, datatype, value)


def _text(data: bytes) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        raise PayloadError("a text of a payload is not UTF-8") from error


def _fields(data: bytes) -> Iterator[tuple[int, int | bytes]]:
    """Every field: its number, and its number value, or its bytes as they are."""
    at = 0
    while at < len(data):
        tag, at = _varint(data, at)
        field, wire_type = tag >> 3, tag & 7
        if field == 0:
            raise PayloadError("a field of a payload has the number 0")
        if wire_type == 0:
            number, at = _varint(data, at)
            yield field, number
            continue
        match wire_type:
            case 1:
                length = 8
            case 2:
                length, at = _varint(data, at)
            case 5:
                length = 4
            case _:
                raise PayloadError(f"a field of a payload has the unknown wire type {wire_type}")
        if length > len(data) - at:
            raise PayloadError(f"a payload ends within field {field}")
        yield field, data[at : at + length]
        at += length


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for place in range(_MOST_VARINT_BYTES):
        if at + place >= len(data):
            raise PayloadError("a payload ends within a number")
        byte = data[at + place]
        value |= (byte & 0x7F) << 7 * place
        if byte < 0x80:
            if value >= 2**64:
                raise PayloadError("a number of a payload has more than 64 bits")
            return value, at + place + 1
    raise PayloadError("a number of a payload has more than 10 bytes")

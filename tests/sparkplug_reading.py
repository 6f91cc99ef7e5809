"""Reads Sparkplug payloads in tests, with no code of the gateway. Field numbers of the Sparkplug B
payload from memory; tests/peers reads the same messages with an independent program."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

SIGNED = {1: 32, 2: 32, 3: 32, 4: 64}
"""Bits of the data types with a sign."""


@dataclass
class ReadMetric:
    """One metric as received."""

    name: str | None = None
    alias: int | None = None
    timestamp: int | None = None
    datatype: int | None = None
    is_historical: bool = False
    is_null: bool = False
    value: Any = None
    value_field: int | None = None
    properties: dict[str, Any] = field(default_factory=dict)
    property_types: dict[str, int] = field(default_factory=dict)


@dataclass
class ReadPayload:
    """One payload as received."""

    timestamp: int | None = None
    seq: int | None = None
    metrics: list[ReadMetric] = field(default_factory=list)

    def named(self, name: str) -> ReadMetric:
        """The one metric of this name."""
        (found,) = (m for m in self.metrics if m.name == name)
        return found

    def aliased(self, alias: int) -> ReadMetric:
        """The one metric of this alias."""
        (found,) = (m for m in self.metrics if m.alias == alias)
        return found


def _number(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        value |= (data[at] & 127) << shift
        at, shift = at + 1, shift + 7
        if data[at - 1] < 128:
            return value, at


def _fields(data: bytes) -> Iterator[tuple[int, Any]]:
    at = 0
    while at < len(data):
        tag, at = _number(data, at)
        match tag & 7:
            case 0:
                value: Any
                value, at = _number(data, at)
            case 1:
                value, at = struct.unpack_from("<d", data, at)[0], at + 8
            case 2:
                length, at = _number(data, at)
                value, at = data[at : at + length], at + length
                assert len(value) == length
            case 5:
                value, at = struct.unpack_from("<f", data, at)[0], at + 4
            case wire_type:
                raise AssertionError(f"wire type {wire_type}")
        yield tag >> 3, value


def _typed(value: Any, datatype: int | None) -> Any:
    match datatype:
        case 11:
            return bool(value)
        case 12:
            return value.decode()
        case int() if datatype in SIGNED:
            bits = SIGNED[datatype]
            return value - 2**bits if value >= 2 ** (bits - 1) else value
    return value


def _properties(data: bytes) -> Iterator[tuple[str, int, Any]]:
    fields = list(_fields(data))
    keys = [value.decode() for number, value in fields if number == 1]
    values = [dict(_fields(value)) for number, value in fields if number == 2]
    for key, held in zip(keys, values, strict=True):
        value = next((v for n, v in held.items() if n >= 3), None)
        yield key, held[1], None if value is None else _typed(value, held[1])


def read(data: bytes) -> ReadPayload:
    """The payload. A value stands as on the wire when the message does not say its type."""
    payload = ReadPayload()
    for number, value in _fields(data):
        match number:
            case 1:
                payload.timestamp = value
            case 2:
                payload.metrics.append(_metric(value))
            case 3:
                payload.seq = value
            case _:
                raise AssertionError(f"field {number} of a payload")
    return payload


def _metric(data: bytes) -> ReadMetric:
    metric = ReadMetric()
    for number, value in _fields(data):
        match number:
            case 1:
                metric.name = value.decode()
            case 2:
                metric.alias = value
            case 3:
                metric.timestamp = value
            case 4:
                metric.datatype = value
            case 5:
                metric.is_historical = bool(value)
            case 7:
                metric.is_null = bool(value)
            case 9:
                for key, kind, held in _properties(value):
                    metric.properties[key], metric.property_types[key] = held, kind
            case _:
                metric.value_field, metric.value = number, value
    metric.value = None if metric.is_null else _typed(metric.value, metric.datatype)
    return metric


def with_datatype(metric: ReadMetric, datatype: int) -> Any:
    """A value as its type says, which a birth has told."""
    return None if metric.is_null else _typed(metric.value, datatype)

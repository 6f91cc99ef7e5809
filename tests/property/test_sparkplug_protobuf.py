"""Our wire form against google.protobuf, both ways: what we write it reads, what it writes we read.

The reference is the `protobuf` library with the schema of tests/sparkplug_schema.py.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.sparkplug_payload import (
    MOST_METRICS,
    CommandMetric,
    DataType,
    Metric,
    Payload,
    PayloadError,
    Property,
    decode_command,
    encode,
)

if os.environ.get("CI") != "true":
    pytest.importorskip("google.protobuf", reason="protobuf is of the dev extra")
from tests.sparkplug_schema import message

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
UINT64 = st.integers(0, 2**64 - 1)
TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=40)
NUMBERS = {
    DataType.INT32: st.integers(-(2**31), 2**31 - 1),
    DataType.INT64: st.integers(-(2**63), 2**63 - 1),
    DataType.UINT16: st.integers(0, 2**16 - 1),
    DataType.DOUBLE: st.floats(allow_nan=False),
    DataType.BOOLEAN: st.booleans(),
    DataType.STRING: TEXT,
    DataType.DATETIME: st.integers(0, 4_102_444_800_000).map(
        lambda ms: EPOCH + timedelta(milliseconds=ms)
    ),
}
FIELDS = {
    DataType.INT32: "int_value",
    DataType.INT64: "long_value",
    DataType.UINT16: "int_value",
    DataType.DOUBLE: "double_value",
    DataType.BOOLEAN: "boolean_value",
    DataType.STRING: "string_value",
    DataType.DATETIME: "long_value",
}
"""Which member of the oneof carries a type (specification 6.4.16, from memory)."""

TYPED = st.sampled_from(DataType).flatmap(
    lambda kind: st.tuples(st.just(kind), st.one_of(st.none(), NUMBERS[kind]))
)
PROPERTIES = st.builds(lambda key, typed: Property(key, *typed), TEXT, TYPED)
METRICS = st.builds(
    lambda name, alias, at_ms, typed, properties, old, says: Metric(
        name, alias, at_ms, *typed, tuple(properties), old, says
    ),
    st.one_of(st.none(), TEXT),
    st.one_of(st.none(), UINT64),
    UINT64,
    TYPED,
    st.lists(PROPERTIES, max_size=4),
    st.booleans(),
    st.booleans(),
)
PAYLOADS = st.builds(
    Payload,
    st.one_of(st.none(), UINT64),
    st.lists(METRICS, max_size=6).map(tuple),
    st.one_of(st.none(), st.integers(0, 255)),
)


def on_the_wire(kind: DataType, value: Any) -> Any:
    """A value as the unsigned number, or else, that the specification puts on the wire."""
    if isinstance(value, datetime):
        return (value - EPOCH) // timedelta(milliseconds=1)
    if kind in (DataType.INT32, DataType.INT64):
        return value % 2 ** (64 if kind is DataType.INT64 else 32)
    return value


def same(held: Any, kind: DataType, value: Any) -> None:
    """A message with a value holds this one, in the member of its type, and no other."""
    if value is None:
        assert held.is_null is True
        assert held.WhichOneof("value") is None
        return
    assert not held.HasField("is_null")
    assert held.WhichOneof("value") == FIELDS[kind]
    assert getattr(held, FIELDS[kind]) == on_the_wire(kind, value)


def given_or_absent(held: Any, field: str, value: Any) -> None:
    """The field has this value, or is not there for None."""
    assert held.HasField(field) == (value is not None)
    assert value is None or getattr(held, field) == value


def of_ours(data: bytes) -> Any:
    """A payload as the reference reads it; nothing in it is unknown to the schema."""
    theirs = message().FromString(data)
    known = message().FromString(data)
    known.DiscardUnknownFields()
    assert known.SerializeToString() == theirs.SerializeToString(), "a field that the schema lacks"
    return theirs


@given(PAYLOADS)
def test_what_we_write_the_reference_reads(payload: Payload) -> None:
    """Every field, every type, nulls, properties in their order."""
    theirs = of_ours(encode(payload))
    given_or_absent(theirs, "timestamp", payload.timestamp_ms)
    given_or_absent(theirs, "seq", payload.seq)
    assert len(theirs.metrics) == len(payload.metrics)
    for held, metric in zip(theirs.metrics, payload.metrics, strict=True):
        given_or_absent(held, "name", metric.name)
        given_or_absent(held, "alias", metric.alias)
        given_or_absent(held, "timestamp", metric.timestamp_ms)
        given_or_absent(held, "datatype", int(metric.datatype) if metric.says_datatype else None)
        given_or_absent(held, "is_historical", True if metric.is_historical else None)
        same(held, metric.datatype, metric.value)
        assert list(held.properties.keys) == [one.key for one in metric.properties]
        for told, one in zip(held.properties.values, metric.properties, strict=True):
            assert told.type == one.datatype
            same(told, one.datatype, one.value)


@given(PAYLOADS)
def test_our_bytes_are_those_of_the_reference(payload: Payload) -> None:
    """Its own writing of what it read: fields in the order of their numbers, shortest numbers.
    (Protocol Buffers promises no one order; this library writes by number, and so do we.)"""
    data = encode(payload)
    assert message().FromString(data).SerializeToString(deterministic=True) == data


COMMANDS = st.fixed_dictionaries(
    {},
    optional={
        "name": TEXT,
        "alias": UINT64,
        "timestamp": UINT64,
        "datatype": st.integers(0, 2**32 - 1),
        "is_historical": st.booleans(),
        "is_transient": st.booleans(),
        "is_null": st.booleans(),
    },
)
VALUES = st.one_of(
    st.none(),
    st.tuples(st.just("int_value"), st.integers(0, 2**32 - 1)),
    st.tuples(st.just("long_value"), UINT64),
    st.tuples(st.just("float_value"), st.floats(width=32, allow_nan=False)),
    st.tuples(st.just("double_value"), st.floats(allow_nan=False)),
    st.tuples(st.just("boolean_value"), st.booleans()),
    st.tuples(st.just("string_value"), TEXT),
    st.tuples(st.just("bytes_value"), st.binary(max_size=20)),
)


@given(st.lists(st.tuples(COMMANDS, VALUES), max_size=8), UINT64, st.binary(max_size=30))
def test_what_the_reference_writes_we_read(
    metrics: list[tuple[dict[str, Any], tuple[str, Any] | None]], at_ms: int, body: bytes
) -> None:
    """Commands as anybody may write them; what we do not read is passed over."""
    command = message()(timestamp=at_ms, seq=3, uuid="u", body=body)
    expected = []
    for fields, value in metrics:
        one = command.metrics.add(**fields)
        one.metadata.description = "a note"
        one.properties.keys.append("Quality")
        one.properties.values.add(type=3, int_value=192)
        if value is not None:
            setattr(one, *value)
        read = None if value is None or value[0] == "bytes_value" else value[1]
        told = (fields.get("name"), fields.get("alias"), fields.get("datatype"))
        expected.append(CommandMetric(*told, read))
    assert decode_command(command.SerializeToString()) == tuple(expected)


@given(st.binary(max_size=200))
def test_what_we_read_of_any_bytes_the_reference_reads_too(data: bytes) -> None:
    """Bytes at random: we never read a metric where the reference says there is no payload at all,
    and we fail in one way only."""
    try:
        ours = decode_command(data)
    except PayloadError:
        return
    try:
        theirs = message().FromString(data)
    except Exception:
        assert all(one.value is not True for one in ours), "a command out of broken bytes"
        return
    assert [m.name if m.HasField("name") else None for m in theirs.metrics] == [
        one.name for one in ours
    ]


def test_as_many_metrics_as_are_allowed() -> None:
    """One more is refused."""
    command = message()()
    for number in range(MOST_METRICS):
        command.metrics.add(alias=number)
    assert len(decode_command(command.SerializeToString())) == MOST_METRICS
    command.metrics.add(alias=0)
    with pytest.raises(PayloadError):
        decode_command(command.SerializeToString())

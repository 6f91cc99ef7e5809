"""The wire form of Sparkplug payloads.

Expected bytes are worked out by hand from the Protocol Buffers encoding (its published description)
and the field numbers of the Sparkplug B payload, from memory; an independent decoder reads what we
write in tests/peers/test_sparkplug_decodes.py.
"""

from __future__ import annotations

import struct
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.sparkplug_payload import (
    LARGEST_PAYLOAD_BYTES,
    MOST_METRICS,
    CommandMetric,
    DataType,
    Metric,
    MetricValue,
    Payload,
    PayloadError,
    Property,
    decode_command,
    encode,
    milliseconds,
)


def one(value: MetricValue, datatype: DataType, **more: object) -> Metric:
    """A metric with a name, at 1 ms."""
    fields: dict[str, object] = {"name": "m", "alias": None, "timestamp_ms": 1}
    return Metric(datatype=datatype, value=value, **(fields | more))  # type: ignore[arg-type]


def test_a_whole_payload_has_the_bytes_worked_out_by_hand() -> None:
    """Timestamp, one metric with everything but properties, sequence number."""
    metric = one(True, DataType.BOOLEAN, alias=300, is_historical=True)
    expected = bytes.fromhex(
        "08 96 01"  # timestamp 150: field 1, varint
        "12 0e"  # metrics: field 2, 14 bytes
        "0a 01 6d"  # name "m"
        "10 ac 02"  # alias 300
        "18 01"  # timestamp 1
        "20 0b"  # datatype 11
        "28 01"  # is_historical
        "70 01"  # boolean_value: field 14
        "18 07"  # seq 7: field 3
    )
    assert encode(Payload(150, (metric,), 7)) == expected


@pytest.mark.parametrize(
    ("value", "datatype", "field"),
    [
        (-1, DataType.INT32, "50 ff ff ff ff 0f"),  # 32 bits only, not ten bytes
        (-1, DataType.INT64, "58 ff ff ff ff ff ff ff ff ff 01"),
        (65535, DataType.UINT16, "50 ff ff 03"),
        (1.0, DataType.DOUBLE, "69 00 00 00 00 00 00 f0 3f"),  # IEEE 754, little end first
        ("°C", DataType.STRING, "7a 03 c2 b0 43"),
        (datetime(1970, 1, 1, 0, 0, 1, 2999, UTC), DataType.DATETIME, "58 ea 07"),  # 1002 ms
        (None, DataType.DOUBLE, "38 01"),
    ],
)
def test_each_data_type_goes_into_its_field(
    value: MetricValue, datatype: DataType, field: str
) -> None:
    """Of the oneof `value`, exactly the field of the data type; a null has is_null and no value."""
    encoded = encode(Payload(None, (one(value, datatype, says_datatype=False, name=None),), None))
    assert encoded[2:] == b"\x18\x01" + bytes.fromhex(field)


def test_properties_have_as_many_keys_as_values() -> None:
    """Keys first, then values in the same order."""
    properties = (
        Property("Quality", DataType.INT32, 192),
        Property("u", DataType.STRING, None),
    )
    metric = one(None, DataType.DOUBLE, name=None, says_datatype=False, properties=properties)
    expected = bytes.fromhex(
        "12 1f 18 01 38 01 4a 19"
        "0a 07 51 75 61 6c 69 74 79 0a 01 75"  # keys
        "12 05 08 03 18 c0 01 12 04 08 0c 10 01"  # values: type, then value or is_null
    )
    assert encode(Payload(None, (metric,), None)) == expected


@pytest.mark.parametrize(
    ("value", "datatype"),
    [
        (2**31, DataType.INT32),
        (2**63, DataType.INT64),
        (-1, DataType.UINT16),
        (65536, DataType.UINT16),
        (1.5, DataType.INT64),
        (True, DataType.INT64),
        (1, DataType.BOOLEAN),
        ("1", DataType.DOUBLE),
        (1, DataType.STRING),
        (1, DataType.DATETIME),
    ],
)
def test_a_value_that_does_not_fit_is_refused(value: MetricValue, datatype: DataType) -> None:
    """Never another number in its place."""
    with pytest.raises(ValueError, match=r"fit|is no"):
        encode(Payload(None, (one(value, datatype),), None))


VALUES = st.one_of(
    st.tuples(st.just(DataType.INT32), st.integers(0, 2**31 - 1)),
    st.tuples(st.just(DataType.INT64), st.integers(0, 2**63 - 1)),
    st.tuples(st.just(DataType.UINT16), st.integers(0, 2**16 - 1)),
    st.tuples(st.just(DataType.DOUBLE), st.floats(allow_nan=False)),
    st.tuples(st.just(DataType.BOOLEAN), st.booleans()),
    st.tuples(st.just(DataType.STRING), st.text(max_size=40)),
    st.tuples(st.just(DataType.STRING), st.none()),
)
METRICS = st.builds(
    lambda name, alias, at, typed, properties: Metric(
        name, alias, at, typed[0], typed[1], properties
    ),
    st.none() | st.text(max_size=20),
    st.none() | st.integers(0, 2**64 - 1),
    st.integers(0, 2**63 - 1),
    VALUES,
    st.lists(
        st.builds(lambda k, t: Property(k, t[0], t[1]), st.text(max_size=8), VALUES), max_size=3
    ).map(tuple),
)
PAYLOADS = st.builds(
    Payload,
    st.none() | st.integers(0, 2**63 - 1),
    st.lists(METRICS, max_size=5).map(tuple),
    st.none() | st.integers(0, 255),
)


@given(PAYLOADS)
def test_what_is_written_is_read_again(payload: Payload) -> None:
    """The reader of commands finds name, alias, type and value of every metric we can write."""
    assert decode_command(encode(payload)) == tuple(
        CommandMetric(m.name, m.alias, m.datatype, m.value) for m in payload.metrics
    )


@given(PAYLOADS, st.data())
def test_a_spoiled_payload_is_read_or_refused(payload: Payload, data: st.DataObject) -> None:
    """Cut short or with bytes changed: metrics or PayloadError, nothing else."""
    spoiled = bytearray(encode(payload))
    cut = data.draw(st.integers(0, len(spoiled)))
    del spoiled[cut:]
    for _ in range(data.draw(st.integers(0, 4))):
        if spoiled:
            spoiled[data.draw(st.integers(0, len(spoiled) - 1))] = data.draw(st.integers(0, 255))
    try:
        decode_command(bytes(spoiled))
    except PayloadError as refusal:
        assert str(refusal)


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    """As from a client that sends something else on our topic."""
    try:
        decode_command(data)
    except PayloadError as refusal:
        assert str(refusal)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"\x12", "within a number"),
        (b"\x12\x05\x0a", "ends within field 2"),
        (b"\x12\x02\x0a\x01", "ends within field 1"),
        (b"\x0d\x00", "ends within field 1"),
        (b"\x00\x01", "number 0"),
        (b"\x0b", "wire type 3"),
        (b"\x08" + b"\xff" * 10, "more than 10 bytes"),
        (b"\x08" + b"\xff" * 9 + b"\x7f", "more than 64 bits"),
        (b"\x12\x03\x0a\x01\xff", "not UTF-8"),
        (b"\x00" * (LARGEST_PAYLOAD_BYTES + 1), "at most"),
        (b"\x12\x00" * (MOST_METRICS + 1), "more than 1000 metrics"),
    ],
)
def test_a_malformed_payload_says_why(data: bytes, why: str) -> None:
    """Each way to be wrong has its own words."""
    with pytest.raises(PayloadError, match=why):
        decode_command(data)


def test_unknown_fields_are_passed_over() -> None:
    """A later version's fields, of every wire type, change nothing."""
    unknown = (
        b"\xa0\x06\x01"  # field 100, varint
        + b"\xa1\x06"
        + struct.pack("<d", 1.0)  # 64 bits
        + b"\xa2\x06\x03abc"  # bytes
        + b"\xa5\x06\x00\x00\x00\x00"  # 32 bits
    )
    metric = unknown + b"\x0a\x01m" + unknown + b"\x70\x01"
    data = unknown + b"\x12" + bytes([len(metric)]) + metric + unknown
    assert decode_command(data) == (CommandMetric("m", None, None, True),)


def test_milliseconds_never_go_below_zero() -> None:
    """The field has no sign; whole milliseconds, rounded down."""
    assert milliseconds(datetime(1969, 12, 31, tzinfo=UTC)) == 0
    assert milliseconds(datetime(2031, 4, 5, 6, 7, 8, 901999, UTC)) % 1000 == 901

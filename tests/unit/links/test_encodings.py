"""Words to values: every encoding and order, against struct, pymodbus and printed tables."""

from __future__ import annotations

import math
import struct
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from edgeflash.config.analyzer_map import FaultBit
from edgeflash.config.register_map import Encoding, Order, RolePlace, Table
from edgeflash.links.encodings import READERS, decode
from edgeflash.links.errors import DecodeError
from edgeflash.model import Phase, Role
from edgeflash.trust import Category

STRUCT_CODES = {
    Encoding.INT16: "h",
    Encoding.UINT16: "H",
    Encoding.INT32: "i",
    Encoding.UINT32: "I",
    Encoding.INT64: "q",
    Encoding.UINT64: "Q",
    Encoding.FLOAT32: "f",
    Encoding.FLOAT64: "d",
}


def place(encoding: Encoding, **more: Any) -> RolePlace:
    return RolePlace(**{"table": Table.INPUT, "address": 10, "type": encoding, **more})


def words_of(data: bytes) -> list[int]:
    return list(struct.unpack(f">{len(data) // 2}H", data))


def on_the_wire(big_endian: bytes, order: Order) -> list[int]:
    """The registers of a value in an order, letter by letter: an encoder apart from the decoder."""
    pairs = [big_endian[i : i + 2] for i in range(0, len(big_endian), 2)]
    if order in (Order.CDAB, Order.DCBA):
        pairs.reverse()
    if order in (Order.BADC, Order.DCBA):
        pairs = [bytes([pair[1], pair[0]]) for pair in pairs]
    return words_of(b"".join(pairs))


@pytest.mark.parametrize(
    ("value", "abcd", "cdab", "badc", "dcba"),
    [
        # Bit patterns: IEEE 754 binary32, computed with a second tool.
        (62.5, "427A0000", "0000427A", "7A420000", "00007A42"),
        (-12.25, "C1440000", "0000C144", "44C10000", "000044C1"),
        (140.5, "430C8000", "8000430C", "0C430080", "00800C43"),
        (123.456, "42F6E979", "E97942F6", "F64279E9", "79E9F642"),
    ],
)
def test_float32_is_read_in_all_four_orders(
    value: float, abcd: str, cdab: str, badc: str, dcba: str
) -> None:
    """Each order of the map reads the same float, as default and as the role's own order."""
    for order, wire in zip(Order, (abcd, cdab, badc, dcba), strict=True):
        words = words_of(bytes.fromhex(wire))
        by_default = decode(Role.FLASH_POINT, place(Encoding.FLOAT32), words, order)
        other = Order.DCBA if order is Order.ABCD else Order.ABCD
        by_role = decode(Role.FLASH_POINT, place(Encoding.FLOAT32, order=order), words, other)
        assert pytest.approx(value, rel=1e-7) == by_default
        assert by_role == by_default


def test_scaled_int16() -> None:
    """0xFF85 is −123; with scale 0.1 that is −12.3 °C."""
    where = place(Encoding.INT16, scale=0.1, unit="degC")
    assert pytest.approx(-12.3) == decode(Role.FLASH_POINT, where, [0xFF85], Order.ABCD)


@pytest.mark.parametrize("encoding", list(STRUCT_CODES))
@given(data=st.binary(min_size=8, max_size=8), order=st.sampled_from(list(Order)))
def test_numbers_agree_with_struct(encoding: Encoding, data: bytes, order: Order) -> None:
    """Any bit pattern in any order reads as Python's struct reads it; NaN and ∞ read as None."""
    code = STRUCT_CODES[encoding]
    big_endian = data[: struct.calcsize(f">{code}")]
    expected = struct.unpack(f">{code}", big_endian)[0]
    words = on_the_wire(big_endian, order)
    got = decode(Role.SPARK_COUNT, place(encoding, order=order), words, Order.ABCD)
    if math.isfinite(expected):
        assert expected == got
        assert type(expected) is type(got)
    else:
        assert got is None


@given(words=st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4))
def test_numbers_agree_with_pymodbus(words: list[int]) -> None:
    """pymodbus knows the two word orders; it and we read the same numbers."""
    kinds = ModbusClientMixin.DATATYPE
    for encoding, kind in (
        (Encoding.INT16, kinds.INT16),
        (Encoding.UINT16, kinds.UINT16),
        (Encoding.INT32, kinds.INT32),
        (Encoding.UINT32, kinds.UINT32),
        (Encoding.INT64, kinds.INT64),
        (Encoding.UINT64, kinds.UINT64),
        (Encoding.FLOAT32, kinds.FLOAT32),
        (Encoding.FLOAT64, kinds.FLOAT64),
    ):
        here = words[: place(encoding).element_registers]
        for order in (Order.ABCD, Order.CDAB):
            expected = ModbusClientMixin.convert_from_registers(
                here, kind, word_order="big" if order is Order.ABCD else "little"
            )
            assert isinstance(expected, int | float)
            got = decode(Role.SPARK_COUNT, place(encoding), here, order)
            assert (expected if math.isfinite(expected) else None) == got


def test_every_encoding_has_a_reader() -> None:
    """The table of readers and the list of encodings are one."""
    assert set(Encoding) == set(READERS)


def test_default_order_leaves_single_registers_alone() -> None:
    """A map's order is for values of several registers; only a role's own order swaps one."""
    for order in Order:
        assert decode(Role.ALIVE, place(Encoding.UINT16), [0x0102], order) == 0x0102
    own = place(Encoding.UINT16, order=Order.BADC)
    assert decode(Role.ALIVE, own, [0x0102], Order.ABCD) == 0x0201


@pytest.mark.parametrize(
    ("encoding", "words", "expected"),
    [
        (Encoding.BCD16, [0x0625], 625),
        (Encoding.BCD16, [0x9999], 9999),
        (Encoding.BCD32, [0x0012, 0x3456], 123456),
    ],
)
def test_bcd(encoding: Encoding, words: list[int], expected: int) -> None:
    """Each nibble is one decimal digit."""
    assert expected == decode(Role.SPARK_COUNT, place(encoding), words, Order.ABCD)


@given(value=st.integers(0, 99_999_999), order=st.sampled_from(list(Order)))
def test_bcd32_round_trip(value: int, order: Order) -> None:
    """Eight digits written as BCD come back, in every order."""
    words = on_the_wire(bytes.fromhex(f"{value:08d}"), order)
    assert value == decode(Role.SPARK_COUNT, place(Encoding.BCD32), words, order)


def test_bcd_with_a_wrong_nibble_is_an_error_that_names_role_and_address() -> None:
    """A is no decimal digit; but a pattern the map lists as unavailable is no error."""
    with pytest.raises(DecodeError, match=r"spark_count at 10: 0x06a5 is not BCD"):
        decode(Role.SPARK_COUNT, place(Encoding.BCD16), [0x06A5], Order.ABCD)
    listed = place(Encoding.BCD16, unavailable=(0xFFFF,))
    assert decode(Role.SPARK_COUNT, listed, [0xFFFF], Order.ABCD) is None


def test_bool_from_register_bit_and_coil() -> None:
    """A bit of a register, a whole register, and a coil."""
    for bit in range(16):
        where = place(Encoding.BOOL, bit=bit)
        assert decode(Role.IGNITION_SEEN, where, [1 << bit], Order.ABCD) is True
        assert decode(Role.IGNITION_SEEN, where, [0xFFFF ^ (1 << bit)], Order.ABCD) is False
    whole = place(Encoding.BOOL)
    assert decode(Role.IGNITION_SEEN, whole, [2], Order.ABCD) is True
    coil = place(Encoding.BOOL, table=Table.COIL)
    assert decode(Role.IGNITION_SEEN, coil, [1], Order.DCBA) is True
    assert decode(Role.IGNITION_SEEN, coil, [0], Order.DCBA) is False


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"JET A1  ", "JET A1"),
        (b"DIESEL\0\0", "DIESEL"),
        (b"AB\0\x7fold!", "AB"),
        (b"\0\0  \0\0\0\0", ""),
        (b"Caf\xe9    ", "Café"),
        ("Süd".encode() + b"\0\0\0\0", "Süd"),
    ],
)
def test_strings_are_trimmed(data: bytes, expected: str) -> None:
    """NULs and spaces around the text go, and what follows a NUL was never the text."""
    where = place(Encoding.STRING, length=4)
    for default in Order:
        assert expected == decode(Role.STREAM, where, words_of(data), default)


def test_string_with_swapped_characters() -> None:
    """A role's own badc or dcba swaps the characters of each register, never the registers."""
    words = words_of(b"EJ T1A\0\0")
    for order in (Order.BADC, Order.DCBA):
        where = place(Encoding.STRING, length=4, order=order)
        assert decode(Role.STREAM, where, words, Order.ABCD) == "JET A1"


def test_split_time() -> None:
    """Parts in the order the map lists them make a UTC time; no date makes None."""
    parts = ("year", "month", "day", "hour", "minute", "second")
    where = place(Encoding.SPLIT_TIME, parts=parts)
    time = decode(Role.RESULT_TIME, where, [2026, 2, 28, 23, 59, 58], Order.DCBA)
    assert datetime(2026, 2, 28, 23, 59, 58, tzinfo=UTC) == time
    for wrong in ([0] * 6, [2026, 2, 30, 0, 0, 0], [2026, 1, 1, 24, 0, 0], [0xFFFF] * 6):
        assert decode(Role.RESULT_TIME, where, wrong, Order.ABCD) is None
    short = place(Encoding.SPLIT_TIME, parts=("day", "month", "year_from_2000", "hour"))
    time = decode(Role.RESULT_TIME, short, [3, 4, 26, 5], Order.ABCD)
    assert datetime(2026, 4, 3, 5, tzinfo=UTC) == time


@given(seconds=st.integers(1, 2**32 - 1), ms=st.integers(0, 999))
def test_epoch_times(seconds: int, ms: int) -> None:
    """Seconds and milliseconds since 1970, against the standard library."""
    expected = datetime.fromtimestamp(seconds, UTC)
    words = words_of(seconds.to_bytes(4, "big"))
    in_s = place(Encoding.UINT32, unit="epoch_s")
    assert expected == decode(Role.RESULT_TIME, in_s, words, Order.ABCD)
    words = words_of((seconds * 1000 + ms).to_bytes(8, "big"))
    in_ms = place(Encoding.UINT64, unit="epoch_ms")
    expected += timedelta(milliseconds=ms)
    assert expected == decode(Role.RESULT_TIME, in_ms, words, Order.ABCD)


def test_times_that_are_none() -> None:
    """A time of 0 was never set, a negative one is none, and year 10000 is past the calendar."""
    where = place(Encoding.INT64, unit="epoch_s")
    for seconds in (0, -1, 253_402_300_800, 2**62):
        words = words_of(seconds.to_bytes(8, "big", signed=True))
        assert decode(Role.RESULT_TIME, where, words, Order.ABCD) is None


@pytest.mark.parametrize(
    ("encoding", "unavailable", "words"),
    [
        (Encoding.INT16, 0x7FFF, [0x7FFF]),
        (Encoding.INT16, 0x8000, [0x8000]),
        (Encoding.INT16, -32768, [0x8000]),
        (Encoding.INT16, -9999, words_of(struct.pack(">h", -9999))),
        (Encoding.UINT16, 0xFFFF, [0xFFFF]),
        (Encoding.INT32, 0x8000_0000, [0x8000, 0]),
        (Encoding.INT64, 0x7FFF_FFFF_FFFF_FFFF, [0x7FFF, 0xFFFF, 0xFFFF, 0xFFFF]),
        (Encoding.FLOAT32, -9999.0, words_of(struct.pack(">f", -9999.0))),
        (Encoding.FLOAT32, -999.9, words_of(struct.pack(">f", -999.9))),
        (Encoding.FLOAT32, 1e300, [0x7FC0, 0]),
        (Encoding.FLOAT64, -999.9, words_of(struct.pack(">d", -999.9))),
        (Encoding.FLOAT32, "nan", [0x7FC0, 0]),
        (Encoding.FLOAT32, "nan", [0xFF80, 0]),
    ],
)
def test_sentinels(encoding: Encoding, unavailable: float | str, words: list[int]) -> None:
    """The map's sentinels are compared with the raw value, before scale, offset and unit."""
    where = place(encoding, unavailable=(unavailable,), scale=0.5, offset=3.0, unit="degF")
    assert decode(Role.FLASH_POINT, where, words, Order.ABCD) is None
    near = [*words[:-1], words[-1] ^ 0x0800]
    if words not in ([0x7FC0, 0], [0xFF80, 0]):
        assert decode(Role.FLASH_POINT, where, near, Order.ABCD) is not None


def test_scale_comes_before_the_unit() -> None:
    """1436 tenths of a °F are 143.6 °F are 62 °C (72 °F above freezing is 40 °C, twice)."""
    where = place(Encoding.INT16, scale=0.1, unit="degF")
    assert pytest.approx(62.0) == decode(Role.FLASH_POINT, where, [1436], Order.ABCD)
    shifted = place(Encoding.UINT16, scale=0.1, offset=-50.0, unit="degC")
    assert pytest.approx(12.5) == decode(Role.FLASH_POINT, shifted, [625], Order.ABCD)
    mmhg = place(Encoding.UINT16, unit="mmHg")
    # 760 mmHg is one standard atmosphere, 101.325 kPa (NIST SP 811, B.8).
    assert pytest.approx(101.325, rel=1e-6) == decode(
        Role.BAROMETRIC_PRESSURE, mmhg, [760], Order.ABCD
    )


def test_overflow_by_scale_is_not_available() -> None:
    """A finite raw value that the scale drives to infinity is not a number to publish."""
    where = place(Encoding.FLOAT64, scale=1e10)
    words = words_of(struct.pack(">d", 1e308))
    assert decode(Role.FLASH_POINT, where, words, Order.ABCD) is None


def test_phase_and_fault_bits() -> None:
    """Phase values by the map's table, unknown ones None; set bits by name, lowest bit first."""
    phase = place(Encoding.UINT16, values={0: Phase.IDLE, 3: Phase.HEAT})
    assert decode(Role.PHASE, phase, [3], Order.ABCD) is Phase.HEAT
    assert decode(Role.PHASE, phase, [9], Order.ABCD) is None
    bits = {
        17: FaultBit(name="late", category=Category.MAINTENANCE_REQUIRED),
        0: FaultBit(name="heater_fault", category=Category.FAILURE),
        2: FaultBit(name="flow_low", category=Category.OUT_OF_SPECIFICATION),
    }
    faults = place(Encoding.UINT32, bits=bits)
    assert decode(Role.FAULT_BITS, faults, [2, 0b101], Order.ABCD) == (
        "heater_fault",
        "flow_low",
        "late",
    )
    assert decode(Role.FAULT_BITS, faults, [0, 0b1010], Order.ABCD) == ()


@given(
    values=st.lists(st.integers(-(2**15), 2**15 - 1), min_size=1, max_size=20),
    spare=st.integers(0, 5),
)
def test_arrays_with_stride(values: list[int], spare: int) -> None:
    """Elements stand `stride` registers apart; what lies between is not looked at."""
    stride = 1 + spare
    where = place(Encoding.INT16, count=len(values), stride=stride, scale=0.5)
    words = [0xDEAD] * where.span_registers
    words[::stride] = [v & 0xFFFF for v in values]
    assert [v * 0.5 for v in values] == decode(Role.TRACE_TEMPERATURE, where, words, Order.CDAB)


def test_arrays_of_floats_times_and_gaps() -> None:
    """An array element may be of any encoding, and each may be unavailable by itself."""
    where = place(Encoding.FLOAT32, count=3)
    words = [*words_of(struct.pack(">f", 62.5)), 0x7FC0, 0, *words_of(struct.pack(">f", -12.25))]
    assert decode(Role.RECENT_FLASH_POINT, where, words, Order.ABCD) == [62.5, None, -12.25]
    parts = ("year", "month", "day")
    times = place(Encoding.SPLIT_TIME, parts=parts, count=2, stride=4)
    assert decode(Role.RECENT_TIME, times, [2026, 5, 1, 7, 0, 0, 0], Order.ABCD) == [
        datetime(2026, 5, 1, tzinfo=UTC),
        None,
    ]
    assert decode(Role.RECENT_NUMBER, place(Encoding.UINT16, count=1), [7], Order.ABCD) == [7]


def test_too_few_words_are_refused() -> None:
    """A value is never made of half its registers."""
    with pytest.raises(DecodeError, match="needs 2 words, got 1"):
        decode(Role.FLASH_POINT, place(Encoding.FLOAT32), [1], Order.ABCD)


@given(data=st.data())
def test_an_array_decodes_as_its_elements_do(data: st.DataObject) -> None:
    """All at once, with stride, scale, unit and sentinels: the values of one-by-one decoding."""
    encoding = data.draw(st.sampled_from(sorted(STRUCT_CODES)))
    order = data.draw(st.sampled_from(list(Order)))
    size = struct.calcsize(STRUCT_CODES[encoding]) // 2
    stride = size + data.draw(st.integers(0, 3))
    count = data.draw(st.integers(1, 6))
    length = (count - 1) * stride + size
    words = data.draw(st.lists(st.integers(0, 65_535), min_size=length, max_size=length))
    more = data.draw(
        st.sampled_from(
            [
                {},
                {"scale": 0.01, "unit": "degF"},
                {"unavailable": (0, -1)},
                {"scale": 1e300, "offset": 5.0},
            ]
        )
    )
    if encoding in (Encoding.UINT16, Encoding.UINT32, Encoding.UINT64) and "unavailable" in more:
        more = {"unavailable": (0,)}
    array = place(encoding, order=order, count=count, stride=stride, **more)
    single = place(encoding, order=order, **more)
    role = Role.TRACE_TEMPERATURE
    expected = [
        decode(role, single, words[k * stride : k * stride + size], Order.ABCD)
        for k in range(count)
    ]
    assert decode(role, array, words, Order.ABCD) == expected

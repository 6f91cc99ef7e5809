"""Framing and answers against the protocol's own examples, and every function code.

Source of the examples: Modbus application protocol V1.1b3, 6.1 to 6.4 and 7 (from memory).
"""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.modbus_image import RegisterImage
from edgeflash.outlets.modbus_protocol import (
    Frame,
    FrameError,
    answer,
    next_frame,
    response,
)
from edgeflash.points import BLOCK_REGISTERS


def _image(registers: dict[int, int], bits: dict[int, bool] | None = None) -> RegisterImage:
    """Analyzer 1's block with these registers and bits, all else 0."""
    block = bytearray(2 * BLOCK_REGISTERS)
    for address, value in registers.items():
        struct.pack_into(">H", block, 2 * address, value)
    flags = sum(1 << address for address, is_set in (bits or {}).items() if is_set)
    return RegisterImage({1: bytes(block)}, {1: flags})


EMPTY = _image({})


def test_read_holding_registers_example() -> None:
    """6.3: three registers from 0x006B hold 0x022B, 0x0000, 0x0064."""
    image = _image({0x6B: 0x022B, 0x6C: 0, 0x6D: 0x64})
    assert answer(bytes.fromhex("03006B0003"), image).hex().upper() == "0306022B00000064"


def test_read_input_registers_example() -> None:
    """6.4: one register at 0x0008 holds 0x000A."""
    image = _image({8: 10})
    assert answer(bytes.fromhex("0400080001"), image).hex().upper() == "0402000A"


def test_read_coils_example() -> None:
    """6.1: coils 20 to 38, 19 of them from 0x0013, answered CD 6B 05."""
    sent = "1011001111010110101"  # CD 6B 05, low bit first, the last five bits padded away
    bits = {0x13 + place: bit == "1" for place, bit in enumerate(sent)}
    pdu = answer(bytes.fromhex("0100130013"), _image({}, bits))
    assert pdu.hex().upper() == "0103CD6B05"


def test_read_discrete_inputs_example() -> None:
    """6.2: inputs 197 to 218, 22 of them from 0x00C4, answered AC DB 35."""
    sent = "0011010111011011101011"  # AC DB 35, low bit first
    first = {0xC4 + place: bit == "1" for place, bit in enumerate(sent)}
    flags = {1: 0, 2: 0}
    for address, is_set in first.items():
        if is_set:
            flags[address // BLOCK_REGISTERS + 1] |= 1 << (address % BLOCK_REGISTERS)
    blocks = dict.fromkeys(flags, bytes(2 * BLOCK_REGISTERS))
    pdu = answer(bytes.fromhex("0200C40016"), RegisterImage(blocks, flags))
    assert pdu.hex().upper() == "0203ACDB35"


def test_whole_frame_is_echoed_in_its_header() -> None:
    """Transaction 1, unit 0x11: header echoed, length = unit + PDU (4.1 of the TCP guide)."""
    frame = next_frame(bytes.fromhex("00010000000611 03006B0003"))
    assert frame == Frame(1, 0x11, bytes.fromhex("03006B0003"))
    assert frame.size == 12
    image = _image({0x6B: 0x022B, 0x6D: 0x64})
    assert response(frame, image).hex().upper() == "00010000000911" + "0306022B00000064"


@pytest.mark.parametrize("unit", [0, 1, 17, 247, 255])
def test_any_unit_is_answered_in_its_own_name(unit: int) -> None:
    """The server is the device whatever unit it is called by, 0 and 255 included."""
    assert response(Frame(7, unit, bytes.fromhex("0300000001")), EMPTY)[6] == unit


@pytest.mark.parametrize("function", range(256))
def test_every_function_code(function: int) -> None:
    """Only 1 to 4 are answered; all others, writes first of all, get exception 01 (7)."""
    pdu = answer(bytes([function]) + bytes.fromhex("00000001"), EMPTY)
    if function in (1, 2):
        assert pdu == bytes([function, 1, 0])
    elif function in (3, 4):
        assert pdu == bytes([function, 2, 0, 0])
    else:
        assert pdu == bytes([function | 0x80, 1])


WRITES = [
    "050005FF00",  # single coil
    "0600010003",  # 6.6: single register
    "0F0013000A02CD01",  # multiple coils
    "100001000204000A0102",  # 6.12: multiple registers
    "16000400F20025",  # mask
    "170003000600 0E00030600FF00FF00FF",  # read and write
]


@pytest.mark.parametrize("write", WRITES)
def test_writes_are_an_illegal_function(write: str) -> None:
    """No write changes anything: exception 01."""
    pdu = bytes.fromhex(write)
    assert answer(pdu, EMPTY) == bytes([pdu[0] | 0x80, 1])


@pytest.mark.parametrize(
    ("function", "count", "code"),
    [
        *((function, count, 3) for function in (3, 4) for count in (0, 126, 65535)),
        *((function, count, 3) for function in (1, 2) for count in (0, 2001, 65535)),
        *((function, count, None) for function in (3, 4) for count in (1, 125)),
        *((function, count, None) for function in (1, 2) for count in (1, 200)),
    ],
)
def test_quantities(function: int, count: int, code: int | None) -> None:
    """1..125 registers (6.3, 6.4), 1..2000 bits (6.1, 6.2); else exception 03."""
    pdu = answer(struct.pack(">BHH", function, 0, count), EMPTY)
    if code is None:
        assert pdu[0] == function
        assert len(pdu) == 2 + pdu[1]
    else:
        assert pdu == bytes([function | 0x80, code])


def test_two_thousand_bits_are_250_bytes() -> None:
    """The most that one answer holds."""
    image = RegisterImage(dict.fromkeys(range(1, 11), b""), dict.fromkeys(range(1, 11), 0))
    pdu = answer(struct.pack(">BHH", 1, 0, 2000), image)
    assert pdu == bytes([1, 250]) + bytes(250)


@pytest.mark.parametrize("function", [1, 2, 3, 4])
@pytest.mark.parametrize(("address", "count"), [(199, 2), (200, 1), (65535, 1), (65535, 125)])
def test_addresses_outside(function: int, address: int, count: int) -> None:
    """Any register that does not exist, also past 65535, is exception 02."""
    pdu = answer(struct.pack(">BHH", function, address, count), EMPTY)
    assert pdu == bytes([function | 0x80, 2])


def test_the_quantity_is_checked_before_the_address() -> None:
    """The order of the flow charts of 6.1 to 6.4."""
    assert answer(struct.pack(">BHH", 3, 5000, 126), EMPTY) == bytes([0x83, 3])


@pytest.mark.parametrize("pdu", ["03", "030000", "0300000001FF"])
def test_a_request_of_the_wrong_length(pdu: str) -> None:
    """Too short or too long for its function: exception 03."""
    assert answer(bytes.fromhex(pdu), EMPTY) == bytes([0x83, 3])


def test_frames_are_found_byte_by_byte() -> None:
    """No byte short of a whole frame gives one; bytes after it do not matter."""
    whole = bytes.fromhex("000100000006110300000001")
    for size in range(len(whole)):
        assert next_frame(whole[:size]) is None
    assert next_frame(whole + b"\x00\x02\xff") == Frame(1, 0x11, bytes.fromhex("0300000001"))


@pytest.mark.parametrize(
    "start", ["00010001", "0001FFFF0006", "000100000000", "000100000001", "0001000000FF"]
)
def test_frames_that_cannot_be(start: str) -> None:
    """Another protocol, no room for a function, or a PDU above 253 bytes: not Modbus TCP."""
    with pytest.raises(FrameError):
        next_frame(bytes.fromhex(start))


def test_the_longest_frame_is_taken() -> None:
    """A PDU of 253 bytes, 260 in all."""
    frame = next_frame(bytes.fromhex("0001000000FE01") + bytes([16]) + bytes(252))
    assert frame is not None
    assert frame.size == 260


@given(st.binary(max_size=300))
def test_random_bytes_never_surprise(data: bytes) -> None:
    """Any bytes give a frame, a wait or a FrameError, and any frame gives a valid answer."""
    try:
        frame = next_frame(data)
    except FrameError:
        return
    if frame is None:
        return
    sent = response(frame, EMPTY)
    transaction, protocol, length, unit = struct.unpack_from(">HHHB", sent)
    assert (transaction, protocol, unit) == (frame.transaction, 0, frame.unit)
    assert length == len(sent) - 6
    assert len(sent) <= 260
    assert sent[7] & 0x7F == frame.pdu[0] & 0x7F

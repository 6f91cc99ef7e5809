"""Modbus TCP as a read-only server speaks it: framing and answers. Pure.

Source: Modbus application protocol V1.1b3 (4.1, 6.1 to 6.4, 7) and Modbus messaging on TCP/IP
implementation guide V1.0b (3.1.3), both from memory.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from edgeflash.errors import EdgeflashError
from edgeflash.outlets.modbus_image import RegisterImage

HEADER_BYTES = 7
LONGEST_PDU = 253
LONGEST_FRAME = HEADER_BYTES + LONGEST_PDU
MOST_REGISTERS = 125
MOST_BITS = 2000

READ_COILS = 1
READ_DISCRETE_INPUTS = 2
READ_HOLDING_REGISTERS = 3
READ_INPUT_REGISTERS = 4
_BIT_READS = (READ_COILS, READ_DISCRETE_INPUTS)
_REGISTER_READS = (READ_HOLDING_REGISTERS, READ_INPUT_REGISTERS)

ILLEGAL_FUNCTION = 1
ILLEGAL_DATA_ADDRESS = 2
ILLEGAL_DATA_VALUE = 3


class FrameError(EdgeflashError):
    """The bytes are not Modbus TCP: where the next frame starts is unknown, so close."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One request: transaction and unit to be echoed, and the protocol data unit."""

    transaction: int
    unit: int
    pdu: bytes

    @property
    def size(self) -> int:
        """Bytes of the whole frame."""
        return HEADER_BYTES + len(self.pdu)


def next_frame(data: bytes | bytearray | memoryview) -> Frame | None:
    """The frame at the start of `data`, or None while it is incomplete.

    Raises FrameError for a protocol other than 0 or a length no request can have; both as soon as
    the bytes that show it are there.
    """
    if len(data) >= 4 and bytes(data[2:4]) != b"\x00\x00":
        raise FrameError("protocol identifier is not 0")
    if len(data) < HEADER_BYTES - 1:
        return None
    transaction, _, length = struct.unpack_from(">HHH", data)
    if not 2 <= length <= LONGEST_PDU + 1:
        raise FrameError(f"length {length} is not 2..{LONGEST_PDU + 1}")
    if len(data) < HEADER_BYTES - 1 + length:
        return None
    end = HEADER_BYTES - 1 + length
    return Frame(transaction, data[HEADER_BYTES - 1], bytes(data[HEADER_BYTES:end]))


def response(frame: Frame, image: RegisterImage) -> bytes:
    """The whole answer to a request, from one image. Any unit is answered, in its own name."""
    pdu = answer(frame.pdu, image)
    return struct.pack(">HHHB", frame.transaction, 0, len(pdu) + 1, frame.unit) + pdu


def answer(pdu: bytes, image: RegisterImage) -> bytes:
    """The answer to one request's protocol data unit: data, or an exception.

    Functions 1 and 2 read the same bits, 3 and 4 the same registers. Everything else, writes
    first of all, is an illegal function. Checked in the order function, quantity, address.
    """
    function = pdu[0]
    if function not in _BIT_READS and function not in _REGISTER_READS:
        return _exception(function, ILLEGAL_FUNCTION)
    if len(pdu) != 5:
        return _exception(function, ILLEGAL_DATA_VALUE)
    address, count = struct.unpack_from(">HH", pdu, 1)
    of_bits = function in _BIT_READS
    if not 1 <= count <= (MOST_BITS if of_bits else MOST_REGISTERS):
        return _exception(function, ILLEGAL_DATA_VALUE)
    data = image.bits(address, count) if of_bits else image.registers(address, count)
    if data is None:
        return _exception(function, ILLEGAL_DATA_ADDRESS)
    return bytes((function, len(data))) + data


def _exception(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))

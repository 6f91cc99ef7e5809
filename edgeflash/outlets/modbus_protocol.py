"""Modbus TCP as our server speaks it: framing and answers. Pure, but for the writes it hands on.

Source: Modbus application protocol V1.1b3 (4.1, 6.1 to 6.4, 6.6, 6.12, 7) and Modbus messaging on
TCP/IP implementation guide V1.0b (3.1.3), both from memory.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from edgeflash.errors import EdgeflashError
from edgeflash.outlets.modbus_image import RegisterImage
from edgeflash.outlets.modbus_inputs import FIRST_ADDRESS, InputRegisters

HEADER_BYTES = 7
LONGEST_PDU = 253
LONGEST_FRAME = HEADER_BYTES + LONGEST_PDU
MOST_REGISTERS = 125
MOST_BITS = 2000
MOST_WRITTEN = 123

READ_COILS = 1
READ_DISCRETE_INPUTS = 2
READ_HOLDING_REGISTERS = 3
READ_INPUT_REGISTERS = 4
WRITE_SINGLE_REGISTER = 6
WRITE_MULTIPLE_REGISTERS = 16
_BIT_READS = (READ_COILS, READ_DISCRETE_INPUTS)
_REGISTER_READS = (READ_HOLDING_REGISTERS, READ_INPUT_REGISTERS)
_WRITES = (WRITE_SINGLE_REGISTER, WRITE_MULTIPLE_REGISTERS)

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


def response(
    frame: Frame, image: RegisterImage, inputs: InputRegisters | None = None, source: str = ""
) -> bytes:
    """The whole answer to a request, from one image. Any unit is answered, in its own name."""
    pdu = answer(frame.pdu, image, inputs, source)
    return struct.pack(">HHHB", frame.transaction, 0, len(pdu) + 1, frame.unit) + pdu


def answer(
    pdu: bytes, image: RegisterImage, inputs: InputRegisters | None = None, source: str = ""
) -> bytes:
    """The answer to one request's protocol data unit: data, or an exception.

    Functions 1 and 2 read the same bits, 3 and 4 the same registers. Functions 6 and 16 write
    where the inputs accept it; source is the writer's name. Everything else is an illegal
    function. Checked in the order function, quantity, address.
    """
    function = pdu[0]
    if function in _WRITES and inputs is not None and inputs.accepts:
        return _write(pdu, inputs, source)
    if function not in _BIT_READS and function not in _REGISTER_READS:
        return _exception(function, ILLEGAL_FUNCTION)
    if len(pdu) != 5:
        return _exception(function, ILLEGAL_DATA_VALUE)
    address, count = struct.unpack_from(">HH", pdu, 1)
    of_bits = function in _BIT_READS
    if not 1 <= count <= (MOST_BITS if of_bits else MOST_REGISTERS):
        return _exception(function, ILLEGAL_DATA_VALUE)
    if of_bits:
        data = image.bits(address, count)
    elif inputs is not None and address >= FIRST_ADDRESS:
        data = inputs.read(address, count)
    else:
        data = image.registers(address, count)
    if data is None:
        return _exception(function, ILLEGAL_DATA_ADDRESS)
    return bytes((function, len(data))) + data


def _write(pdu: bytes, inputs: InputRegisters, source: str) -> bytes:
    """Writes and answers; nothing is written when the answer is an exception (6.6, 6.12)."""
    function, at = pdu[0], 3
    if function == WRITE_MULTIPLE_REGISTERS:
        at = 6
        count = int.from_bytes(pdu[3:5], "big")
        if not 1 <= count <= MOST_WRITTEN or pdu[5:6] != bytes((2 * count,)):
            return _exception(function, ILLEGAL_DATA_VALUE)
    else:
        count = 1
    if len(pdu) != at + 2 * count:
        return _exception(function, ILLEGAL_DATA_VALUE)
    if not inputs.write(int.from_bytes(pdu[1:3], "big"), pdu[at:], source):
        return _exception(function, ILLEGAL_DATA_ADDRESS)
    return pdu[:5]


def _exception(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))

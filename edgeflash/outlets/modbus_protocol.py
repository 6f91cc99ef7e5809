"""Modbus TCP as our server speaks it: framing and answers. Pure, but for the writes it hands on.

Source: Modbus application protocol V1.1b3 (4.1, 6.1 to 6.4, 6.6, 6.12, 6.21, 7) and Modbus
messaging on TCP/IP implementation guide V1.0b (3.1.3), both from memory.

Served: functions 1 and 2 (the same bits), 3 and 4 (the same registers), 43 with type 14 (who this
is), and 6 and 16 where a client may write inputs. Everything else is exception 01, on purpose also
22 (mask write: half of a float is no value), 23 (read and write at once: a refusal would not say
of which half) and 8 (diagnostics: it restarts and counts what is not the control system's).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from edgeflash.errors import EdgeflashError
from edgeflash.outlets.modbus_identification import (
    ENCAPSULATED_INTERFACE,
    READ_DEVICE_IDENTIFICATION,
    WrongObjectError,
    WrongRequestError,
    identification,
)
from edgeflash.outlets.modbus_image import RegisterImage
from edgeflash.outlets.modbus_inputs import FIRST_ADDRESS, LAST_ADDRESS, InputRegisters

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
SERVER_FAILURE = 4
SERVER_BUSY = 6
TARGET_FAILED_TO_RESPOND = 0x0B
"""For a unit that is no analyzer: "usually means that the device is not present on the network"
(V1.1b3, 7; from memory). 0A would say that this server has no way to it, or is misconfigured."""

EXCEPTIONS: dict[int, tuple[str, str]] = {
    ILLEGAL_FUNCTION: (
        "illegal function",
        "a function that is not served, and every write by a client that may not write",
    ),
    ILLEGAL_DATA_ADDRESS: (
        "illegal data address",
        "a register that is not there, or that cannot be written, or not by itself",
    ),
    ILLEGAL_DATA_VALUE: (
        "illegal data value",
        "a quantity or a length that no such request can have; never for what a number is",
    ),
    SERVER_FAILURE: (
        "server device failure",
        "the gateway failed while it answered; its log says how",
    ),
    SERVER_BUSY: (
        "server device busy",
        "more requests than `max_requests_per_s` from this address: ask less often",
    ),
    TARGET_FAILED_TO_RESPOND: (
        "gateway target device failed to respond",
        'with `unit_ids = "per_analyzer"`: no analyzer has this unit',
    ),
}
"""Every exception the server gives: name in the protocol, and when."""


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
    frame: Frame,
    image: RegisterImage | None,
    inputs: InputRegisters | None = None,
    source: str = "",
    *,
    may_write: bool = True,
) -> bytes:
    """The whole answer to a request, from one image, in the name of the unit that was asked.

    image: of that unit; None when there is no such unit.
    """
    if image is None:
        return refusal(frame, TARGET_FAILED_TO_RESPOND)
    return _framed(frame, answer(frame.pdu, image, inputs, source, may_write=may_write))


def refusal(frame: Frame, code: int) -> bytes:
    """A whole answer that is an exception."""
    return _framed(frame, _exception(frame.pdu[0], code))


def _framed(frame: Frame, pdu: bytes) -> bytes:
    return struct.pack(">HHHB", frame.transaction, 0, len(pdu) + 1, frame.unit) + pdu


def answer(
    pdu: bytes,
    image: RegisterImage,
    inputs: InputRegisters | None = None,
    source: str = "",
    *,
    may_write: bool = True,
) -> bytes:
    """The answer to one request's protocol data unit: data, or an exception.

    Functions 6 and 16 write where the inputs accept it and this client may; source is its name.
    Checked in the order function, quantity, address.
    """
    function = pdu[0]
    if function in _WRITES and inputs is not None and inputs.accepts and may_write:
        return _write(pdu, inputs, source)
    if function == ENCAPSULATED_INTERFACE:
        return _identify(pdu)
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
    elif inputs is not None and FIRST_ADDRESS <= address <= LAST_ADDRESS:
        data = inputs.read(address, count)
    else:
        data = image.registers(address, count)
    if data is None:
        return _exception(function, ILLEGAL_DATA_ADDRESS)
    return bytes((function, len(data))) + data


def _identify(pdu: bytes) -> bytes:
    """The answer to function 43; only its type 14 is served."""
    if pdu[1:2] != bytes((READ_DEVICE_IDENTIFICATION,)):
        return _exception(pdu[0], ILLEGAL_FUNCTION)
    try:
        return identification(pdu)
    except WrongObjectError:
        return _exception(pdu[0], ILLEGAL_DATA_ADDRESS)
    except WrongRequestError:
        return _exception(pdu[0], ILLEGAL_DATA_VALUE)


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

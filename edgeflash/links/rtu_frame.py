"""RTU framing: the bytes of a request, and the reply to that request among the bytes received.

An RTU frame carries no number that ties a reply to its request, so a reply is only taken when
unit, function and length are those of the one right answer, and its checksum holds. That a reply
to an *earlier* request of the same shape is not taken is the line's duty: see links.line.

Source: Modbus over serial line V1.02, 2.5.1 (framing) and 6.2.2 with appendix B (checksum).
"""

from __future__ import annotations

from dataclasses import dataclass

from edgeflash.links.errors import LinkFault
from edgeflash.links.read_request import (
    EXCEPTION_BIT,
    Answer,
    Outcome,
    ReadRequest,
    Refusal,
    Seen,
    Spoilt,
)

CRC_BYTES = 2
REQUEST_BYTES = 8
EXCEPTION_BYTES = 5
LONGEST_FRAME_BYTES = 256
"""Modbus over serial line V1.02, 2.5.1: unit 1, PDU up to 253, checksum 2."""

UNITS = range(1, 248)
BIT_FUNCTIONS = (1, 2)
REGISTER_FUNCTIONS = (3, 4)


def _crc_table() -> tuple[int, ...]:
    """Checksums of the 256 single bytes: polynomial 0xA001, the bits of 0x8005 reversed."""
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
        table.append(crc)
    return tuple(table)


_CRC_TABLE = _crc_table()


def crc16(data: bytes) -> int:
    """The Modbus checksum of these bytes; on the wire its low byte comes first."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def framed(unit_id: int, pdu: bytes) -> bytes:
    """A PDU as an RTU frame."""
    body = bytes([unit_id]) + pdu
    return body + crc16(body).to_bytes(CRC_BYTES, "little")


def encode(request: ReadRequest) -> bytes:
    """The request's frame, REQUEST_BYTES long."""
    return framed(request.unit_id, request.pdu)


def look(received: bytes, request: ReadRequest, *, echo: bool, is_over: bool) -> Seen:
    """What the bytes received since the request hold.

    echo: the line hands back what we send; the reply is looked for behind it. is_over: nothing
    more will come, so what is still incomplete never will be a frame.
    """
    start = 0
    if echo:
        own = received.find(encode(request))
        if own < 0:
            return _without_echo(received, is_over)
        start = own + REQUEST_BYTES
    elif encode(request) in received:
        # Read as a reply this could even be one: the echo of certain coil reads has its shape.
        why = "the line hands back our own request: set echo = true for it"
        return Seen(Spoilt(LinkFault.BAD_REPLY, why))
    return _search(received, start, request, is_over)


def strangers(received: bytes) -> tuple[int, ...]:
    """Units of the whole reply frames among bytes that nobody waits for."""
    return _search(received, 0, None, is_over=True).strangers


def _without_echo(received: bytes, is_over: bool) -> Seen:
    if not is_over and len(received) <= LONGEST_FRAME_BYTES + REQUEST_BYTES:
        return Seen()
    if not received:
        return Seen(Spoilt(LinkFault.NO_RESPONSE, ""))
    why = "the line did not hand back our own request: two were sending, or echo is not true here"
    return Seen(Spoilt(LinkFault.BAD_REPLY, why), noise=len(received))


def _search(received: bytes, at: int, request: ReadRequest | None, is_over: bool) -> Seen:
    """The first frames from `at` on: strangers are passed over, whole; the reply ends it."""
    others: list[int] = []
    noise = 0
    while at < len(received):
        frame = _frame_at(received, at)
        if frame is None:
            at, noise = at + 1, noise + 1
            continue
        if frame.is_cut:
            if not is_over:
                return Seen(None, tuple(others), noise)
            at, noise = at + 1, noise + 1
            continue
        outcome = None if request is None else _outcome(frame, request)
        if request is None or outcome is None:
            others.append(frame.unit_id)
            at = frame.end
            continue
        if isinstance(outcome, Spoilt):
            return Seen(outcome, (*others, frame.unit_id), noise)
        behind = _search(received, frame.end, request, is_over=True)
        if request.unit_id in behind.strangers or isinstance(behind.outcome, Answer | Refusal):
            why = "more than one answer came, and nothing tells which belongs to the request"
            return Seen(Spoilt(LinkFault.BAD_REPLY, why), (*others, frame.unit_id), noise)
        return Seen(outcome, (*others, *behind.strangers), noise + behind.noise)
    if not is_over:
        return Seen(None, tuple(others), noise)
    if noise:
        why = f"{noise} bytes came that are no whole frame with a right checksum"
        return Seen(Spoilt(LinkFault.BAD_REPLY, why), tuple(others), noise)
    return Seen(Spoilt(LinkFault.NO_RESPONSE, ""), tuple(others))


@dataclass(frozen=True, slots=True)
class _Frame:
    """A reply frame in the bytes. is_cut: it may become one, its end has not come yet."""

    unit_id: int
    function: int
    payload: bytes
    end: int
    is_cut: bool = False


_CUT = _Frame(0, 0, b"", 0, is_cut=True)


def _frame_at(received: bytes, at: int) -> _Frame | None:
    """The frame of a read reply or refusal that begins here, of any unit; None: there is none."""
    head = received[at : at + 3]
    if head[0] not in UNITS:
        return None
    if len(head) < 2:
        return _CUT
    function = head[1]
    if function & ~EXCEPTION_BIT not in (*BIT_FUNCTIONS, *REGISTER_FUNCTIONS):
        return None
    if len(head) < 3:
        return _CUT
    if function & EXCEPTION_BIT:
        end = at + EXCEPTION_BYTES
        payload_at = at + 2
    else:
        if head[2] == 0 or (function in REGISTER_FUNCTIONS and head[2] % 2):
            return None
        end = at + 3 + head[2] + CRC_BYTES
        payload_at = at + 3
    if end > len(received):
        return _CUT if end - at <= LONGEST_FRAME_BYTES else None
    body, check = received[at : end - CRC_BYTES], received[end - CRC_BYTES : end]
    if crc16(body) != int.from_bytes(check, "little"):
        return None
    return _Frame(head[0], function, received[payload_at : end - CRC_BYTES], end)


def _outcome(frame: _Frame, request: ReadRequest) -> Outcome | None:
    """What a whole frame says to the request; None when it is another unit's."""
    if frame.unit_id != request.unit_id:
        return None
    if frame.function == request.function | EXCEPTION_BIT:
        return Refusal(frame.payload[0])
    if frame.function != request.function:
        why = f"function {frame.function} answered, {request.function} was asked"
        return Spoilt(LinkFault.BAD_REPLY, why)
    if len(frame.payload) != request.data_bytes:
        why = f"{len(frame.payload)} bytes of data came, {request.data_bytes} were asked for"
        return Spoilt(LinkFault.SHORT_REPLY, why)
    return Answer(request.words(frame.payload))

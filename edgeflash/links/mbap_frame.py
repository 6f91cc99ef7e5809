"""Modbus TCP framing: the bytes of a request, and its reply among the bytes received. Pure.

Each request carries a number that its reply repeats, so a late reply is known as such.
Source: Modbus messaging on TCP/IP implementation guide V1.0b, 3.1.3.
"""

from __future__ import annotations

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

HEADER_BYTES = 7
"""Transaction 2, protocol 2, length 2 (counting from the unit on), unit 1."""

LENGTHS = range(3, 255)
TRANSACTIONS = 65_536


def encode(transaction: int, request: ReadRequest) -> bytes:
    """The request's frame."""
    length = 1 + len(request.pdu)
    header = transaction.to_bytes(2, "big") + b"\0\0" + length.to_bytes(2, "big")
    return header + bytes([request.unit_id]) + request.pdu


def look(received: bytes, transaction: int, request: ReadRequest, *, is_over: bool) -> Seen:
    """What the bytes received since the request hold. Frames of other numbers are passed over."""
    strangers: list[int] = []
    at = 0
    while len(received) - at >= HEADER_BYTES + 1:
        length = int.from_bytes(received[at + 4 : at + 6], "big")
        if received[at + 2 : at + 4] != b"\0\0" or length not in LENGTHS:
            why = "bytes came that are not Modbus TCP"
            return Seen(Spoilt(LinkFault.BAD_REPLY, why, is_fatal=True), tuple(strangers))
        end = at + HEADER_BYTES - 1 + length
        if end > len(received):
            break
        number = int.from_bytes(received[at : at + 2], "big")
        unit_id, pdu = received[at + 6], received[at + HEADER_BYTES : end]
        if number == transaction:
            return Seen(_outcome(unit_id, pdu, request), tuple(strangers))
        strangers.append(unit_id)
        at = end
    if not is_over:
        return Seen(None, tuple(strangers))
    if at < len(received):
        why = "an answer came that was cut off"
        return Seen(Spoilt(LinkFault.BAD_REPLY, why, is_fatal=True), tuple(strangers))
    return Seen(Spoilt(LinkFault.NO_RESPONSE, ""), tuple(strangers))


def strangers(received: bytes) -> tuple[tuple[int, ...], bytes]:
    """Units of the whole frames among bytes that nobody waits for, and the bytes after them."""
    units: list[int] = []
    at = 0
    while len(received) - at >= HEADER_BYTES + 1:
        end = at + HEADER_BYTES - 1 + int.from_bytes(received[at + 4 : at + 6], "big")
        if end > len(received):
            break
        units.append(received[at + 6])
        at = end
    return tuple(units), received[at:]


def _outcome(unit_id: int, pdu: bytes, request: ReadRequest) -> Outcome:
    if unit_id != request.unit_id:
        why = f"unit {unit_id} answered for unit {request.unit_id}"
        return Spoilt(LinkFault.BAD_REPLY, why, is_fatal=True)
    function = pdu[0]
    if function == request.function | EXCEPTION_BIT and len(pdu) == 2:
        return Refusal(pdu[1])
    if function != request.function:
        why = f"function {function} answered, {request.function} was asked"
        return Spoilt(LinkFault.BAD_REPLY, why, is_fatal=True)
    data = pdu[2:]
    if pdu[1] != len(data) or len(data) != request.data_bytes:
        why = f"{len(data)} bytes of data came, {request.data_bytes} were asked for"
        return Spoilt(LinkFault.SHORT_REPLY, why, is_fatal=True)
    return Answer(request.words(data))

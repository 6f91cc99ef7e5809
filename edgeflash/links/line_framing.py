"""The two framings a shared line may have, behind one face. Pure but for a counter of requests."""

from __future__ import annotations

from typing import Protocol

from edgeflash.config.site import Line
from edgeflash.links import mbap_frame, rtu_frame
from edgeflash.links.read_request import ReadRequest, Seen

BITS_PER_CHARACTER = 11
"""Start, eight of data, parity or a second stop, stop: Modbus over serial line V1.02, 2.5.1."""
SILENT_CHARACTERS = 3.5
SHORTEST_SILENCE_S = 0.001_75
"""The silence between frames: 3.5 characters, and above 19200 baud this: V1.02, 2.5.1.1."""


class Framing(Protocol):
    """How requests are written and replies found.

    is_numbered: a reply says which request it answers, so a late one can do no harm.
    """

    is_numbered: bool

    def encode(self, request: ReadRequest) -> bytes:
        """The bytes of the next request."""

    def look(self, received: bytes, request: ReadRequest, *, is_over: bool) -> Seen:
        """What the bytes since that request hold."""

    def strangers(self, received: bytes) -> tuple[tuple[int, ...], bytes]:
        """Units of whole frames among bytes nobody waits for, and the bytes to keep."""


class RtuFraming:
    """RTU frames. echo: the line hands back what we send."""

    is_numbered = False

    def __init__(self, echo: bool) -> None:
        self._echo = echo

    def encode(self, request: ReadRequest) -> bytes:
        """The request's frame."""
        return rtu_frame.encode(request)

    def look(self, received: bytes, request: ReadRequest, *, is_over: bool) -> Seen:
        """See rtu_frame.look."""
        return rtu_frame.look(received, request, echo=self._echo, is_over=is_over)

    def strangers(self, received: bytes) -> tuple[tuple[int, ...], bytes]:
        """See rtu_frame.strangers. Nothing is kept: the next reply begins after a silence."""
        return rtu_frame.strangers(received), b""


class MbapFraming:
    """Modbus TCP frames, each request with the next number."""

    is_numbered = True

    def __init__(self) -> None:
        self._transaction = 0

    def encode(self, request: ReadRequest) -> bytes:
        """The request's frame, with a number of its own."""
        self._transaction = (self._transaction + 1) % mbap_frame.TRANSACTIONS
        return mbap_frame.encode(self._transaction, request)

    def look(self, received: bytes, request: ReadRequest, *, is_over: bool) -> Seen:
        """See mbap_frame.look."""
        return mbap_frame.look(received, self._transaction, request, is_over=is_over)

    def strangers(self, received: bytes) -> tuple[tuple[int, ...], bytes]:
        """See mbap_frame.strangers. A frame that is still coming is kept."""
        return mbap_frame.strangers(received)


def framing_of(line: Line) -> Framing:
    """The framing that a line's settings ask for."""
    return MbapFraming() if line.framing == "tcp" else RtuFraming(line.echo)


def quiet_s(line: Line) -> float:
    """Seconds of silence before a request: as set, else what the framing asks for."""
    if line.quiet_ms is not None:
        return line.quiet_ms / 1000.0
    if line.framing == "tcp":
        return 0.0
    return max(SHORTEST_SILENCE_S, SILENT_CHARACTERS * BITS_PER_CHARACTER / line.baud)


def wire_s(line: Line, request: ReadRequest) -> float:
    """Seconds that a request and its reply take on the wire itself; the time limit adds to it."""
    if line.framing == "tcp":
        return 0.0
    reply = 3 + request.data_bytes + rtu_frame.CRC_BYTES
    return (rtu_frame.REQUEST_BYTES + reply) * BITS_PER_CHARACTER / line.baud

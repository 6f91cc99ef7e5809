"""The Modbus TCP outlet: a server on asyncio over an immutable register image.

Nothing can be written but the inputs, and these only where the site file accepts them, from the
addresses it names.

Every unit identifier is the same device, or each analyzer is a unit, as the site file says. One
answer is made from one image, so a read is never torn. Memory per connection is bounded: a fixed
receive buffer, and nothing is read from a client that does not take its answers. A client that asks
too often is told that the server is busy, and read from less often; it is not disconnected.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import cast

import structlog

from edgeflash.config.site import Analyzer, ModbusServer
from edgeflash.inputs import InputStore
from edgeflash.outlets.listening import AllowList, bind_host, cannot_listen, client_key
from edgeflash.outlets.modbus_image import RegisterImage, empty_images, with_new_views
from edgeflash.outlets.modbus_inputs import InputRegisters
from edgeflash.outlets.modbus_protocol import (
    LONGEST_FRAME,
    SERVER_BUSY,
    SERVER_FAILURE,
    Frame,
    FrameError,
    next_frame,
    refusal,
    response,
)
from edgeflash.outlets.refusals import Refusals
from edgeflash.outlets.request_rate import RequestRate
from edgeflash.publication import View
from edgeflash.service import SYSTEM_CLOCK

IDLE_TIMEOUT_S = 120.0
"""A connection without a complete request for this long is closed, so that clients that vanished
do not use up the connections. Longer than any poll interval of a DCS (common practice)."""

IDLE_CHECK_S = 1.0
"""How often it is looked for such connections, at the most."""

REST_S = 0.05
"""How long nothing is read from a client that is over its rate."""

RECEIVE_BYTES = 4 * LONGEST_FRAME
SEND_HIGH_WATER_BYTES = 16 * 1024
STOP_GRACE_S = 1.0

_log = structlog.get_logger(__name__)


class ModbusOutlet:
    """Serves all analyzers' points and the inputs to Modbus TCP clients.

    mono_s: the clock of the inputs' ages, of request rates and of idle times.
    Raises OutletError when the allow-list is wrong (at once) or the port cannot be had (start).
    """

    def __init__(
        self,
        server: ModbusServer,
        analyzers: Sequence[Analyzer],
        *,
        inputs: InputStore | None = None,
        mono_s: Callable[[], float] = SYSTEM_CLOCK.mono_s,
        idle_timeout_s: float = IDLE_TIMEOUT_S,
    ) -> None:
        self._server = server
        self._numbers = {analyzer.id: analyzer.number for analyzer in analyzers}
        self._allow = AllowList.of(server.allow)
        self._inputs = (
            None
            if inputs is None
            else InputRegisters(inputs, server.order, server.accept_inputs, mono_s)
        )
        self._allow_inputs = AllowList.of(server.allow_inputs)
        self._mono_s = mono_s
        self._idle_timeout_s = idle_timeout_s
        self._idle_check: asyncio.TimerHandle | None = None
        self._rate = RequestRate(server.max_requests_per_s)
        self._images = empty_images(self._numbers.values(), server)
        self._listener: asyncio.Server | None = None
        self._connections: set[_Connection] = set()
        self._all_closed = asyncio.Event()
        self._refusals = Refusals()
        self._too_fast = Refusals()
        self._failures = Refusals()

    @property
    def image(self) -> RegisterImage:
        """What clients read now: where each analyzer is a unit, of the gateway's own units."""
        return self._images.shared

    def image_of(self, unit: int) -> RegisterImage | None:
        """What a unit reads now; None when there is no such unit."""
        return self._images.of(unit)

    @property
    def port(self) -> int:
        """The port it listens on; the configured one while it does not listen."""
        if self._listener is None or not self._listener.sockets:
            return self._server.port
        return int(self._listener.sockets[0].getsockname()[1])

    @property
    def endpoint(self) -> str:
        """Host and port, as a client has to be given them."""
        host = self._server.host
        return f"{f'[{host}]' if ':' in host else host}:{self.port}"

    @property
    def connections(self) -> int:
        """Clients connected now."""
        return len(self._connections)

    @property
    def refused(self) -> int:
        """Connections refused since the start, by the allow-list or a limit."""
        return self._refusals.count

    @property
    def refused_busy(self) -> int:
        """Requests refused since the start because their client made too many."""
        return self._too_fast.count

    async def start(self) -> None:
        """Starts to listen. Raises OutletError when the system refuses the address or port."""
        loop = asyncio.get_running_loop()
        host, port = self._server.host, self._server.port
        address = await bind_host(host, port)
        try:
            self._listener = await loop.create_server(
                lambda: _Connection(self),
                address,
                port,
                start_serving=False,
            )
            await self._listener.start_serving()
        except OSError as error:
            raise cannot_listen("modbus outlet", host, port, error) from error
        self._close_idle()
        accepts = self._server.accept_inputs
        _log.info("modbus_listening", host=host, port=self.port, accepts_inputs=accepts)

    async def publish(self, views: Sequence[View]) -> None:
        """Shows the views from now on. Analyzers without a view keep what they show."""
        self._images = with_new_views(self._images, views, self._numbers, self._server)

    async def stop(self) -> None:
        """Stops listening and closes every connection, within a second or so."""
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        if self._idle_check is not None:
            self._idle_check.cancel()
            self._idle_check = None
        for connection in tuple(self._connections):
            connection.close()
        if self._connections:
            self._all_closed.clear()
            try:
                async with asyncio.timeout(STOP_GRACE_S):
                    await self._all_closed.wait()
            except TimeoutError:
                for connection in tuple(self._connections):
                    connection.abort()

    def admit(self, connection: _Connection) -> bool:
        """Takes a new connection in, or counts and reports its refusal."""
        client = connection.client
        if self._listener is None:
            return False
        if not self._allow.admits(connection.peer):
            self._count_refusal(client, "its address is not in the allow-list")
            return False
        limit = self._server.max_connections
        if len(self._connections) >= limit:
            self._count_refusal(client, f"{limit} clients are connected, the most allowed")
            return False
        share = self._server.max_connections_per_client
        if sum(one.client == client for one in self._connections) >= share:
            self._count_refusal(client, f"it has {share} connections already, its share")
            return False
        self._connections.add(connection)
        return True

    def may_write(self, peer: str) -> bool:
        """True when a client at this address may write inputs, where the server accepts any."""
        return self._server.accept_inputs and self._allow_inputs.admits(peer)

    def now_mono_s(self) -> float:
        """The clock of ages, rates and idle times."""
        return self._mono_s()

    def answer(self, frame: Frame, connection: _Connection) -> bytes:
        """The answer to a client's request, its write done."""
        if not self._rate.admits(connection.client, self._mono_s()):
            connection.rest()
            self._count_busy(connection.client)
            return refusal(frame, SERVER_BUSY)
        image, source = self._images.of(frame.unit), f"modbus {connection.peer}"
        try:
            return response(frame, image, self._inputs, source, may_write=connection.may_write)
        except Exception:
            # One request must not end a connection, let alone the server: the client is told.
            if (times := self._failures.note(connection.peer)) is not None:
                _log.exception("modbus_answer_failed", peer=connection.peer, times=times)
            return refusal(frame, SERVER_FAILURE)

    def forget(self, connection: _Connection) -> None:
        """Called once by each connection that is gone."""
        self._connections.discard(connection)
        if not self._connections:
            self._all_closed.set()

    def _close_idle(self) -> None:
        """Closes connections without a request for too long, and looks again soon."""
        since_mono_s = self._mono_s() - self._idle_timeout_s
        for connection in tuple(self._connections):
            if connection.heard_mono_s <= since_mono_s:
                connection.abort()
        every_s = min(IDLE_CHECK_S, self._idle_timeout_s / 4)
        loop = asyncio.get_running_loop()
        self._idle_check = loop.call_later(every_s, self._close_idle)

    def _count_busy(self, client: str) -> None:
        if (times := self._too_fast.note(client)) is not None:
            limit = self._server.max_requests_per_s
            _log.warning("modbus_client_too_fast", peer=client, most_per_s=limit, times=times)

    def _count_refusal(self, client: str, why: str) -> None:
        times = self._refusals.note(client)
        if times is not None:
            _log.warning("modbus_client_refused", peer=client, why=why, port=self.port, times=times)


class _Connection(asyncio.BufferedProtocol):
    """One client. Requests are answered in order, pipelined or not. peer: its address; client: what
    it counts as in shares, rates and the log."""

    def __init__(self, outlet: ModbusOutlet) -> None:
        self._outlet = outlet
        self._loop = asyncio.get_running_loop()
        self._buffer = bytearray(RECEIVE_BYTES)
        self._filled = 0
        self._transport: asyncio.Transport | None = None
        self._resting: asyncio.TimerHandle | None = None
        self._is_full = False
        self.peer = self.client = ""
        self.may_write = False
        self.heard_mono_s = outlet.now_mono_s()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        stream = cast(asyncio.Transport, transport)
        peername = stream.get_extra_info("peername")
        self.peer, self.client = str(peername[0]) if peername else "", client_key(peername)
        if not self._outlet.admit(self):
            stream.abort()
            return
        self._transport = stream
        self.may_write = self._outlet.may_write(self.peer)
        stream.set_write_buffer_limits(high=SEND_HIGH_WATER_BYTES)

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        if self._resting is not None:
            self._resting.cancel()
            self._resting = None
        self._outlet.forget(self)

    def get_buffer(self, sizehint: int) -> memoryview:
        # Never empty: of what came before, less than one frame is left over.
        return memoryview(self._buffer)[self._filled :]

    def buffer_updated(self, nbytes: int) -> None:
        self._filled += nbytes
        self._answer_all()

    def pause_writing(self) -> None:
        self._is_full = True
        if self._transport is not None:
            self._transport.pause_reading()

    def resume_writing(self) -> None:
        self._is_full = False
        self._read_on()

    def rest(self) -> None:
        """Reads nothing more from a client that is over its rate, for a moment.

        So that even its refusals cost little: the network slows it down, and nothing is lost.
        """
        if self._transport is not None and self._resting is None:
            self._transport.pause_reading()
            self._resting = self._loop.call_later(REST_S, self._rested)

    def close(self) -> None:
        """Closes after what was answered is sent."""
        if self._transport is not None:
            self._transport.close()

    def abort(self) -> None:
        """Closes now."""
        if self._transport is not None:
            self._transport.abort()

    def _rested(self) -> None:
        self._resting = None
        self._read_on()

    def _read_on(self) -> None:
        if self._transport is not None and self._resting is None and not self._is_full:
            self._transport.resume_reading()

    def _answer_all(self) -> None:
        """Answers every complete request in the buffer."""
        start = 0
        with memoryview(self._buffer) as view:
            while self._transport is not None:
                try:
                    frame = next_frame(view[start : self._filled])
                except FrameError as error:
                    _log.debug("modbus_bad_frame", why=str(error))
                    self.abort()
                    return
                if frame is None:
                    break
                start += frame.size
                self.heard_mono_s = self._outlet.now_mono_s()
                self._transport.write(self._outlet.answer(frame, self))
            left = self._filled - start
            view[:left] = bytes(view[start : self._filled])
        self._filled = left

"""The Modbus TCP outlet: a server on asyncio over an immutable register image.

Nothing can be written but the inputs, and these only where the site file accepts them.

Every unit identifier is answered, 0 and 255 included: the server is the device, not a bridge.
One answer is made from one image, so a read is never torn. Memory per connection is bounded: a
fixed receive buffer, and nothing is read from a client that does not take its answers.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import cast

import structlog

from edgeflash.config.site import Analyzer, ModbusServer
from edgeflash.inputs import InputStore
from edgeflash.outlets.listening import AllowList, bind_host, cannot_listen
from edgeflash.outlets.modbus_image import RegisterImage, empty_image, with_views
from edgeflash.outlets.modbus_inputs import InputRegisters
from edgeflash.outlets.modbus_protocol import (
    LONGEST_FRAME,
    Frame,
    FrameError,
    next_frame,
    response,
)
from edgeflash.outlets.refusals import Refusals
from edgeflash.publication import View
from edgeflash.service import SYSTEM_CLOCK

IDLE_TIMEOUT_S = 120.0
"""A connection without a complete request for this long is closed, so that clients that vanished
do not use up the connections. Longer than any poll interval of a DCS (common practice)."""

RECEIVE_BYTES = 4 * LONGEST_FRAME
SEND_HIGH_WATER_BYTES = 16 * 1024
STOP_GRACE_S = 1.0

_log = structlog.get_logger(__name__)


class ModbusOutlet:
    """Serves all analyzers' points and the inputs to Modbus TCP clients.

    mono_s: the clock of the inputs' ages.
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
        self._idle_timeout_s = idle_timeout_s
        self._image = empty_image(self._numbers.values(), server.order)
        self._listener: asyncio.Server | None = None
        self._connections: set[_Connection] = set()
        self._all_closed = asyncio.Event()
        self._refusals = Refusals()

    @property
    def image(self) -> RegisterImage:
        """What clients read now."""
        return self._image

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
        """Connections refused since the start, by the allow-list or the limit."""
        return self._refusals.count

    async def start(self) -> None:
        """Starts to listen. Raises OutletError when the system refuses the address or port."""
        loop = asyncio.get_running_loop()
        host, port = self._server.host, self._server.port
        address = await bind_host(host, port)
        try:
            self._listener = await loop.create_server(
                lambda: _Connection(self, self._idle_timeout_s),
                address,
                port,
                start_serving=False,
            )
            await self._listener.start_serving()
        except OSError as error:
            raise cannot_listen("modbus outlet", host, port, error) from error
        accepts = self._server.accept_inputs
        _log.info("modbus_listening", host=host, port=self.port, accepts_inputs=accepts)

    async def publish(self, views: Sequence[View]) -> None:
        """Shows the views from now on. Analyzers without a view keep what they show."""
        self._image = with_views(self._image, views, self._numbers, self._server)

    async def stop(self) -> None:
        """Stops listening and closes every connection, within a second or so."""
        if self._listener is not None:
            self._listener.close()
            self._listener = None
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

    def admit(self, connection: _Connection, peer: str) -> bool:
        """Takes a new connection in, or counts and reports its refusal."""
        if self._listener is None:
            return False
        if not self._allow.admits(peer):
            self._count_refusal(peer, "its address is not in the allow-list")
            return False
        if len(self._connections) >= self._server.max_connections:
            limit = self._server.max_connections
            self._count_refusal(peer, f"{limit} clients are connected, the most allowed")
            return False
        self._connections.add(connection)
        return True

    def answer(self, frame: Frame, source: str) -> bytes:
        """The answer to a client's request, its write done. source: the client, for the log."""
        return response(frame, self._image, self._inputs, source)

    def forget(self, connection: _Connection) -> None:
        """Called once by each connection that is gone."""
        self._connections.discard(connection)
        if not self._connections:
            self._all_closed.set()

    def _count_refusal(self, peer: str, why: str) -> None:
        times = self._refusals.note(peer)
        if times is not None:
            _log.warning("modbus_client_refused", peer=peer, why=why, port=self.port, times=times)


class _Connection(asyncio.BufferedProtocol):
    """One client. Requests are answered in order, pipelined or not."""

    def __init__(self, outlet: ModbusOutlet, idle_timeout_s: float) -> None:
        self._outlet = outlet
        self._idle_timeout_s = idle_timeout_s
        self._loop = asyncio.get_running_loop()
        self._buffer = bytearray(RECEIVE_BYTES)
        self._filled = 0
        self._source = ""
        self._transport: asyncio.Transport | None = None
        self._idle_check: asyncio.TimerHandle | None = None
        self._heard_mono_s = self._loop.time()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        stream = cast(asyncio.Transport, transport)
        peername = stream.get_extra_info("peername")
        peer = str(peername[0]) if peername else ""
        self._source = f"modbus {peer}"
        if not self._outlet.admit(self, peer):
            stream.abort()
            return
        self._transport = stream
        stream.set_write_buffer_limits(high=SEND_HIGH_WATER_BYTES)
        self._heard_mono_s = self._loop.time()
        self._check_idle()

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        if self._idle_check is not None:
            self._idle_check.cancel()
        self._outlet.forget(self)

    def get_buffer(self, sizehint: int) -> memoryview:
        # Never empty: of what came before, less than one frame is left over.
        return memoryview(self._buffer)[self._filled :]

    def buffer_updated(self, nbytes: int) -> None:
        self._filled += nbytes
        self._answer_all()

    def pause_writing(self) -> None:
        if self._transport is not None:
            self._transport.pause_reading()

    def resume_writing(self) -> None:
        if self._transport is not None:
            self._transport.resume_reading()

    def close(self) -> None:
        """Closes after what was answered is sent."""
        if self._transport is not None:
            self._transport.close()

    def abort(self) -> None:
        """Closes now."""
        if self._transport is not None:
            self._transport.abort()

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
                self._heard_mono_s = self._loop.time()
                self._transport.write(self._outlet.answer(frame, self._source))
            left = self._filled - start
            view[:left] = bytes(view[start : self._filled])
        self._filled = left

    def _check_idle(self) -> None:
        """Closes the connection when no request was answered for too long; else looks again."""
        due_mono_s = self._heard_mono_s + self._idle_timeout_s
        if self._loop.time() >= due_mono_s:
            self.abort()
            return
        self._idle_check = self._loop.call_at(due_mono_s, self._check_idle)

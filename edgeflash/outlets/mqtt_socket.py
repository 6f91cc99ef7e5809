"""A connection to a broker, TLS included, that can be given up at any moment.

The MQTT library connects in a thread, and nothing can stop that: a name server or a broker that
hangs would hold up the end of the program. So connecting is done here, without blocking.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import threading

from edgeflash.outlets.mqtt_errors import BrokerUnreachableError

Address = tuple[int, tuple[str, int] | tuple[str, int, int, int] | tuple[int, bytes]]


async def connected_socket(host: str, port: int, context: ssl.SSLContext | None) -> socket.socket:
    """A connected, non-blocking socket, its TLS handshake done where there is a context; of
    several addresses the first that answers.

    Waits as long as the system does: the caller sets a time. Raises BrokerUnreachableError when
    nobody answers, and what `ssl` raises when who answers is not accepted.
    """
    loop = asyncio.get_running_loop()
    refusals: list[str] = []
    for family, address in await _addresses(host, port):
        wire = socket.socket(family, socket.SOCK_STREAM)
        try:
            wire.setblocking(False)
            wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            await loop.sock_connect(wire, address)
        except OSError as error:
            wire.close()
            refusals.append(f"{address[0]!s}: {error.strerror or error}")
        except BaseException:
            wire.close()
            raise
        else:
            return wire if context is None else await _shaken(wire, host, context)
    raise BrokerUnreachableError("; ".join(refusals) or f"{host} has no address")


async def _shaken(wire: socket.socket, host: str, context: ssl.SSLContext) -> ssl.SSLSocket:
    """The socket after its TLS handshake."""
    try:
        safe = context.wrap_socket(wire, server_hostname=host, do_handshake_on_connect=False)
    except BaseException:
        wire.close()
        raise
    try:
        while True:
            try:
                safe.do_handshake()
                return safe
            except ssl.SSLWantReadError:
                await _ready(safe, to_write=False)
            except ssl.SSLWantWriteError:
                await _ready(safe, to_write=True)
    except BaseException:
        safe.close()
        raise


async def _ready(wire: socket.socket, *, to_write: bool) -> None:
    """Returns when the socket can be read, or written."""
    loop = asyncio.get_running_loop()
    ready: asyncio.Future[None] = loop.create_future()
    add, remove = (
        (loop.add_writer, loop.remove_writer) if to_write else (loop.add_reader, loop.remove_reader)
    )

    def tell() -> None:
        if not ready.done():
            ready.set_result(None)

    add(wire, tell)
    try:
        await ready
    finally:
        remove(wire)


async def _addresses(host: str, port: int) -> list[Address]:
    """Where a host is, asked in a thread that the end of the program does not wait for."""
    loop = asyncio.get_running_loop()
    found: asyncio.Future[list[Address] | OSError] = loop.create_future()

    def tell(answer: list[Address] | OSError) -> None:
        if not found.done():
            found.set_result(answer)

    def ask() -> None:
        answer: list[Address] | OSError
        try:
            infos = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
            answer = [(info[0], info[4]) for info in infos]
        except OSError as error:
            answer = error
        except UnicodeError as error:  # a name that has no form in the DNS
            answer = OSError(str(error))
        with contextlib.suppress(RuntimeError):  # the loop may have ended meanwhile
            loop.call_soon_threadsafe(tell, answer)

    threading.Thread(target=ask, name=f"look-up of {host}", daemon=True).start()
    answer = await found
    if isinstance(answer, OSError):
        why = answer.strerror or str(answer)
        raise BrokerUnreachableError(f"the name {host} is not known here: {why}") from answer
    return answer

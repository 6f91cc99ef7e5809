"""The operator's socket: operations for people on this machine only.

One request, one answer, each one line of JSON. The kernel tells who asks; nothing that a client
says about itself counts. Bounded in size, time and number of connections.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path

import structlog

from edgeflash.access import Who
from edgeflash.alarms.peers import Peer, may_operate, peer_of, role_of
from edgeflash.errors import EdgeflashError

SOCKET_NAME = "operator.sock"
"""Name of the socket in the gateway's state folder."""

SOCKET_MODE = 0o660

LONGEST_PATH_BYTES = 107
"""sun_path of unix(7) has 108 bytes, the last of them zero."""

LONGEST_REQUEST_BYTES = 4096
MOST_CONNECTIONS = 8
WAIT_S = 5.0
"""How long a client may take to send its request, and to take its answer."""

Request = Mapping[str, object]
Reply = Mapping[str, object]
Answer = Callable[[Request, Who], Awaitable[Reply]]
"""Gives the reply to a request of a user who may operate. Raises EdgeflashError to refuse."""

VIA = "operator socket"

log = structlog.get_logger("edgeflash.operator")


class OperatorSocketError(EdgeflashError):
    """The operator's socket cannot be made."""


class OperatorSocket:
    """Serves requests at a path. Without it the gateway runs on, and says so. on_refused: is told
    user, way and reason when somebody may not operate at all."""

    def __init__(
        self,
        path: Path,
        answer: Answer,
        on_refused: Callable[[str, str, str], None] = lambda user, via, why: None,
    ) -> None:
        self._path = path
        self._answer = answer
        self._on_refused = on_refused
        self._working: set[asyncio.Task[None]] = set()
        self.tried = asyncio.Event()
        """Set once the socket serves or cannot be made."""

    async def run(self) -> None:
        """Serves until cancelled; returns by cancellation only."""
        try:
            listening = listen(self._path)
        except (OperatorSocketError, OSError) as error:
            log.error("alarms cannot be acknowledged; all else runs", why=str(error))
            self.tried.set()
            await asyncio.Event().wait()
            return
        try:
            server = await asyncio.start_unix_server(
                self._connected, sock=listening, limit=LONGEST_REQUEST_BYTES
            )
        except BaseException:
            listening.close()
            raise
        log.info("operator socket serving", path=str(self._path))
        self.tried.set()
        try:
            await asyncio.Event().wait()
        finally:
            # Not serve_forever: it would wait for a slow client when the gateway must end.
            server.close()
            self._path.unlink(missing_ok=True)
            for task in self._working:
                task.cancel()

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._working) >= MOST_CONNECTIONS:
            log.warning("operator socket has too many connections; one was refused")
            writer.transport.abort()
            return
        task = asyncio.create_task(self._serve(reader, writer))
        self._working.add(task)
        task.add_done_callback(self._working.discard)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            peer = peer_of(writer.get_extra_info("socket"))
            reply = await self._reply(peer, reader)
            async with asyncio.timeout(WAIT_S):
                writer.write(json.dumps(reply, ensure_ascii=False).encode() + b"\n")
                await writer.drain()
                writer.close()
                await writer.wait_closed()
        except (TimeoutError, OSError) as error:
            log.warning("operator socket: a client was given up", why=str(error) or "too slow")
        except Exception:
            log.exception("operator socket: a request failed inside the gateway")
        finally:
            writer.transport.abort()

    async def _reply(self, peer: Peer, reader: asyncio.StreamReader) -> Reply:
        user = await asyncio.to_thread(lambda: peer.name)
        # Read first, whoever asks: a socket closed with bytes unread takes the answer along.
        line, unread = await _line(reader)
        if not may_operate(peer, os.geteuid(), self._path.stat().st_gid):
            log.warning("operator socket: a user was refused", user=user, uid=peer.uid)
            why = f"{user} may not operate this gateway: {who_may(self._path)}"
            self._on_refused(user, VIA, why)
            return _refusal(why)
        who = Who(user, role_of(peer, os.geteuid()), VIA)
        if unread:
            return _refusal(unread)
        try:
            request = json.loads(line)
            if not isinstance(request, dict):
                raise ValueError("it is no object")
        except (ValueError, RecursionError) as error:
            log.warning("operator socket: a request was refused", user=user, why=str(error))
            return _refusal(_FORM)
        try:
            return {"ok": True, **await self._answer(request, who)}
        except EdgeflashError as error:
            log.warning("operator socket: a request was refused", user=user, why=str(error))
            return _refusal(str(error))


_FORM = f"the request must be one line of JSON, at most {LONGEST_REQUEST_BYTES} bytes"


async def _line(reader: asyncio.StreamReader) -> tuple[bytes, str]:
    """The request as it came, and why there is none; empty when there is one."""
    try:
        async with asyncio.timeout(WAIT_S):
            return await reader.readline(), ""
    except TimeoutError:
        return b"", f"no request came within {WAIT_S:g} s"
    except ValueError:  # longer than the stream's limit
        return b"", _FORM


def _refusal(problem: str) -> Reply:
    return {"ok": False, "problem": problem}


def who_may(path: Path) -> str:
    """Who may use the socket, in words."""
    try:
        group = path.group()
    except (KeyError, OSError):
        return "root, the user of the gateway, and members of the socket's group may"
    return f"root, the user of the gateway, and members of the group {group} may"


def listen(path: Path) -> socket.socket:
    """A listening socket at the path, in the place of one that a killed gateway has left.

    The journal's lock has made sure that no other gateway uses the folder. Raises
    OperatorSocketError when something else than a socket is there, a link above all, or when the
    path is too long; OSError when the folder refuses.
    """
    length = len(os.fsencode(path))
    if length > LONGEST_PATH_BYTES:
        raise OperatorSocketError(
            f"{path}: {length} bytes are too long for a unix socket, which takes "
            f"{LONGEST_PATH_BYTES}; choose a shorter state_dir"
        )
    try:
        found = path.lstat()
    except FileNotFoundError:
        pass
    else:
        if not stat.S_ISSOCK(found.st_mode):
            raise OperatorSocketError(f"{path}: this is not a socket; move it away")
        path.unlink()
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
    try:
        # Linux makes the file with the socket's own mode, so it is never open to more than that.
        os.fchmod(listening.fileno(), SOCKET_MODE)
        listening.bind(str(path))
        path.chmod(SOCKET_MODE)
        listening.listen(MOST_CONNECTIONS)
    except OSError:
        listening.close()
        raise
    return listening

"""Asking a running gateway over its operator's socket, from another process on this machine."""

from __future__ import annotations

import json
import socket
from collections.abc import Mapping
from pathlib import Path

from edgeflash.alarms.acknowledging import LONGEST_PATH_BYTES, who_may
from edgeflash.errors import EdgeflashError

WAIT_S = 10.0
"""Longer than the gateway waits for its disk before it answers."""

LONGEST_REPLY_BYTES = 4_000_000


class GatewayError(EdgeflashError):
    """The running gateway cannot be asked, or refuses."""


class GatewayRefusedError(GatewayError):
    """The gateway understood, and does not do it."""


class GatewayNotReachedError(GatewayError):
    """No gateway got the request."""


def ask(path: Path, request: Mapping[str, object], wait_s: float = WAIT_S) -> dict[str, object]:
    """The gateway's reply. Raises GatewayError when there is none; GatewayRefusedError for a
    refusal."""
    try:
        reply = json.loads(_exchanged(path, json.dumps(request).encode() + b"\n", wait_s))
    except (FileNotFoundError, ConnectionRefusedError) as error:
        raise GatewayNotReachedError(
            f"no gateway runs here: nobody listens at {path}. Start it with `edgeflash run`, and "
            "see its log if it runs without this socket"
        ) from error
    except PermissionError as error:
        raise GatewayNotReachedError(f"{path}: you may not use it: {who_may(path)}") from error
    except TimeoutError as error:
        raise GatewayError(f"{path}: the gateway did not answer within {wait_s:g} s") from error
    except OSError as error:
        if len(str(path).encode()) > LONGEST_PATH_BYTES:
            raise GatewayError(f"{path}: this path is too long for a unix socket") from error
        raise GatewayError(f"{path}: the gateway cannot be asked: {error}") from error
    except ValueError as error:
        raise GatewayError(f"{path}: the gateway broke off without an answer") from error
    if not isinstance(reply, dict):
        raise GatewayError(f"{path}: the answer is not that of a gateway")
    if not reply.get("ok"):
        raise GatewayRefusedError(str(reply.get("problem", "the gateway refused without a reason")))
    return reply


def _exchanged(path: Path, request: bytes, wait_s: float) -> bytes:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(wait_s)
        connection.connect(str(path))
        connection.sendall(request)
        reply = b""
        while not reply.endswith(b"\n") and len(reply) <= LONGEST_REPLY_BYTES:
            more = connection.recv(65_536)
            if not more:
                break
            reply += more
    return reply

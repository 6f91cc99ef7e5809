"""Who is at the other end of the operator's socket, and whether they may operate. Linux only."""

from __future__ import annotations

import array
import pwd
import socket
import struct
from dataclasses import dataclass
from typing import Protocol

from edgeflash.access import UserRole

_CREDENTIALS = struct.Struct("iII")
"""struct ucred: pid, uid, gid (unix(7))."""

_SO_PEERGROUPS = 59
"""The supplementary groups of the peer: Linux 4.13, include/uapi/asm-generic/socket.h (from
memory). The standard library has no name for it."""

_MOST_GROUP_BYTES = 1024
"""What the standard library hands on of a socket option: 256 groups. With more of them only the
primary group counts, so that too little is allowed and never too much."""

ROOT_UID = 0


class HasOptions(Protocol):
    """A socket, or what asyncio shows of one."""

    def getsockopt(self, level: int, optname: int, buflen: int, /) -> bytes:
        """A socket option as bytes."""


@dataclass(frozen=True, slots=True)
class Peer:
    """The process that connected, as the kernel saw it then. It cannot claim to be another."""

    uid: int
    gids: frozenset[int]

    @property
    def name(self) -> str:
        """The user's name; asks the user database, which may take a while."""
        try:
            return pwd.getpwuid(self.uid).pw_name
        except KeyError:
            return f"uid {self.uid}"


def peer_of(connection: HasOptions) -> Peer:
    """The peer of a connected unix socket. Raises OSError."""
    size = _CREDENTIALS.size
    told = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size)
    _, uid, gid = _CREDENTIALS.unpack(told)
    try:
        groups = connection.getsockopt(socket.SOL_SOCKET, _SO_PEERGROUPS, _MOST_GROUP_BYTES)
    except OSError:
        return Peer(uid, frozenset({gid}))
    return Peer(uid, frozenset({gid, *array.array("I", groups)}))


def may_operate(peer: Peer, own_uid: int, socket_gid: int) -> bool:
    """True for root, for the gateway's own user, and for members of the socket's group."""
    return peer.uid in (ROOT_UID, own_uid) or socket_gid in peer.gids


def role_of(peer: Peer, own_uid: int) -> UserRole:
    """ENGINEER for root and for the gateway's own user, who could change the site file as well;
    OPERATOR for the others who may operate."""
    return UserRole.ENGINEER if peer.uid in (ROOT_UID, own_uid) else UserRole.OPERATOR

"""Whose prefix it is: two gateways with one site name must not write into one another's history.

A gateway says that the prefix is its own by an object of its own name, and only then looks whether
another has said so too. Of two that come at once at least one sees the other, whatever the order,
and stops; no exclusive write is needed, which not every store has.
"""

from __future__ import annotations

import json
import socket
import uuid
from datetime import UTC, datetime
from pathlib import Path

from edgeflash.errors import EdgeflashError, StorageError
from edgeflash.fleet.manifest import owners_folder
from edgeflash.fleet.store import Store
from edgeflash.service.files import write_private

ID_NAME = "gateway-id"


class PrefixOwnedError(EdgeflashError):
    """Another gateway ships under this site's name."""


def gateway_id(state_dir: Path) -> str:
    """This gateway's id, made at the first asking and kept in its state folder.

    Raises StorageError.
    """
    path = state_dir / ID_NAME
    try:
        if found := path.read_text("ascii").strip():
            return found
    except FileNotFoundError:
        pass
    except (OSError, ValueError) as error:
        raise StorageError(f"{path}: cannot be read: {error}") from error
    made = uuid.uuid4().hex
    write_private(path, f"{made}\n".encode())
    return made


def claim(store: Store, site: str, gateway: str, *, take_over: bool = False) -> None:
    """Makes sure that the site's prefix is this gateway's.

    take_over: those who had it before have it no more; for a machine that was replaced.
    Raises PrefixOwnedError or StoreError.
    """
    mine = f"{owners_folder(site)}/{gateway}.json"
    if (own := store.read(mine)) is None:
        own = _claim([])
        store.put(mine, own)
    claims = {name.removesuffix(".json") for name in store.names(owners_folder(site))} - {gateway}
    superseded = _superseded(own)
    for other in sorted(claims):
        theirs = store.read(f"{owners_folder(site)}/{other}.json") or b""
        if take_over:
            superseded.add(other)
        elif gateway in _superseded(theirs):
            raise PrefixOwnedError(
                f"{store}: another gateway ({_host(theirs)}) has taken over the site '{site}'; "
                "this one ships no more. To take it back: edgeflash ship SITE --take-over"
            )
        elif other not in superseded:
            raise PrefixOwnedError(
                f"{store}: a gateway on {_host(theirs)} ships as site '{site}' already. Give this "
                "one a site name of its own; or, if this machine replaces that one: "
                "edgeflash ship SITE --take-over"
            )
    if take_over:
        for other in sorted(claims):
            _release(store, site, other, gateway)
        store.put(mine, _claim(sorted(superseded)))


def _release(store: Store, site: str, other: str, gateway: str) -> None:
    """Takes back that the other once took over from us."""
    path = f"{owners_folder(site)}/{other}.json"
    content = store.read(path) or b""
    if gateway in (theirs := _superseded(content)):
        store.put(path, _claim(sorted(theirs - {gateway}), _host(content)))


def _claim(superseded: list[str], host: str = "") -> bytes:
    return json.dumps(
        {
            "host": host or socket.gethostname(),
            "supersedes": superseded,
            "said_at": datetime.now(UTC).isoformat(timespec="seconds"),
        }
    ).encode()


def _superseded(content: bytes) -> set[str]:
    try:
        return {str(other) for other in json.loads(content)["supersedes"]}
    except (ValueError, KeyError, TypeError):
        return set()


def _host(content: bytes) -> str:
    try:
        return str(json.loads(content)["host"])
    except (ValueError, KeyError, TypeError):
        return "an unknown host"

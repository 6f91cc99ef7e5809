"""Whose prefix it is: two gateways with one site name must not write into one another's history.

A gateway asks for the prefix by an object of its own name, and only then looks whether another has
asked or holds it. Of two that ask at once at least one sees the other, whatever the order, and
takes its asking back; no exclusive write is needed, which not every store has. Who saw nobody holds
the prefix from then on, and is not stopped by somebody who asks.
"""

from __future__ import annotations

import json
import socket
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
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


class _State(StrEnum):
    """Of a claim. One without is of before there were states, and holds."""

    ASKS = "asks"
    HOLDS = "holds"
    GAVE_UP = "gave up"


@dataclass(frozen=True, slots=True)
class _Claim:
    """What a gateway says of a prefix. supersedes: gateways that have it no more."""

    state: _State
    supersedes: frozenset[str] = frozenset()
    host: str = ""

    def encoded(self) -> bytes:
        return json.dumps(
            {
                "host": self.host or socket.gethostname(),
                "state": self.state.value,
                "supersedes": sorted(self.supersedes),
                "said_at": datetime.now(UTC).isoformat(timespec="seconds"),
            }
        ).encode()


def has_claimed(store: Store, site: str, gateway: str) -> bool:
    """Whether this gateway has ever asked for the prefix in this store. Raises StoreError."""
    return store.size(_path(site, gateway)) is not None


def claim(store: Store, site: str, gateway: str, *, take_over: bool = False) -> None:
    """Makes sure that the site's prefix is this gateway's.

    take_over: those who had it before have it no more; for a machine that was replaced.
    Raises PrefixOwnedError or StoreError.
    """
    mine = _path(site, gateway)
    own = _read(store, mine)
    if own is None or own.state is not _State.HOLDS:
        own = _Claim(_State.ASKS, frozenset() if own is None else own.supersedes)
        store.put(mine, own.encoded())
    others = _others(store, site, gateway)
    if take_over:
        for other, theirs in others.items():
            if gateway in theirs.supersedes:  # what it took over from us once, we take back
                back = replace(theirs, supersedes=theirs.supersedes - {gateway})
                store.put(_path(site, other), back.encoded())
        own = replace(own, supersedes=own.supersedes | others.keys())
        store.put(mine, replace(own, state=_State.HOLDS).encoded())
        return
    if why := _refusal(own, gateway, others):
        if own.state is _State.ASKS:
            # Left there, it would stand against whoever asks next.
            store.put(mine, replace(own, state=_State.GAVE_UP).encoded())
        raise PrefixOwnedError(f"{store}: {why.format(site=site)}")
    if own.state is _State.ASKS:
        store.put(mine, replace(own, state=_State.HOLDS).encoded())


def _refusal(own: _Claim, gateway: str, others: Mapping[str, _Claim]) -> str:
    """Why the prefix is not this gateway's; empty when it is."""
    for other, theirs in others.items():
        host = theirs.host or "an unknown host"
        if gateway in theirs.supersedes:
            return (
                f"another gateway ({host}) has taken over the site '{{site}}'; this one ships no "
                "more. To take it back: edgeflash ship SITE --take-over"
            )
        if other in own.supersedes or theirs.state is _State.GAVE_UP:
            continue
        if theirs.state is _State.HOLDS or own.state is _State.ASKS:
            return (
                f"a gateway on {host} ships as site '{{site}}' already. Give this one a site name "
                "of its own; or, if this machine replaces that one: edgeflash ship SITE --take-over"
            )
    return ""


def _others(store: Store, site: str, gateway: str) -> Mapping[str, _Claim]:
    """The claims of others, by gateway. One that says nothing we know holds the prefix."""
    names = {name.removesuffix(".json") for name in store.names(owners_folder(site))} - {gateway}
    return {n: _read(store, _path(site, n)) or _Claim(_State.HOLDS) for n in sorted(names)}


def _path(site: str, gateway: str) -> str:
    return f"{owners_folder(site)}/{gateway}.json"


def _read(store: Store, path: str) -> _Claim | None:
    """A claim; None without one."""
    content = store.read(path)
    if content is None:
        return None
    try:
        said = json.loads(content)
        supersedes = frozenset(str(other) for other in said["supersedes"])
        return _Claim(_State(said.get("state", _State.HOLDS)), supersedes, str(said["host"]))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return _Claim(_State.HOLDS)

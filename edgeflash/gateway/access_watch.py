"""Notices changes of who may do what: users, trusted certificates, the gateway's own certificate.

They are made in files, by a command or by hand, so nobody asks the gateway for them. It compares
what the files say with what they said at the look before. What changed while no gateway ran is
not seen.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import structlog

from edgeflash.errors import StorageError
from edgeflash.model import EventEntry, EventKind
from edgeflash.service import keys
from edgeflash.service.certificates import CertificateUnreadableError, facts_of
from edgeflash.service.users import FILE_NAME, SiteUser, UserFile

LOOK_EVERY_S = 2.0

VIA = "files"

_NAMES = {keys.Standing.TRUSTED: "trusted", keys.Standing.ISSUER: "an issuer"}

log = structlog.get_logger("edgeflash.access")


@dataclass(frozen=True, slots=True)
class Access:
    """Who may do what at an instant. users: by name. own: the own certificate's thumbprint and
    end; empty when there is none. trusted: whose certificates (list, standing, thumbprint) count,
    and their subjects. revocations: by list and file name, something that differs with content.
    """

    users: Mapping[str, SiteUser] = field(default_factory=dict)
    own: tuple[str, str] = ("", "")
    trusted: Mapping[tuple[str, keys.Standing, str], str] = field(default_factory=dict)
    revocations: Mapping[tuple[str, str], object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Change:
    """One change. subject: a user's name, a thumbprint or a file's name; never a hash."""

    kind: EventKind
    subject: str
    text: str


def changes(before: Access, now: Access) -> tuple[Change, ...]:
    """What differs, in words. Pure."""
    return (
        *_of_users(before.users, now.users),
        *_of_own(before.own, now.own),
        *_of_trust(before.trusted, now.trusted),
        *_of_revocations(before.revocations, now.revocations),
    )


def _of_users(before: Mapping[str, SiteUser], now: Mapping[str, SiteUser]) -> Iterator[Change]:
    kind = EventKind.USER_CHANGED
    for name in sorted({*before, *now}):
        old, new = before.get(name), now.get(name)
        if old is None and new is not None:
            yield Change(kind, name, f"user added as {new.role.name.lower()}")
        elif new is None and old is not None:
            yield Change(kind, name, f"user removed; was {old.role.name.lower()}")
        elif old is not None and new is not None:
            if old.role is not new.role:
                was, is_now = old.role.name.lower(), new.role.name.lower()
                yield Change(kind, name, f"role changed from {was} to {is_now}")
            if old.hashed != new.hashed:
                yield Change(kind, name, "password changed")


def _of_own(before: tuple[str, str], now: tuple[str, str]) -> Iterator[Change]:
    kind, (was, _), (thumbprint, until) = EventKind.CERTIFICATE_RENEWED, before, now
    if was == thumbprint or not was:
        return  # where there was none, the gateway makes one by itself
    if not thumbprint:
        yield Change(kind, was, "the gateway's own certificate is gone, or cannot be read")
    else:
        text = f"the gateway's own certificate is another one, until {until}; before: {was}"
        yield Change(kind, thumbprint, text)


def _of_trust(
    before: Mapping[tuple[str, keys.Standing, str], str],
    now: Mapping[tuple[str, keys.Standing, str], str],
) -> Iterator[Change]:
    kind = EventKind.TRUST_CHANGED
    for one in sorted({*before, *now}):
        peers, standing, thumbprint = one
        if one in before and one in now:
            continue
        subject = before.get(one) or now.get(one) or ""
        how = "is" if one in now else "is no longer"
        text = f"{peers}: certificate {how} {_NAMES[standing]}: {subject}"
        yield Change(kind, thumbprint, text)


def _of_revocations(
    before: Mapping[tuple[str, str], object], now: Mapping[tuple[str, str], object]
) -> Iterator[Change]:
    for one in sorted({*before, *now}):
        if before.get(one) != now.get(one):
            how = "added" if one not in before else "changed" if one in now else "removed"
            peers, name = one
            yield Change(EventKind.TRUST_CHANGED, name, f"{peers}: revocation list {how}")


class AccessWatch:
    """Looks every LOOK_EVERY_S; nothing it finds stops the gateway. on_event: the event record."""

    def __init__(
        self,
        state_dir: Path,
        on_event: Callable[[EventEntry], None],
        now: Callable[[], datetime],
    ) -> None:
        self._state_dir = state_dir
        self._on_event = on_event
        self._now = now
        self._lists = {
            "clients": keys.TrustList(keys.clients_folder(state_dir)),
            "analyzers": keys.TrustList(keys.analyzers_folder(state_dir), peer_is_server=True),
        }
        self._users: UserFile | None = None
        self._seen: Access | None = None
        self._marks: object = None
        self._told = ""

    async def look_for_ever(self) -> None:
        """Looks until cancelled."""
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            await self.look()

    async def look(self) -> None:
        """Hands on what has changed since the look before; the first finds what is there."""
        try:
            now = await asyncio.to_thread(self._read)
        except Exception as error:
            # What cannot be read now is compared when it can be read again.
            if str(error) != self._told:
                known = isinstance(error, StorageError | OSError)
                write = log.error if known else log.exception
                write("changes of users and certificates cannot be seen", why=str(error))
            self._told = str(error)
            return
        self._told = ""
        if now is None:
            return
        before, self._seen = self._seen, now
        if before is not None:
            self._tell(changes(before, now))

    def _tell(self, found: Iterable[Change]) -> None:
        for one in found:
            log.warning(one.kind.value, subject=one.subject, what=one.text)
            entry = EventEntry(self._now(), one.kind, via=VIA, subject=one.subject, text=one.text)
            self._on_event(entry)

    def _read(self) -> Access | None:
        """What the files say; None when none of them has changed."""
        if self._users is None:
            self._users = UserFile(self._state_dir / FILE_NAME)
        users = self._users.users()
        own = keys.own_folder(self._state_dir) / keys.CERTIFICATE
        marks = (users, _mark(own), *(one.mark() for one in self._lists.values()))
        if self._seen is not None and marks == self._marks:
            return None
        read = Access(users, _own(own), self._trusted(), self._revocations())
        self._marks = marks
        return read

    def _trusted(self) -> Mapping[tuple[str, keys.Standing, str], str]:
        return {
            (peers, listed.standing, listed.facts.thumbprint): listed.facts.subject
            for peers, of in self._lists.items()
            for listed in of.list()
            if listed.standing in _NAMES
        }

    def _revocations(self) -> Mapping[tuple[str, str], object]:
        return {
            (peers, path.name): _mark(path)
            for peers, of in self._lists.items()
            for path in of.revocation_files()
        }


def _own(path: Path) -> tuple[str, str]:
    try:
        facts = facts_of(path.read_bytes())
    except (FileNotFoundError, CertificateUnreadableError):
        return "", ""
    return facts.thumbprint, f"{facts.not_after:%Y-%m-%d}"


def _mark(path: Path) -> object:
    try:
        status = path.stat()
    except FileNotFoundError:
        return None
    return (status.st_mtime_ns, status.st_size, status.st_ino)

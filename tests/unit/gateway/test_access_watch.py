"""Changes of users and certificates, made with real files as the commands make them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from edgeflash.access import UserRole
from edgeflash.gateway.access_watch import AccessWatch
from edgeflash.model import EventEntry, EventKind
from edgeflash.service import keys
from edgeflash.service.users import FILE_NAME, UserFile
from tests.certificates import make, revocation_list

NOW = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
USER, TRUST, OWN = (
    EventKind.USER_CHANGED,
    EventKind.TRUST_CHANGED,
    EventKind.CERTIFICATE_RENEWED,
)


class Watched:
    """A state folder under watch."""

    def __init__(self, folder: Path) -> None:
        self.events: list[EventEntry] = []
        self.users = UserFile(folder / FILE_NAME)
        self.clients = keys.TrustList(keys.clients_folder(folder))
        self.analyzers = keys.TrustList(keys.analyzers_folder(folder), peer_is_server=True)
        self.watch = AccessWatch(folder, self.events.append, lambda: NOW)

    async def found(self) -> list[tuple[EventKind, str, str]]:
        """What one more look adds to the record."""
        before = len(self.events)
        await self.watch.look()
        return [(e.kind, e.subject, e.text) for e in self.events[before:]]


async def test_each_change_of_a_user_is_told_once(tmp_path: Path) -> None:
    """Added, role, password, removed; by name, and nothing of a password or its hash."""
    made = Watched(tmp_path)
    made.users.add("orla", UserRole.OBSERVER, "copper-lantern-7")
    assert await made.found() == []  # there when the gateway started
    made.users.add("mara", UserRole.OPERATOR, "quiet-harbour-12")
    assert await made.found() == [(USER, "mara", "user added as operator")]
    made.users.set_role("mara", UserRole.ENGINEER)
    assert await made.found() == [(USER, "mara", "role changed from operator to engineer")]
    made.users.set_password("mara", "another-harbour-9")
    assert await made.found() == [(USER, "mara", "password changed")]
    hashed = made.users.users()["mara"].hashed
    made.users.remove("mara")
    made.users.set_role("orla", UserRole.OPERATOR)
    assert await made.found() == [
        (USER, "mara", "user removed; was engineer"),
        (USER, "orla", "role changed from observer to operator"),
    ]
    assert await made.found() == []
    assert {(e.at, e.via, e.who) for e in made.events} == {(NOW, "files", "")}
    kept = repr(made.events)
    assert not any(w in kept for w in (hashed, "argon2", "harbour", "lantern"))


async def test_what_was_not_readable_meanwhile_is_compared_later(tmp_path: Path) -> None:
    """A list of users that is broken hides no change: it is told once it is mended."""
    made = Watched(tmp_path)
    made.users.add("mara", UserRole.OPERATOR, "quiet-harbour-12")
    await made.found()
    good = (tmp_path / FILE_NAME).read_text("utf-8")
    (tmp_path / FILE_NAME).write_text("{", "utf-8")
    assert await made.found() == []
    (tmp_path / FILE_NAME).write_text(good.replace("operator", "engineer"), "utf-8")
    assert await made.found() == [(USER, "mara", "role changed from operator to engineer")]


async def test_each_change_of_trust_is_told_once(tmp_path: Path) -> None:
    """In both lists, by the thumbprint that an outside library gives; not what strangers leave."""
    made, panel, stranger = Watched(tmp_path), make("panel 7"), make("stranger")
    assert await made.found() == []
    made.clients.add(panel.der)
    ((kind, subject, text),) = await made.found()
    assert (kind, subject) == (TRUST, panel.sha1)
    assert text.startswith("clients: certificate is trusted: ") and "panel 7" in text
    made.clients.keep_rejected(stranger.der)
    assert await made.found() == []
    made.clients.reject(panel.sha1)
    ((kind, subject, text),) = await made.found()
    assert (kind, subject) == (TRUST, panel.sha1)
    assert text.startswith("clients: certificate is no longer trusted: ")
    made.analyzers.add(stranger.der)
    ((_, subject, text),) = await made.found()
    assert (subject, text.split(":")[0]) == (stranger.sha1, "analyzers")
    for path in (made.analyzers.folder / "trusted").iterdir():
        path.unlink()  # by hand
    ((_, subject, text),) = await made.found()
    assert subject == stranger.sha1 and "no longer trusted" in text
    assert await made.found() == []


async def test_issuers_and_revocation_lists_are_trust_too(tmp_path: Path) -> None:
    """Whoever may add one decides who is let in."""
    made, issuer = Watched(tmp_path), make("works issuer", uri=None)
    made.clients.make_folders()
    await made.found()
    (made.clients.folder / "issuers" / "works.der").write_bytes(issuer.der)
    ((_, subject, text),) = await made.found()
    assert subject == issuer.sha1 and text.startswith("clients: certificate is an issuer: ")
    (made.clients.folder / "crl" / "works.crl").write_bytes(revocation_list(issuer))
    assert await made.found() == [(TRUST, "works.crl", "clients: revocation list added")]
    (made.clients.folder / "crl" / "works.crl").unlink()
    assert await made.found() == [(TRUST, "works.crl", "clients: revocation list removed")]


async def test_another_own_certificate_is_told(tmp_path: Path) -> None:
    """Not the first, which the gateway makes by itself; renewed: by the new thumbprint."""
    made, folder = Watched(tmp_path), keys.own_folder(tmp_path)
    await made.found()
    old = keys.ensure_own(folder, "urn:gateway-1:edgeflash:x", ("gateway-1",), NOW)
    assert await made.found() == []
    new = keys.renew_own(folder, "urn:gateway-1:edgeflash:x", ("gateway-1",), NOW)
    ((kind, subject, text),) = await made.found()
    assert (kind, subject) == (OWN, new.facts.thumbprint)
    assert text.endswith(f"before: {old.facts.thumbprint}")
    assert await made.found() == []

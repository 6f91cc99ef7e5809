"""The users' file: argon2id hashes, roles, taken over when changed, private to one user.

Outside reader of the hashes: argon2-cffi itself, by RFC 9106's text form.
"""

from __future__ import annotations

import json
import stat
import threading
from pathlib import Path

import argon2
import pytest

from edgeflash.access import UserRole
from edgeflash.errors import StorageError
from edgeflash.service import users as module
from edgeflash.service.users import UserError, UserFile, checked_name, checked_password

PASSWORD = "correct horse battery"


@pytest.fixture
def file(tmp_path: Path) -> UserFile:
    """A file with one operator."""
    made = UserFile(tmp_path / "state" / "users.json")
    made.add("olive", UserRole.OPERATOR, PASSWORD)
    return made


def test_what_is_on_disk(file: UserFile) -> None:
    """One user, mode 0600, an argon2id hash of at least 19 MiB (OWASP's least), no password."""
    text = file.path.read_text()
    assert stat.S_IMODE(file.path.stat().st_mode) == 0o600
    assert PASSWORD not in text
    (row,) = json.loads(text)["users"].values()
    assert row["role"] == "operator"
    parameters = argon2.extract_parameters(row["hash"])
    assert parameters.type is argon2.Type.ID
    assert parameters.memory_cost >= 19 * 1024
    assert parameters.salt_len >= 16
    assert argon2.PasswordHasher().verify(row["hash"], PASSWORD)


def test_verifying(file: UserFile) -> None:
    """Name and password exactly; another case is another name."""
    assert file.verify("olive", PASSWORD) is UserRole.OPERATOR
    for name, password in (
        ("olive", PASSWORD.upper()),
        ("olive", ""),
        ("Olive", PASSWORD),
        ("", PASSWORD),
        ("admin", PASSWORD),
        ("olive", "x" * 10_000),
        ("olive", "\ud800"),
        ("nobody's password", "nobody's password"),
        ("unknown", "nobody's password"),
    ):
        assert file.verify(name, password) is None, (name, password[:20])


def test_an_unknown_name_costs_a_verification(
    file: UserFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same work with the same parameters, so that time tells nothing."""
    seen: list[str] = []

    class Counting(argon2.PasswordHasher):
        def verify(self, hash: str | bytes, password: str | bytes) -> bool:
            seen.append(str(hash))
            return super().verify(hash, password)

    monkeypatch.setattr(module, "_hasher", Counting())
    for name in ("olive", "unknown"):
        assert file.verify(name, "wrong password") is None
    known, unknown = map(argon2.extract_parameters, seen)
    assert known == unknown


def test_the_same_letters_from_another_keyboard(file: UserFile) -> None:
    """é is one character or two (Unicode NFKC)."""
    file.add("erin", UserRole.ENGINEER, "caf\u00e9 caf\u00e9 caf\u00e9")
    assert file.verify("erin", "cafe\u0301 cafe\u0301 cafe\u0301") is UserRole.ENGINEER


def test_changes_count_for_who_has_the_file_open(file: UserFile) -> None:
    """As a gateway has it while a command changes it."""
    gateway = UserFile(file.path)
    assert gateway.verify("olive", PASSWORD) is UserRole.OPERATOR
    file.set_role("olive", UserRole.OBSERVER)
    assert gateway.verify("olive", PASSWORD) is UserRole.OBSERVER
    file.set_password("olive", "another good password")
    assert gateway.verify("olive", PASSWORD) is None
    assert gateway.verify("olive", "another good password") is UserRole.OBSERVER
    file.remove("olive")
    assert gateway.verify("olive", "another good password") is None
    file.path.unlink()
    assert gateway.users() == {}


def test_two_commands_at_once_lose_nothing(file: UserFile) -> None:
    """Each takes its turn at the file."""
    threads = [
        threading.Thread(
            target=UserFile(file.path).add, args=(f"user-{n}", UserRole.OBSERVER, PASSWORD)
        )
        for n in range(6)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30.0)
    assert set(file.users()) == {"olive", *(f"user-{n}" for n in range(6))}


@pytest.mark.parametrize(
    "password", ["", "short", "elevenchars", "aaaaaaaaaaaaaa", "x" * 600, "\ud800" * 12]
)
def test_passwords_that_are_not_taken(password: str) -> None:
    """At least 12 characters, some of them different; the message does not repeat it."""
    with pytest.raises(UserError) as refusal:
        checked_password(password)
    assert not password or password not in str(refusal.value)
    assert checked_password("twelve chars")


def test_a_password_is_not_the_name() -> None:
    """In whatever case."""
    with pytest.raises(UserError):
        checked_password("Control-System", "control-system")


@pytest.mark.parametrize(
    "name", ["", " ", "a b", "a\nb", "-x", "x" * 65, "anonymous", "Nobody", "ü"]
)
def test_names_that_are_not_taken(name: str) -> None:
    """Letters that a log line can hold; and nobody is called anonymous."""
    with pytest.raises(UserError):
        checked_name(name)
    for good in ("olive", "control-system", "o.live@plant.example", "7", "x" * 64):
        assert checked_name(good) == good


def test_what_cannot_be_changed_is_said(file: UserFile) -> None:
    """A name that is taken, one that is not there."""
    with pytest.raises(UserError, match="already"):
        file.add("olive", UserRole.OBSERVER, PASSWORD)
    for change in (file.remove, lambda n: file.set_role(n, UserRole.OBSERVER)):
        with pytest.raises(UserError, match="there are: olive"):
            change("oscar")


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "{}", '{"version": 2, "users": {}}', '{"version": 1, "users": []}',
     '{"version": 1, "users": {"a": {"role": "king", "hash": ""}}}', "\x00"],
)  # fmt: skip
def test_a_broken_file_lets_nobody_in(file: UserFile, text: str) -> None:
    """It is an error that names the file, and no empty list that somebody would write over."""
    file.path.write_text(text)
    with pytest.raises(StorageError, match=r"users\.json"):
        file.verify("olive", PASSWORD)
    with pytest.raises(StorageError):
        file.add("oscar", UserRole.OBSERVER, PASSWORD)
    assert file.path.read_text() == text


def test_a_broken_hash_is_no_password(file: UserFile) -> None:
    """Somebody edited it by hand."""
    file.path.write_text('{"version": 1, "users": {"olive": {"role": "engineer", "hash": "x"}}}')
    assert file.verify("olive", PASSWORD) is None

"""The users of a site: names, roles and argon2id hashes of their passwords, in one file.

Hashes: RFC 9106, argon2id, with the library's parameters for a server (64 MiB, 3 passes).
"""

from __future__ import annotations

import json
import re
import threading
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from edgeflash.access import UserRole
from edgeflash.errors import StorageError, UsageError
from edgeflash.service.files import locked, write_private

FILE_NAME = "users.json"
LEAST_PASSWORD = 12
MOST_PASSWORD_BYTES = 512
MOST_USERS = 500
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._@-]{0,63}")
_NOBODY = frozenset({"anonymous", "nobody", "edgeflash"})
"""Names that in a record stand for no person."""
_hasher = PasswordHasher()


class UserError(UsageError):
    """Users cannot be changed like that; says why."""


@dataclass(frozen=True, slots=True)
class SiteUser:
    """One user. hashed: the password's argon2id hash in its usual text form."""

    name: str
    role: UserRole
    hashed: str


class UserFile:
    """The file `users.json`; what is changed in it counts at the next log-in.

    Safe to use from several threads and processes.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._seen: tuple[int, int, int] | None = None
        self._users: Mapping[str, SiteUser] = MappingProxyType({})
        # As costly to verify as a real one: a name that is not there must take the same time.
        self._nobody = _hasher.hash("nobody's password")

    def users(self) -> Mapping[str, SiteUser]:
        """Every user by name; none without the file. Raises StorageError when it is unreadable."""
        with self._lock:
            try:
                status = self.path.stat()
                seen = (status.st_mtime_ns, status.st_size, status.st_ino)
                if seen != self._seen:
                    self._users = MappingProxyType(_read(self.path))
                    self._seen = seen
            except FileNotFoundError:
                self._users, self._seen = MappingProxyType({}), None
            except OSError as error:
                raise StorageError(f"{self.path}: cannot be read ({error})") from error
            return self._users

    def verify(self, name: str, password: str) -> UserRole | None:
        """The role of who has this name and password, or None. Takes a tenth of a second or so,
        for a name that is not there as well. Raises StorageError when the file is unreadable."""
        user = self.users().get(name)
        try:
            plain = _normal(password)
            _hasher.verify(user.hashed if user else self._nobody, plain)
        except (Argon2Error, InvalidHashError, UserError):
            return None
        return user.role if user else None

    def add(self, name: str, role: UserRole, password: str) -> None:
        """Adds a user. Raises UserError when the name is taken or no name, or for the password."""
        checked_name(name)
        hashed = _hasher.hash(checked_password(password, name))
        with locked(self.path):
            users = dict(self.users())
            if name in users:
                raise UserError(f"{self.path}: there is a user '{name}' already")
            if len(users) >= MOST_USERS:
                raise UserError(f"{self.path}: holds {MOST_USERS} users, the most there can be")
            users[name] = SiteUser(name, role, hashed)
            self._write(users)

    def remove(self, name: str) -> None:
        """Takes a user out. Raises UserError when there is none of the name."""
        with locked(self.path):
            users = dict(self.users())
            self._known(users, name)
            del users[name]
            self._write(users)

    def set_password(self, name: str, password: str) -> None:
        """Gives a user another password. Raises UserError."""
        hashed = _hasher.hash(checked_password(password, name))
        with locked(self.path):
            users = dict(self.users())
            users[name] = replace(self._known(users, name), hashed=hashed)
            self._write(users)

    def set_role(self, name: str, role: UserRole) -> None:
        """Gives a user another role. Raises UserError."""
        with locked(self.path):
            users = dict(self.users())
            users[name] = replace(self._known(users, name), role=role)
            self._write(users)

    def _known(self, users: Mapping[str, SiteUser], name: str) -> SiteUser:
        if name not in users:
            there = ", ".join(sorted(users)) or "nobody yet"
            raise UserError(f"{self.path}: has no user '{name}'; there are: {there}")
        return users[name]

    def _write(self, users: Mapping[str, SiteUser]) -> None:
        rows = {
            user.name: {"role": user.role.name.lower(), "hash": user.hashed}
            for user in sorted(users.values(), key=lambda user: user.name)
        }
        text = json.dumps({"version": 1, "users": rows}, indent=2)
        write_private(self.path, f"{text}\n".encode())


def checked_name(name: str) -> str:
    """The name, when it can be one. Raises UserError."""
    if not _NAME.fullmatch(name):
        raise UserError(
            f"'{name}' is no user name: a letter or digit, then up to 63 of them or of . _ @ -"
        )
    if name.lower() in _NOBODY:
        raise UserError(f"'{name}' cannot be a user: in records it stands for nobody")
    return name


def checked_password(password: str, name: str = "") -> str:
    """The password in the form that is hashed. Raises UserError; never repeats the password."""
    plain = _normal(password)
    if len(plain) < LEAST_PASSWORD:
        raise UserError(f"a password has at least {LEAST_PASSWORD} characters")
    if len(set(plain)) < 5 or (name and plain.lower() == name.lower()):
        raise UserError("this password is guessed at once: take another one")
    return plain


def _normal(password: str) -> str:
    """One form of the same letters, whichever keyboard they came from. Raises UserError."""
    plain = unicodedata.normalize("NFKC", password)
    try:
        size = len(plain.encode())
    except UnicodeEncodeError as error:
        raise UserError("a password is text") from error
    if size > MOST_PASSWORD_BYTES:
        raise UserError(f"a password has at most {MOST_PASSWORD_BYTES} bytes")
    return plain


def _read(path: Path) -> dict[str, SiteUser]:
    try:
        content: Any = json.loads(path.read_bytes())
        rows = content["users"]
        if content["version"] != 1:
            raise ValueError(f"is of version {content['version']}, not 1")
        return {
            str(name): SiteUser(str(name), UserRole[str(row["role"]).upper()], str(row["hash"]))
            for name, row in rows.items()
        }
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise StorageError(
            f"{path}: is no list of users ({error!r}); put a good copy back, or take it away and "
            "add the users again"
        ) from error

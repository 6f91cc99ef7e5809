"""Looks at where a site ships to, as far as that can be seen without asking the store."""

from __future__ import annotations

import configparser
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from urllib.parse import unquote, urlsplit

from edgeflash.config.ship import Ship
from edgeflash.config.toml_positions import KeyPath

_URL: KeyPath = ("ship", "url")
_ID, _SECRET = "AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"
_FILE, _PROFILE = "AWS_SHARED_CREDENTIALS_FILE", "AWS_PROFILE"
_DEFAULT = "default"


def store_findings(
    ship: Ship, environment: Mapping[str, str]
) -> Iterator[tuple[KeyPath, str, bool]]:
    """At which key, what is found, and whether it cannot work so.

    The names in the environment, the place of the credentials file and its form are those of the
    S3 client in pyarrow (from memory).
    """
    parts = urlsplit(ship.url)
    if parts.scheme == "s3":
        yield from _key_findings(environment)
        return
    folder = Path(unquote(parts.path) if parts.scheme == "file" else ship.url)
    if not folder.is_dir():
        yield _URL, f"{folder}: there is no such folder; make it, or mount the share", True
    elif not os.access(folder, os.W_OK | os.X_OK):
        why = f"{folder}: may not be written; let the user of the gateway, and check as that one"
        yield _URL, why, True


def _key_findings(environment: Mapping[str, str]) -> Iterator[tuple[KeyPath, str, bool]]:
    given = [name for name in (_ID, _SECRET) if environment.get(name)]
    if len(given) == 1:
        (missing,) = {_ID, _SECRET} - set(given)
        yield _URL, f"{given[0]} is in the environment, {missing} is not: give both", True
    if given:
        return
    named = environment.get(_FILE)
    file = Path(named) if named else Path(environment.get("HOME", "/")) / ".aws" / "credentials"
    profile = environment.get(_PROFILE) or _DEFAULT
    try:
        text = file.read_text("utf-8")
    except FileNotFoundError:
        if named:
            yield _URL, f"{file}: there is no such file; {_FILE} names it", True
        else:
            why = (
                f"neither {_ID} nor {file} gives a key here: the service has its own, or the "
                "machine a role, or the store will refuse"
            )
            yield _URL, why, False
        return
    except (OSError, UnicodeDecodeError) as error:
        yield _URL, f"{file}: the keys of the store cannot be read: {error}", True
        return
    yield from _profile_findings(file, text, profile)


def _profile_findings(file: Path, text: str, profile: str) -> Iterator[tuple[KeyPath, str, bool]]:
    parser = configparser.RawConfigParser(strict=False)
    try:
        parser.read_string(text)
    except configparser.Error:
        yield _URL, f"{file}: is no credentials file: [{profile}] and lines of NAME = VALUE", True
        return
    if not parser.has_section(profile):
        yield _URL, f"{file}: has no [{profile}]; {_PROFILE} chooses another", True
        return
    missing = [n.lower() for n in (_ID, _SECRET) if not parser.get(profile, n, fallback="")]
    if missing:
        yield _URL, f"{file}: [{profile}] gives no {' and no '.join(missing)}", True

"""Looks at the files that a site file names beside its maps: certificates, keys, passwords.

They may come and go while a gateway runs, and one that is missing must not keep the other outlets
from serving: so none of it is a mistake of the site file. Who sets a gateway up wants to know.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.opcua_source import OpcUaSource
from edgeflash.config.problems import key_text
from edgeflash.config.site import Site
from edgeflash.config.toml_positions import KeyPath, key_lines, line_of
from edgeflash.errors import StorageError
from edgeflash.gateway.store_check import store_findings
from edgeflash.service.expiry import Stage, stage_of, state_text
from edgeflash.service.keys import own_folder, read_own

CREDENTIALS = "CREDENTIALS_DIRECTORY"
"""Where the service manager puts credentials (systemd.exec(5), "Credentials")."""

_PAST = frozenset({Stage.EXPIRED, Stage.NOT_YET_VALID})
_SOON = frozenset({Stage.WITHIN_30_DAYS, Stage.WITHIN_7_DAYS})
_OTHERS = 0o007
_PUBLIC = (serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)


@dataclass(frozen=True, slots=True)
class FileFinding:
    """What is the matter with a file, at the key that names it.

    line: of the key in the site file; 0 when it is not written there. is_fault: it cannot work so;
    else it is worth knowing.
    """

    line: int
    key: str
    problem: str
    is_fault: bool = True


class _UnusableError(Exception):
    """Why a file is of no use."""


Found = tuple[KeyPath, str, bool]
"""At which key, what, and whether it cannot work so."""


def file_findings(
    site: Site, now: datetime, environment: Mapping[str, str] = os.environ
) -> list[FileFinding]:
    """Everything that is found, in the order of the site file. now: aware."""
    try:
        lines = key_lines(site.path.read_text("utf-8-sig"))
    except (OSError, UnicodeDecodeError):
        lines = {}  # it was readable a moment ago; the findings stand without their lines
    found = [
        FileFinding(line_of(lines, path), key_text(path), problem, is_fault)
        for path, problem, is_fault in _found(site, now, environment)
    ]
    return sorted(found, key=lambda one: one.line)


def _found(site: Site, now: datetime, environment: Mapping[str, str]) -> Iterator[Found]:
    folder = site.path.absolute().parent
    for index, entry in enumerate(site.file.mqtt):
        path: KeyPath = ("mqtt", index)
        yield from _tls_files(path, entry, folder, now)
        yield from _password(path, entry, folder, environment)
    for index, analyzer in enumerate(site.file.analyzers):
        if analyzer.opcua is not None:
            path = ("analyzers", index, "opcua")
            yield from _password(path, analyzer.opcua, folder, environment)
    yield from _own_certificate(site, now)
    if site.file.ship is not None:
        yield from store_findings(site.file.ship, environment)


def _tls_files(path: KeyPath, entry: MqttEntry, folder: Path, now: datetime) -> Iterator[Found]:
    if entry.ca_file is not None:
        key = (*path, "ca_file")
        try:
            for vouching in _certificates(folder / entry.ca_file):
                yield from _validity(key, vouching, folder / entry.ca_file, now)
        except _UnusableError as why:
            yield key, str(why), True
    if entry.certificate_file is None or entry.key_file is None:
        return
    ours, own_key = (*path, "certificate_file"), (*path, "key_file")
    certificate: x509.Certificate | None = None
    try:
        certificate = _certificates(folder / entry.certificate_file)[0]
        yield from _validity(ours, certificate, folder / entry.certificate_file, now)
    except _UnusableError as why:
        yield ours, str(why), True
    try:
        public = _public_key(folder / entry.key_file)
    except _UnusableError as why:
        yield own_key, str(why), True
        return
    yield from _readable_by_others(own_key, folder / entry.key_file)
    if certificate is not None and public != certificate.public_key().public_bytes(*_PUBLIC):
        file = folder / entry.key_file
        yield own_key, f"{file}: is not the key of {entry.certificate_file}", True


def _password(
    path: KeyPath, entry: MqttEntry | OpcUaSource, folder: Path, environment: Mapping[str, str]
) -> Iterator[Found]:
    if entry.password_credential is not None:
        key: KeyPath = (*path, "password_credential")
        given = environment.get(CREDENTIALS)
        if given is None:
            name = entry.password_credential
            yield (
                key,
                f'"{name}" comes from the service manager and is seen by the service only',
                (False),
            )
            return
        file = Path(given) / entry.password_credential
    elif entry.password_file is not None:
        key, file = (*path, "password_file"), folder / entry.password_file
    else:
        return
    try:
        text = _content(file).decode("utf-8").rstrip("\r\n")
    except _UnusableError as why:
        yield key, str(why), True
        return
    except UnicodeDecodeError:
        yield key, f"{file}: is no UTF-8 text; write the password as such", True
        return
    if not text:
        yield key, f"{file}: is empty; write the password into it", True
    yield from _readable_by_others(key, file)


def _own_certificate(site: Site, now: datetime) -> Iterator[Found]:
    """The gateway's own OPC UA certificate, once there is one; towards clients and analyzers."""
    sources = [a.opcua for a in site.file.analyzers if a.opcua is not None]
    is_used = site.file.opcua is not None or any(source.is_secure for source in sources)
    folder = own_folder(site.state_dir)
    try:
        if not is_used or not any(folder.iterdir()):
            return
        own = read_own(folder)
    except (FileNotFoundError, NotADirectoryError):
        return  # made when the gateway first starts
    except PermissionError:
        yield ("opcua",), f"{folder}: may be looked into by the user of the gateway only", False
        return
    except (OSError, StorageError) as error:
        yield ("opcua",), str(error), True
        return
    stage = stage_of(own.facts.not_before, own.facts.not_after, now)
    if stage in _PAST | _SOON:
        state = state_text(own.facts.not_before, own.facts.not_after, now)
        why = f"{own.certificate_path}: {state}; renew it: `edgeflash keys renew`"
        yield ("opcua",), why, stage in _PAST


def _content(file: Path) -> bytes:
    try:
        if file.is_dir():
            raise _UnusableError(f"{file}: this is a folder; give the file itself")
        return file.read_bytes()
    except FileNotFoundError as error:
        why = f"{file}: there is no such file; put it there, or correct the path"
        raise _UnusableError(why) from error
    except PermissionError as error:
        why = f"{file}: may not be read; let the user of the gateway read it, and check as that one"
        raise _UnusableError(why) from error
    except (OSError, ValueError) as error:
        raise _UnusableError(f"{file}: cannot be read: {error}") from error


def _certificates(file: Path) -> list[x509.Certificate]:
    content = _content(file)
    try:
        return x509.load_pem_x509_certificates(content)
    except (ValueError, UnsupportedAlgorithm) as error:
        raise _UnusableError(f"{file}: holds no certificate in PEM that can be read") from error


def _public_key(file: Path) -> bytes:
    content = _content(file)
    try:
        key = serialization.load_pem_private_key(content, password=None)
    except TypeError as error:
        why = f"{file}: the key is encrypted; give one that is not, readable by edgeflash alone"
        raise _UnusableError(why) from error
    except (ValueError, UnsupportedAlgorithm) as error:
        raise _UnusableError(f"{file}: holds no private key in PEM that can be read") from error
    return key.public_key().public_bytes(*_PUBLIC)


def _validity(
    key: KeyPath, certificate: x509.Certificate, file: Path, now: datetime
) -> Iterator[Found]:
    begin, end = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    stage = stage_of(begin, end, now)
    if stage in _PAST | _SOON:
        name = certificate.subject.rfc4514_string()
        why = f"{file}: {name}: {state_text(begin, end, now)}; get a new one"
        yield key, why, stage in _PAST


def _readable_by_others(key: KeyPath, file: Path) -> Iterator[Found]:
    try:
        is_open = bool(file.stat().st_mode & _OTHERS)
    except OSError:
        return
    if is_open:
        yield key, f"{file}: every user of this machine may read it: chmod o-rwx", False

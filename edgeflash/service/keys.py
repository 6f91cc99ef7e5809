"""The gateway's own key and certificate, and the lists of the peers it trusts, in folders.

Below `state_dir/keys`: `own` is this gateway's; `clients` says who may connect to it, `analyzers`
which servers it connects to. A list has the folders `trusted`, `rejected`, `issuers` and `crl`;
certificates lie in them in DER or PEM, under any name. What is changed there counts at once.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import rsa

from edgeflash.errors import StorageError, UsageError
from edgeflash.service import certificates
from edgeflash.service.certificate_checks import Refusal, Trusted, check_certificate
from edgeflash.service.certificates import CertificateFacts, CertificateUnreadableError
from edgeflash.service.files import locked, private_folder, write_private

CERTIFICATE = "certificate.der"
MOST_REJECTED = 32
"""Certificates kept in rejected; beyond that the oldest goes."""
MOST_FILES = 1000
MOST_FILE_BYTES = 1_000_000


class KeyChoiceError(UsageError):
    """A certificate was named that is not there, or not by one name alone."""


@dataclass(frozen=True, slots=True)
class OwnCertificate:
    """This gateway's certificate and where its private key lies. made: it is new, and why."""

    certificate_path: Path
    key_path: Path
    facts: CertificateFacts
    made: str = ""


class Standing(StrEnum):
    """In which folder of a trust list a certificate is."""

    TRUSTED = "trusted"
    REJECTED = "rejected"
    ISSUER = "issuers"


@dataclass(frozen=True, slots=True)
class Listed:
    """One certificate of a trust list."""

    standing: Standing
    path: Path
    facts: CertificateFacts


def own_folder(state_dir: Path) -> Path:
    """Where the gateway's own key and certificate lie."""
    return state_dir / "keys" / "own"


def clients_folder(state_dir: Path) -> Path:
    """The trust list of the clients that may connect to our OPC UA server."""
    return state_dir / "keys" / "clients"


def analyzers_folder(state_dir: Path) -> Path:
    """The trust list of the OPC UA servers that our links connect to."""
    return state_dir / "keys" / "analyzers"


def ensure_own(
    folder: Path, application_uri: str, host_names: Sequence[str], now: datetime
) -> OwnCertificate:
    """The own certificate of this folder. It is made when there is none, or one of another URI.

    An expired one is kept: renewing is somebody's decision, as every peer must then trust anew.
    host_names: only for a new one. Takes some seconds when it makes a key.
    Raises StorageError, also for a certificate and a key that do not belong together.
    """
    private_folder(folder)
    with locked(folder / CERTIFICATE):
        why = "there was none"
        if (folder / CERTIFICATE).exists():
            found = read_own(folder)
            if found.facts.application_uri == application_uri:
                return found
            why = f'the one before was of "{found.facts.application_uri}"'
        return _made(folder, application_uri, host_names, now, why)


def renew_own(
    folder: Path, application_uri: str, host_names: Sequence[str], now: datetime
) -> OwnCertificate:
    """A new key and certificate in place of the present ones, which are kept in `old`."""
    private_folder(folder)
    with locked(folder / CERTIFICATE):
        return _made(folder, application_uri, host_names, now, "it was asked for")


def read_own(folder: Path) -> OwnCertificate:
    """The own certificate as it is, with the one key of this folder (*.pem) that belongs to it.

    Raises StorageError when the certificate or its key is missing, or others may read the key.
    """
    path = folder / CERTIFICATE
    try:
        certificate = certificates.read_certificate(path.read_bytes())
    except FileNotFoundError as error:
        raise StorageError(
            f"{path}: there is none yet; it is made when the gateway first starts"
        ) from error
    except (OSError, CertificateUnreadableError) as error:
        raise StorageError(
            f"{path}: the own certificate cannot be read ({error}); put it back, or take it away "
            "and a new one is made, which every peer must then trust"
        ) from error
    for key_path in sorted(folder.glob("*.pem")):
        if _is_key_of(key_path, certificate):
            if key_path.stat().st_mode & 0o077:
                raise StorageError(f"{key_path}: others may read this key: chmod 600, or renew it")
            facts = certificates.facts_of(certificates.der_of(certificate))
            return OwnCertificate(path, key_path, facts)
    raise StorageError(f"{folder}: no *.pem there is the key of {CERTIFICATE}; put it back")


def _is_key_of(path: Path, certificate: x509.Certificate) -> bool:
    try:
        key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except (OSError, ValueError, TypeError, UnsupportedAlgorithm):
        return False
    return isinstance(key, rsa.RSAPrivateKey) and key.public_key() == certificate.public_key()


def _made(
    folder: Path, application_uri: str, host_names: Sequence[str], now: datetime, why: str
) -> OwnCertificate:
    key = certificates.make_key()
    made = certificates.make_certificate(key, application_uri, host_names, now)
    der = certificates.der_of(made)
    facts = certificates.facts_of(der)
    key_path = folder / f"{facts.thumbprint.lower()}.pem"
    before = _keep_aside(folder, now)
    # The key has a name of its own, so replacing the certificate is the one step that counts.
    write_private(key_path, certificates.key_to_pem(key))
    write_private(folder / CERTIFICATE, der)
    if before is not None:
        before.unlink(missing_ok=True)
    return OwnCertificate(folder / CERTIFICATE, key_path, facts, why)


def _keep_aside(folder: Path, now: datetime) -> Path | None:
    """Copies the present pair into `old`; where its key is, or None when there is no pair."""
    try:
        present = read_own(folder)
        pair = (present.certificate_path.read_bytes(), present.key_path.read_bytes())
    except (StorageError, OSError):
        return None
    aside = folder / "old" / f"{now:%Y%m%dT%H%M%S%fZ}"
    write_private(aside / CERTIFICATE, pair[0])
    write_private(aside / present.key_path.name, pair[1])
    return present.key_path


class TrustList:
    """Who is trusted. Reads its folders again whenever something in them has changed.

    peer_is_server: the list is of servers that we connect to. Safe to use from several threads.
    """

    def __init__(self, folder: Path, peer_is_server: bool = False) -> None:
        self.folder = folder
        self._peer_is_server = peer_is_server
        self._lock = threading.Lock()
        self._seen: object = None
        self._lists = Trusted()
        self.unreadable: tuple[Path, ...] = ()
        """Files in the list's folders that are neither certificate nor revocation list."""

    def make_folders(self) -> None:
        """Makes what is missing of its folders, so that people find where things go."""
        for name in ("trusted", "rejected", "issuers", "crl"):
            private_folder(self.folder / name)

    def check(self, certificate_der: bytes, now: datetime) -> Refusal | None:
        """Why this certificate, alone or with its issuers behind it, is refused; None: accepted."""
        return check_certificate(certificate_der, self._current(), now, self._peer_is_server)

    def mark(self) -> object:
        """Something that differs once the list has changed: names, times and sizes of its files."""
        return tuple(
            (str(path), status.st_mtime_ns, status.st_size, status.st_ino)
            for name in ("trusted", "issuers", "crl")
            for path in _files(self.folder / name)
            if (status := _status(path)) is not None
        )

    def keep_rejected(self, der: bytes) -> None:
        """Keeps a refused certificate in `rejected`, where somebody may decide to trust it.

        At most MOST_REJECTED are kept, the newest. One that is trusted (and refused for another
        reason) stays where it is. Raises StorageError, CertificateUnreadableError.
        """
        leaf = certificates.der_of(certificates.read_certificate(der))
        name = f"{certificates.thumbprint_of(leaf).lower()}.der"
        with self._lock:
            if any(c.facts.thumbprint == certificates.thumbprint_of(leaf) for c in self.list()):
                return
            write_private(self.folder / "rejected" / name, leaf)
            kept = [
                (s.st_mtime_ns, p) for p in _files(self.folder / "rejected") if (s := _status(p))
            ]
            for _, path in sorted(kept)[:-MOST_REJECTED]:
                path.unlink(missing_ok=True)

    def list(self) -> tuple[Listed, ...]:
        """Every certificate of trusted, rejected and issuers."""
        return tuple(self._listed())

    def revocation_files(self) -> tuple[Path, ...]:
        """The files of its revocation lists."""
        return tuple(_files(self.folder / "crl"))

    def trust(self, thumbprint: str) -> CertificateFacts:
        """Moves a certificate from rejected to trusted; its facts. Raises KeyChoiceError."""
        return self._move(thumbprint, Standing.REJECTED, Standing.TRUSTED)

    def reject(self, thumbprint: str) -> CertificateFacts:
        """Moves a certificate from trusted to rejected; its facts. Raises KeyChoiceError."""
        return self._move(thumbprint, Standing.TRUSTED, Standing.REJECTED)

    def add(self, data: bytes) -> CertificateFacts:
        """Trusts a certificate that comes from a file. Raises CertificateUnreadableError."""
        leaf = certificates.der_of(certificates.read_certificate(data))
        facts = certificates.facts_of(leaf)
        write_private(self.folder / "trusted" / f"{facts.thumbprint.lower()}.der", leaf)
        (self.folder / "rejected" / f"{facts.thumbprint.lower()}.der").unlink(missing_ok=True)
        return facts

    def _move(self, thumbprint: str, origin: Standing, target: Standing) -> CertificateFacts:
        wanted = thumbprint.replace(":", "").replace(" ", "").upper()
        found = [
            listed
            for listed in self._listed()
            if listed.standing is origin
            and (listed.facts.thumbprint == wanted or listed.facts.sha256 == wanted)
        ]
        if not found:
            raise KeyChoiceError(
                f"{self.folder / origin.value}: has no certificate {thumbprint}; "
                "see `edgeflash keys list`"
            )
        data = certificates.der_of(certificates.read_certificate(found[0].path.read_bytes()))
        name = f"{found[0].facts.thumbprint.lower()}.der"
        write_private(self.folder / target.value / name, data)
        for listed in found:
            listed.path.unlink(missing_ok=True)
        return found[0].facts

    def _listed(self) -> Iterator[Listed]:
        for standing in Standing:
            for path in _files(self.folder / standing.value):
                try:
                    facts = certificates.facts_of(_content(path))
                except (CertificateUnreadableError, OSError):
                    continue
                yield Listed(standing, path, facts)

    def _current(self) -> Trusted:
        with self._lock:
            mark = self.mark()
            if mark != self._seen:
                self._lists, self.unreadable = _read_lists(self.folder)
                self._seen = mark
            return self._lists


def _read_lists(folder: Path) -> tuple[Trusted, tuple[Path, ...]]:
    unreadable: list[Path] = []
    found: dict[str, list[x509.Certificate]] = {"trusted": [], "issuers": []}
    for name, into in found.items():
        for path in _files(folder / name):
            try:
                into.append(certificates.read_certificate(_content(path)))
            except (CertificateUnreadableError, OSError):
                unreadable.append(path)
    revoked: list[x509.CertificateRevocationList] = []
    for path in _files(folder / "crl"):
        try:
            revoked.append(_revocation_list(_content(path)))
        except (ValueError, OSError):
            unreadable.append(path)
    lists = Trusted(tuple(found["trusted"]), tuple(found["issuers"]), tuple(revoked))
    return lists, tuple(unreadable)


def _revocation_list(data: bytes) -> x509.CertificateRevocationList:
    if data.lstrip().startswith(b"-----BEGIN"):
        return x509.load_pem_x509_crl(data)
    return x509.load_der_x509_crl(data)


def _files(folder: Path) -> list[Path]:
    """The files of a folder in order of their names; those of a folder that is not there: none."""
    try:
        return sorted(path for path in folder.iterdir() if not path.name.startswith("."))[
            :MOST_FILES
        ]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise StorageError(f"{folder}: cannot be read ({error.strerror})") from error


def _status(path: Path) -> os.stat_result | None:
    try:
        return path.stat()
    except OSError:
        return None


def _content(path: Path) -> bytes:
    if path.stat().st_size > MOST_FILE_BYTES:
        raise OSError(f"{path}: is larger than a certificate can be")
    return path.read_bytes()

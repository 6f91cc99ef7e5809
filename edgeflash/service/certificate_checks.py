"""Whether the certificate of an OPC UA application is acceptable, and why not. Pure.

The steps and their status codes are those of OPC 10000-4, 6.1.3, "Certificate validation"; usage,
key length and signature hash those of OPC 10000-6, 6.2.2 and the profiles of OPC 10000-7.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID

from edgeflash.service.certificates import (
    CertificateUnreadableError,
    application_uri_of,
    der_of,
    leaf_of,
    printable,
    read_certificate,
)

LEAST_KEY_BITS, MOST_KEY_BITS = 2048, 4096
LONGEST_CHAIN = 5
_HASHES = frozenset({"sha256", "sha384", "sha512"})
# What would tell a stranger what we trust and what not (OPC 10000-4, 6.1.3 and 5.5.2).
_HIDDEN = frozenset(
    {
        "BadCertificateInvalid",
        "BadCertificateChainIncomplete",
        "BadCertificateUntrusted",
        "BadCertificatePolicyCheckFailed",
    }
)


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a certificate is not accepted. status: the name of an OPC UA status code."""

    status: str
    why: str

    @property
    def told(self) -> str:
        """The status that the peer is told: of trust itself it learns nothing more exact."""
        return "BadSecurityChecksFailed" if self.status in _HIDDEN else self.status


@dataclass(frozen=True, slots=True)
class Trusted:
    """What a trust list holds.

    trusted: of applications, or of authorities whose certificates are all accepted. issuers: needed
    to complete a chain, not trusted by themselves. revoked: revocation lists.
    """

    trusted: tuple[x509.Certificate, ...] = ()
    issuers: tuple[x509.Certificate, ...] = ()
    revoked: tuple[x509.CertificateRevocationList, ...] = ()


def check_certificate(
    data: bytes, lists: Trusted, now: datetime, peer_is_server: bool = False
) -> Refusal | None:
    """Why this certificate, in DER with or without its issuers, is refused; None when accepted."""
    try:
        first, rest = leaf_of(data)
        leaf = read_certificate(first)
        sent = tuple(_chain_of(rest))
        return _refusal(leaf, sent, lists, now, peer_is_server)
    except CertificateUnreadableError as error:
        return Refusal("BadCertificateInvalid", str(error))
    except (ValueError, UnsupportedAlgorithm, x509.DuplicateExtension) as error:
        return Refusal("BadCertificateInvalid", f"its fields cannot be read ({error})")


def check_application_uri(der: bytes, application_uri: str) -> Refusal | None:
    """Why a peer with this certificate is not the application that it says it is."""
    try:
        stated = application_uri_of(read_certificate(der))
    except (CertificateUnreadableError, ValueError, x509.DuplicateExtension) as error:
        return Refusal("BadCertificateInvalid", f"its fields cannot be read ({error})")
    if stated and stated == application_uri:
        return None
    why = f'it is of "{printable(stated)}", the peer calls itself "{printable(application_uri)}"'
    return Refusal("BadCertificateUriInvalid", why)


def _refusal(
    leaf: x509.Certificate,
    sent: tuple[x509.Certificate, ...],
    lists: Trusted,
    now: datetime,
    peer_is_server: bool,
) -> Refusal | None:
    if weak := _weakness(leaf):
        return Refusal("BadCertificatePolicyCheckFailed", weak)
    known = {der_of(certificate) for certificate in lists.trusted}
    chain, complete = _issuers_of(leaf, (*lists.trusted, *lists.issuers, *sent))
    if der_of(leaf) not in known:  # one that the site trusts by itself needs no issuer
        if not any(der_of(issuer) in known for issuer in chain):
            return Refusal("BadCertificateUntrusted", "neither it nor an issuer of it is trusted")
        if not complete:
            why = "an issuer above it is missing; put that into issuers/"
            return Refusal("BadCertificateChainIncomplete", why)
        for issuer in chain:
            if weak := _weakness(issuer):
                return Refusal("BadCertificatePolicyCheckFailed", f"its issuer: {weak}")
    if not leaf.not_valid_before_utc <= now <= leaf.not_valid_after_utc:
        return Refusal("BadCertificateTimeInvalid", _when(leaf, now))
    for issuer in chain:
        if not issuer.not_valid_before_utc <= now <= issuer.not_valid_after_utc:
            why = f"its issuer: {_when(issuer, now)}"
            return Refusal("BadCertificateIssuerTimeInvalid", why)
    if wrong := _misuse(leaf, peer_is_server):
        return Refusal("BadCertificateUseNotAllowed", wrong)
    if _is_revoked(leaf, chain, lists.revoked):
        return Refusal("BadCertificateRevoked", "its issuer has revoked it")
    for place, issuer in enumerate(chain):
        if _is_revoked(issuer, chain[place + 1 :], lists.revoked):
            return Refusal("BadCertificateIssuerRevoked", "one of its issuers has been revoked")
    return None


def _weakness(certificate: x509.Certificate) -> str:
    key = certificate.public_key()
    if not isinstance(key, rsa.RSAPublicKey):
        return "its key is no RSA key"
    if not LEAST_KEY_BITS <= key.key_size <= MOST_KEY_BITS:
        return f"its key has {key.key_size} bits, not {LEAST_KEY_BITS} to {MOST_KEY_BITS}"
    used = certificate.signature_hash_algorithm
    if used is None or used.name not in _HASHES:
        return f"its signature uses {used.name if used else 'no hash'}, not SHA-256 or better"
    return ""


def _when(certificate: x509.Certificate, now: datetime) -> str:
    if now < certificate.not_valid_before_utc:
        return f"it is not valid before {certificate.not_valid_before_utc:%Y-%m-%d %H:%M:%S} UTC"
    return f"it expired on {certificate.not_valid_after_utc:%Y-%m-%d %H:%M:%S} UTC"


def _misuse(certificate: x509.Certificate, peer_is_server: bool) -> str:
    extensions = certificate.extensions
    try:
        usage = extensions.get_extension_for_class(x509.KeyUsage).value
    except x509.ExtensionNotFound:
        return "it does not say what its key may be used for"
    needed = {
        "digital signature": usage.digital_signature,
        "non-repudiation": usage.content_commitment,
        "key encipherment": usage.key_encipherment,
        "data encipherment": usage.data_encipherment,
    }
    lacking = [name for name, given in needed.items() if not given]
    if lacking:
        return f"its key may not be used for {', '.join(lacking)}"
    wanted = ExtendedKeyUsageOID.SERVER_AUTH if peer_is_server else ExtendedKeyUsageOID.CLIENT_AUTH
    try:
        purposes = extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    except x509.ExtensionNotFound:
        return ""  # no purpose stated is no purpose excluded: RFC 5280, 4.2.1.12
    if wanted not in purposes:
        return f"it may not be used by a {'server' if peer_is_server else 'client'}"
    return ""


def _issuers_of(
    leaf: x509.Certificate, candidates: Sequence[x509.Certificate]
) -> tuple[tuple[x509.Certificate, ...], bool]:
    """The issuers above a certificate, nearest first, and whether they reach a root."""
    chain: list[x509.Certificate] = []
    current = leaf
    while len(chain) < LONGEST_CHAIN:
        if current.subject == current.issuer:
            return tuple(chain), _signed_by(current, current)
        for candidate in candidates:
            if _may_issue(candidate) and _signed_by(current, candidate):
                current = candidate
                break
        else:
            return tuple(chain), False
        chain.append(current)
    return tuple(chain), False


def _signed_by(certificate: x509.Certificate, issuer: x509.Certificate) -> bool:
    try:
        certificate.verify_directly_issued_by(issuer)
    except (ValueError, TypeError, InvalidSignature, UnsupportedAlgorithm):
        return False
    return True


def _may_issue(certificate: x509.Certificate) -> bool:
    extensions = certificate.extensions
    try:
        if not extensions.get_extension_for_class(x509.BasicConstraints).value.ca:
            return False
        return extensions.get_extension_for_class(x509.KeyUsage).value.key_cert_sign
    except x509.ExtensionNotFound:
        return False


def _is_revoked(
    certificate: x509.Certificate,
    issuers: Sequence[x509.Certificate],
    lists: Sequence[x509.CertificateRevocationList],
) -> bool:
    """True when a list that its issuer has signed names it; one past its date still counts."""
    if not issuers:
        return False
    key = issuers[0].public_key()
    return any(
        isinstance(key, rsa.RSAPublicKey)
        and listed.issuer == certificate.issuer
        and listed.is_signature_valid(key)
        and listed.get_revoked_certificate_by_serial_number(certificate.serial_number) is not None
        for listed in lists
    )


def _chain_of(rest: bytes) -> Iterator[x509.Certificate]:
    """The issuers that a peer sends behind its own certificate; no more than a chain can have."""
    for _ in range(LONGEST_CHAIN):
        if not rest:
            return
        first, rest = leaf_of(rest)
        yield read_certificate(first)

"""X.509 certificates of OPC UA applications: making our own, and reading what one says. Pure.

Fields and extensions: OPC 10000-6, 6.2.2 (application instance certificate). Thumbprint: the SHA-1
of the DER form, OPC 10000-6, 6.2.2; it names a certificate and protects nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import ip_address

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from edgeflash.errors import EdgeflashError

KEY_BITS = 3072
"""Within the 2048 to 4096 bits of the policies (OPC 10000-7); good beyond 2030 (NIST SP 800-57)."""
LIFETIME = timedelta(days=5 * 365)
CLOCKS_APART = timedelta(hours=1)
"""How far back the validity begins, for clients whose clock is behind."""
MOST_DER_BYTES = 16_384


class CertificateUnreadableError(EdgeflashError):
    """Something that should be a certificate is none."""


@dataclass(frozen=True, slots=True)
class CertificateFacts:
    """What a certificate says of itself. thumbprint: SHA-1, sha256: both hexadecimal, capitals."""

    thumbprint: str
    sha256: str
    subject: str
    issuer: str
    application_uri: str
    host_names: tuple[str, ...]
    not_before: datetime
    not_after: datetime
    key_bits: int


def thumbprint_of(der: bytes) -> str:
    """The SHA-1 thumbprint, hexadecimal capitals."""
    return hashlib.sha1(der, usedforsecurity=False).hexdigest().upper()


def leaf_of(data: bytes) -> tuple[bytes, bytes]:
    """The first certificate of a chain in DER (OPC 10000-6, 6.2.3), and the rest.

    Raises CertificateUnreadableError when it does not begin with a whole DER sequence.
    """
    header = 2
    if len(data) < header or data[0] != 0x30:
        raise CertificateUnreadableError("this is no certificate in DER form")
    length = data[1]
    if length & 0x80:
        size = length & 0x7F
        length, header = int.from_bytes(data[2 : 2 + size], "big"), 2 + size
    if not 0 < length <= min(MOST_DER_BYTES, len(data) - header):
        raise CertificateUnreadableError("this certificate is cut off, or longer than 16 kB")
    return data[: header + length], data[header + length :]


def read_certificate(data: bytes) -> x509.Certificate:
    """From DER or PEM; of a chain, the first. Raises CertificateUnreadableError."""
    try:
        if data.lstrip().startswith(b"-----BEGIN"):
            return x509.load_pem_x509_certificate(data)
        return x509.load_der_x509_certificate(leaf_of(data)[0])
    except (ValueError, UnsupportedAlgorithm) as error:
        raise CertificateUnreadableError(f"this is no certificate ({error})") from error


def der_of(certificate: x509.Certificate) -> bytes:
    """The certificate in DER form."""
    return certificate.public_bytes(serialization.Encoding.DER)


def facts_of(data: bytes) -> CertificateFacts:
    """What the certificate says. Raises CertificateUnreadableError."""
    certificate = read_certificate(data)
    der = der_of(certificate)
    try:
        key = certificate.public_key()
        subject, issuer = certificate.subject, certificate.issuer
        return CertificateFacts(
            thumbprint=thumbprint_of(der),
            sha256=hashlib.sha256(der).hexdigest().upper(),
            subject=printable(subject.rfc4514_string()),
            issuer=printable(issuer.rfc4514_string()),
            application_uri=printable(application_uri_of(certificate)),
            host_names=tuple(printable(name) for name in _host_names_of(certificate)),
            not_before=certificate.not_valid_before_utc,
            not_after=certificate.not_valid_after_utc,
            key_bits=key.key_size if isinstance(key, rsa.RSAPublicKey) else 0,
        )
    except (ValueError, UnsupportedAlgorithm, x509.DuplicateExtension) as error:
        raise CertificateUnreadableError(f"its fields cannot be read ({error})") from error


def application_uri_of(certificate: x509.Certificate) -> str:
    """The first URI of its subject alternative names, or "". Raises ValueError."""
    names = _alternative_names(certificate)
    uris = names.get_values_for_type(x509.UniformResourceIdentifier) if names else []
    return uris[0] if uris else ""


def _host_names_of(certificate: x509.Certificate) -> tuple[str, ...]:
    names = _alternative_names(certificate)
    if names is None:
        return ()
    addresses = names.get_values_for_type(x509.IPAddress)
    return (*names.get_values_for_type(x509.DNSName), *map(str, addresses))


def _alternative_names(certificate: x509.Certificate) -> x509.SubjectAlternativeName | None:
    try:
        return certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return None


def printable(text: str, most: int = 200) -> str:
    """A stranger's text with no control characters, and no more than `most` of it: for logs."""
    return "".join(c if c.isprintable() else "?" for c in text[:most])


def make_key() -> rsa.RSAPrivateKey:
    """A new private key. Takes up to some seconds of computing."""
    return rsa.generate_private_key(public_exponent=65_537, key_size=KEY_BITS)


def key_to_pem(key: rsa.RSAPrivateKey) -> bytes:
    """PKCS #8 in PEM, not encrypted: what protects it are the rights of its file."""
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def make_certificate(
    key: rsa.RSAPrivateKey, application_uri: str, host_names: Sequence[str], now: datetime
) -> x509.Certificate:
    """A self-signed application instance certificate, for a server that is a client as well.

    host_names: names and addresses by which this machine is reached.
    """
    name = x509.Name(
        [
            x509.NameAttribute(NameOID.COMMON_NAME, f"edgeflash {application_uri}"[:64]),
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, "edgeflash"),
        ]
    )
    hosts = [_general_name(host) for host in dict.fromkeys(host_names)]
    identifier = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    usage = x509.KeyUsage(
        digital_signature=True,
        content_commitment=True,  # as nonRepudiation is called now
        key_encipherment=True,
        data_encipherment=True,
        key_agreement=False,
        # A self-signed certificate is its own issuer, OPC 10000-6, 6.2.2.
        key_cert_sign=True,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )
    purposes = x509.ExtendedKeyUsage(
        [ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH]
    )
    names = x509.SubjectAlternativeName([x509.UniformResourceIdentifier(application_uri), *hosts])
    return (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - CLOCKS_APART)
        .not_valid_after(now + LIFETIME)
        .add_extension(names, critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(purposes, critical=False)
        .add_extension(identifier, critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(identifier),
            critical=False,
        )
        .sign(key, hashes.SHA256())
    )


def _general_name(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ip_address(host))
    except ValueError:
        return x509.DNSName(host.encode("idna").decode("ascii"))

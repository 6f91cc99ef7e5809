"""Certificates of other parties, made with the `cryptography` library alone and none of our code.

Fields as OPC 10000-6, 6.2.2 wants them unless a test asks for something else.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

CLIENT_URI = "urn:panel-7:invented:client"
DAY = timedelta(days=1)
USAGE = {
    "digital_signature": True,
    "content_commitment": True,
    "key_encipherment": True,
    "data_encipherment": True,
    "key_agreement": False,
    "key_cert_sign": False,
    "crl_sign": False,
    "encipher_only": False,
    "decipher_only": False,
}
Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey


@dataclass(frozen=True)
class Made:
    """A certificate and its key."""

    certificate: x509.Certificate
    key: Key

    @property
    def der(self) -> bytes:
        """The certificate in DER."""
        return self.certificate.public_bytes(serialization.Encoding.DER)

    @property
    def sha1(self) -> str:
        """Its thumbprint, by the outside library."""
        return self.certificate.fingerprint(hashes.SHA1()).hex().upper()

    def files(self, folder: Path, name: str = "client") -> tuple[Path, Path]:
        """Writes certificate (DER) and key (PEM) and gives their paths."""
        folder.mkdir(parents=True, exist_ok=True)
        certificate, key = folder / f"{name}.der", folder / f"{name}.pem"
        certificate.write_bytes(self.der)
        key.write_bytes(
            self.key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        return certificate, key


_KEYS: dict[object, Key] = {}


def key_of(name: object, bits: int = 2048) -> Key:
    """A key, made once for each name: they are slow to make."""
    if (name, bits) not in _KEYS:
        _KEYS[name, bits] = rsa.generate_private_key(public_exponent=65_537, key_size=bits)
    return _KEYS[name, bits]


def make(
    name: str = "panel 7",
    uri: str | None = CLIENT_URI,
    issuer: Made | None = None,
    begins: timedelta = -DAY,
    ends: timedelta = 365 * DAY,
    now: datetime | None = None,
    bits: int = 2048,
    key: Key | None = None,
    is_authority: bool = False,
    usage: dict[str, bool] | None = None,
    purposes: tuple[x509.ObjectIdentifier, ...] | None = (ExtendedKeyUsageOID.CLIENT_AUTH,),
    hashed: hashes.HashAlgorithm | None = None,
) -> Made:
    """A certificate; begins and ends count from now. usage None: as OPC UA wants it; {}: not
    stated."""
    at = now or datetime.now(UTC)
    own = key or key_of((name, is_authority), bits)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    signer = issuer.key if issuer else own
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.certificate.subject if issuer else subject)
        .public_key(own.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(at + begins)
        .not_valid_after(at + ends)
        .add_extension(x509.BasicConstraints(ca=is_authority, path_length=None), critical=True)
    )
    if is_authority:
        flags = dict.fromkeys(USAGE, False) | {"key_cert_sign": True, "crl_sign": True}
        return Made(
            builder.add_extension(x509.KeyUsage(**flags), critical=True).sign(
                signer, hashes.SHA256()
            ),
            own,
        )
    if usage != {}:
        builder = builder.add_extension(x509.KeyUsage(**(USAGE | (usage or {}))), critical=True)
    if purposes is not None:
        builder = builder.add_extension(x509.ExtendedKeyUsage(purposes), critical=False)
    if uri is not None:
        names = x509.SubjectAlternativeName(
            [x509.UniformResourceIdentifier(uri), x509.DNSName("panel-7")]
        )
        builder = builder.add_extension(names, critical=False)
    return Made(builder.sign(signer, hashed or hashes.SHA256()), own)


def revocation_list(
    issuer: Made, *revoked: Made, signer: Key | None = None, now: datetime | None = None
) -> bytes:
    """A revocation list in DER. signer: another key than the issuer's, for a forged one."""
    at = now or datetime.now(UTC)
    builder = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(issuer.certificate.subject)
        .last_update(at - DAY)
        .next_update(at + DAY)
    )
    for one in revoked:
        builder = builder.add_revoked_certificate(
            x509.RevokedCertificateBuilder()
            .serial_number(one.certificate.serial_number)
            .revocation_date(at - DAY)
            .build()
        )
    return builder.sign(signer or issuer.key, hashes.SHA256()).public_bytes(
        serialization.Encoding.DER
    )

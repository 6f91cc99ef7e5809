"""Certificates of a broker and its clients, made with `cryptography` alone and none of our code."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

DAY = timedelta(days=1)
SERVER, CLIENT = ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH


class Authority:
    """A certificate authority; its own certificate is in `file`."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        constraints = x509.BasicConstraints(ca=True, path_length=0)
        usage = x509.KeyUsage(
            digital_signature=False,
            content_commitment=False,
            key_encipherment=False,
            data_encipherment=False,
            key_agreement=False,
            key_cert_sign=True,
            crl_sign=True,
            encipher_only=False,
            decipher_only=False,
        )
        certificate = (
            self._builder(self._name, self._key, -DAY, 365 * DAY)
            .add_extension(constraints, critical=True)
            .add_extension(usage, critical=True)
            .sign(self._key, hashes.SHA256())
        )
        folder.mkdir(parents=True, exist_ok=True)
        self.file = folder / f"{name}.pem"
        self.file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))

    def issue(
        self,
        name: str,
        host: str,
        purpose: x509.ObjectIdentifier = SERVER,
        begins: timedelta = -DAY,
        ends: timedelta = 30 * DAY,
    ) -> tuple[Path, Path]:
        """The files of a certificate for a host (name or address), and of its key, in PEM."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        alternative: x509.GeneralName
        try:
            alternative = x509.IPAddress(ip_address(host))
        except ValueError:
            alternative = x509.DNSName(host)
        certificate = (
            self._builder(subject, key, begins, ends)
            .add_extension(x509.SubjectAlternativeName([alternative]), critical=False)
            .add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        certificate_file = self._folder / f"{name}.pem"
        key_file = self._folder / f"{name}.key"
        certificate_file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        key_file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        return certificate_file, key_file

    def _builder(
        self,
        subject: x509.Name,
        key: ec.EllipticCurvePrivateKey,
        begins: timedelta,
        ends: timedelta,
    ) -> x509.CertificateBuilder:
        now = datetime.now(UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + begins)
            .not_valid_after(now + ends)
        )

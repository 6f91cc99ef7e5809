"""Our own certificate, as outside readers see it, and what we read of others'.

Required fields: OPC 10000-6, 6.2.2. Outside readers: the `cryptography` library's own parser and,
where it is installed, `openssl x509`.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, SignatureAlgorithmOID

from edgeflash.service import certificates
from edgeflash.service.certificates import CertificateUnreadableError, facts_of, leaf_of
from tests.certificates import CLIENT_URI, make

NOW = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
URI = "urn:gateway-1:edgeflash:invented-bend"
HOSTS = ("gateway-1", "gateway-1.plant.example", "192.0.2.7", "2001:db8::7", "gateway-1")


@pytest.fixture(scope="module")
def key() -> rsa.RSAPrivateKey:
    """One key for the module."""
    return certificates.make_key()


@pytest.fixture(scope="module")
def own(key: rsa.RSAPrivateKey) -> x509.Certificate:
    """Our certificate, through its bytes."""
    made = certificates.make_certificate(key, URI, HOSTS, NOW)
    return x509.load_der_x509_certificate(certificates.der_of(made))


def test_key_and_signature(own: x509.Certificate, key: rsa.RSAPrivateKey) -> None:
    """RSA 3072, SHA-256 with PKCS #1 v1.5, version 3, signed by itself."""
    public = own.public_key()
    assert isinstance(public, rsa.RSAPublicKey)
    assert public.key_size == key.key_size == 3072
    assert public.public_numbers().e == 65_537
    assert own.signature_algorithm_oid == SignatureAlgorithmOID.RSA_WITH_SHA256
    assert own.version is x509.Version.v3
    own.verify_directly_issued_by(own)


def test_validity_and_serial_number(own: x509.Certificate, key: rsa.RSAPrivateKey) -> None:
    """Five years from now, an hour back for slow clocks; no two have a serial number."""
    assert own.not_valid_before_utc == NOW - timedelta(hours=1)
    assert own.not_valid_after_utc == NOW + timedelta(days=1825)
    again = certificates.make_certificate(key, URI, HOSTS, NOW)
    assert again.serial_number != own.serial_number > 2**64


def test_names(own: x509.Certificate) -> None:
    """The application's URI alone, then each host name and address once."""
    names = own.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.UniformResourceIdentifier) == [URI]
    assert names.get_values_for_type(x509.DNSName) == ["gateway-1", "gateway-1.plant.example"]
    addresses = names.get_values_for_type(x509.IPAddress)
    assert [str(a) for a in addresses] == ["192.0.2.7", "2001:db8::7"]


def test_usages(own: x509.Certificate) -> None:
    """What 6.2.2 lists; keyCertSign for being signed by itself, and yet no authority."""
    usage = own.extensions.get_extension_for_class(x509.KeyUsage).value
    assert usage.digital_signature and usage.content_commitment
    assert usage.key_encipherment and usage.data_encipherment
    assert usage.key_cert_sign
    assert not usage.key_agreement and not usage.crl_sign
    purposes = own.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert set(purposes) == {ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH}
    assert not own.extensions.get_extension_for_class(x509.BasicConstraints).value.ca


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_openssl_reads_the_same(own: x509.Certificate, tmp_path: Path) -> None:
    """A parser in another language agrees, and accepts the signature."""
    der = tmp_path / "own.der"
    der.write_bytes(own.public_bytes(serialization.Encoding.DER))
    pem = tmp_path / "own.pem"
    pem.write_bytes(own.public_bytes(serialization.Encoding.PEM))

    def openssl(*words: object) -> str:
        done = subprocess.run(
            ["openssl", *map(str, words)], check=True, capture_output=True, text=True, timeout=30
        )
        return done.stdout

    text = openssl("x509", "-inform", "der", "-in", der, "-noout", "-text", "-fingerprint", "-sha1")
    assert f"URI:{URI}, DNS:gateway-1, DNS:gateway-1.plant.example, IP Address:192.0.2.7" in text
    assert "Public-Key: (3072 bit)" in text
    assert "sha256WithRSAEncryption" in text
    assert "Digital Signature, Non Repudiation, Key Encipherment, Data Encipherment" in text
    assert "TLS Web Server Authentication, TLS Web Client Authentication" in text
    assert "Not After : Apr  3 06:07:08 2036 GMT" in text
    thumbprint = facts_of(der.read_bytes()).thumbprint
    assert thumbprint in text.replace(":", "")
    at = str(int(NOW.timestamp()))
    assert "OK" in openssl("verify", "-attime", at, "-check_ss_sig", "-CAfile", pem, pem)


def test_facts_of_anothers_certificate() -> None:
    """Against the values it was made with, and hashes by hashlib; DER and PEM alike."""
    made = make("panel 7", CLIENT_URI, now=NOW)
    facts = facts_of(made.der)
    assert facts.thumbprint == hashlib.sha1(made.der).hexdigest().upper()
    assert facts.sha256 == made.certificate.fingerprint(hashes.SHA256()).hex().upper()
    assert (facts.subject, facts.issuer) == ("CN=panel 7", "CN=panel 7")
    assert (facts.application_uri, facts.host_names) == (CLIENT_URI, ("panel-7",))
    assert facts.not_after == NOW + timedelta(days=365)
    assert facts.key_bits == 2048
    assert facts_of(made.certificate.public_bytes(serialization.Encoding.PEM)) == facts


def test_a_subject_cannot_write_into_a_log_or_terminal() -> None:
    """Escapes and line feeds of a stranger are shown as question marks, and cut."""
    facts = facts_of(make("a\x1b[2J\nb" + "c" * 50, CLIENT_URI).der)
    assert facts.subject.isprintable()
    assert len(certificates.printable("x" * 1000)) == 200


def test_the_first_of_a_chain() -> None:
    """DER of several, one behind the other (OPC 10000-6, 6.2.3)."""
    one, two = make().der, make("another").der
    assert leaf_of(one + two) == (one, two)
    assert leaf_of(one) == (one, b"")
    assert facts_of(one + two) == facts_of(one)


@pytest.mark.parametrize(
    "data",
    [b"", b"0", b"\x30", b"\x30\x80", b"\x30\x00", b"\x31\x01\x00", b"\x30\x82\xff\xff", b"hello",
     b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", bytes(3000), b"\x30" * 99],
)  # fmt: skip
def test_what_is_none_is_an_error_of_ours(data: bytes) -> None:
    """Whatever bytes a stranger sends."""
    with pytest.raises(CertificateUnreadableError):
        facts_of(data)


def test_a_cut_off_certificate_is_an_error() -> None:
    """At every length."""
    der = make().der
    for length in range(0, len(der), 7):
        with pytest.raises(CertificateUnreadableError):
            facts_of(der[:length])

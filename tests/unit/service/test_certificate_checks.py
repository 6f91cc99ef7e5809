"""Which certificates are accepted, and with which status the others are refused.

Order of the steps and status codes: OPC 10000-4, 6.1.3; what the client is told, 5.5.2 (from
memory). Each certificate is made with the `cryptography` library, none with our code.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.service.certificate_checks import (
    Refusal,
    Trusted,
    check_application_uri,
    check_certificate,
)
from tests.certificates import CLIENT_URI, DAY, Made, key_of, make, revocation_list

NOW = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
ROOT = make("root", None, now=NOW, is_authority=True)
MIDDLE = make("middle", None, issuer=ROOT, now=NOW, is_authority=True)
ISSUED = make("issued", issuer=MIDDLE, now=NOW)
SELF_SIGNED = make("by itself", now=NOW)


def lists(
    *trusted: Made, issuers: tuple[Made, ...] = (), revoked: tuple[bytes, ...] = ()
) -> Trusted:
    """A trust list."""
    return Trusted(
        tuple(made.certificate for made in trusted),
        tuple(made.certificate for made in issuers),
        tuple(x509.load_der_x509_crl(one) for one in revoked),
    )


def status(made: Made, trusted: Trusted, sent: tuple[Made, ...] = (), server: bool = False) -> str:
    """The refusal's status, or "Good"."""
    data = made.der + b"".join(one.der for one in sent)
    refusal = check_certificate(data, trusted, NOW, server)
    return refusal.status if refusal else "Good"


def test_nobody_is_trusted_by_an_empty_list() -> None:
    """Whoever vouches for whom."""
    for made in (SELF_SIGNED, ISSUED, ROOT):
        assert status(made, lists(), sent=(MIDDLE, ROOT)) == "BadCertificateUntrusted"


def test_one_that_is_itself_trusted() -> None:
    """Needs no issuer; another of the same name and key is not the same."""
    assert status(SELF_SIGNED, lists(SELF_SIGNED)) == "Good"
    assert status(ISSUED, lists(ISSUED)) == "Good"
    twin = make("by itself", now=NOW)
    assert twin.certificate.subject == SELF_SIGNED.certificate.subject
    assert status(twin, lists(SELF_SIGNED)) == "BadCertificateUntrusted"


def test_through_authorities() -> None:
    """A trusted root, the one between known or sent; without it no way leads up."""
    assert status(ISSUED, lists(ROOT, issuers=(MIDDLE,))) == "Good"
    assert status(ISSUED, lists(ROOT), sent=(MIDDLE,)) == "Good"
    assert status(ISSUED, lists(ROOT)) == "BadCertificateUntrusted"
    assert status(ISSUED, lists(MIDDLE, issuers=(ROOT,))) == "Good"
    assert status(ISSUED, lists(MIDDLE)) == "BadCertificateChainIncomplete"
    assert status(ISSUED, lists(issuers=(MIDDLE, ROOT))) == "BadCertificateUntrusted"


def test_a_false_authority() -> None:
    """Of the right name and another key; or one that may not issue at all."""
    false_root = make("root", None, now=NOW, is_authority=True, key=key_of("false root"))
    forged = make("forged", issuer=false_root, now=NOW)
    assert status(forged, lists(ROOT), sent=(false_root,)) == "BadCertificateUntrusted"
    by_a_client = make("by a client", issuer=SELF_SIGNED, now=NOW)
    assert status(by_a_client, lists(SELF_SIGNED)) == "BadCertificateUntrusted"


@pytest.mark.parametrize(
    ("make_it", "expected"),
    [
        (lambda: make(now=NOW, begins=-9 * DAY, ends=-DAY), "BadCertificateTimeInvalid"),
        (lambda: make(now=NOW, begins=DAY), "BadCertificateTimeInvalid"),
        (lambda: make(now=NOW, begins=0 * DAY, ends=0 * DAY + DAY / 86_400), "Good"),
        (lambda: make(now=NOW, usage={}), "BadCertificateUseNotAllowed"),
        (lambda: make(now=NOW, usage={"digital_signature": False}), "BadCertificateUseNotAllowed"),
        (lambda: make(now=NOW, usage={"content_commitment": False}), "BadCertificateUseNotAllowed"),
        (lambda: make(now=NOW, usage={"key_encipherment": False}), "BadCertificateUseNotAllowed"),
        (lambda: make(now=NOW, usage={"data_encipherment": False}), "BadCertificateUseNotAllowed"),
        (
            lambda: make(now=NOW, purposes=(ExtendedKeyUsageOID.SERVER_AUTH,)),
            "BadCertificateUseNotAllowed",
        ),
        (lambda: make(now=NOW, purposes=None), "Good"),
        (lambda: make("short", now=NOW, bits=1024), "BadCertificatePolicyCheckFailed"),
        (lambda: make("short", now=NOW, bits=2048), "Good"),
        (
            lambda: make("curve", now=NOW, key=ec.generate_private_key(ec.SECP256R1())),
            "BadCertificatePolicyCheckFailed",
        ),
        (lambda: make("sha384", now=NOW, hashed=hashes.SHA384()), "Good"),
    ],
)  # fmt: skip
def test_what_a_trusted_certificate_must_be(make_it: Callable[[], Made], expected: str) -> None:
    """In date, strong enough, and meant for this use."""
    made = make_it()
    assert status(made, lists(made)) == expected


def test_sha1_is_too_weak() -> None:
    """A signature with SHA-1 can be forged. The library signs none any more, so a good one is made
    to say that it is one; the trust list comes later and would refuse it otherwise."""
    data = SELF_SIGNED.der.replace(bytes.fromhex("06092a864886f70d01010b"), SHA1_WITH_RSA)
    refusal = check_certificate(data, lists(), NOW)
    assert refusal is not None
    assert (refusal.status, "sha1" in refusal.why) == ("BadCertificatePolicyCheckFailed", True)


SHA1_WITH_RSA = bytes.fromhex("06092a864886f70d010105")


def test_servers_and_clients_are_told_apart() -> None:
    """A client's certificate is none of a server, and the other way round."""
    server = make("server", now=NOW, purposes=(ExtendedKeyUsageOID.SERVER_AUTH,))
    assert status(server, lists(server), server=True) == "Good"
    assert status(SELF_SIGNED, lists(SELF_SIGNED), server=True) == "BadCertificateUseNotAllowed"


def test_revoked() -> None:
    """By its issuer's list only; one that somebody else has signed counts for nothing."""
    known = (MIDDLE,)
    good = revocation_list(MIDDLE, SELF_SIGNED, now=NOW)
    bad = revocation_list(MIDDLE, ISSUED, now=NOW)
    forged = revocation_list(MIDDLE, ISSUED, signer=key_of("forger"), now=NOW)
    old = revocation_list(MIDDLE, ISSUED, now=NOW - 100 * DAY)
    assert status(ISSUED, lists(ROOT, issuers=known, revoked=(good, forged))) == "Good"
    assert status(ISSUED, lists(ROOT, issuers=known, revoked=(bad,))) == "BadCertificateRevoked"
    assert status(ISSUED, lists(ROOT, issuers=known, revoked=(old,))) == "BadCertificateRevoked"
    above = revocation_list(ROOT, MIDDLE, now=NOW)
    refused = status(ISSUED, lists(ROOT, issuers=known, revoked=(above,)))
    assert refused == "BadCertificateIssuerRevoked"


def test_an_issuer_out_of_date() -> None:
    """Nothing it vouches for counts any more."""
    old = make("old", None, now=NOW, begins=-9 * DAY, ends=-DAY, is_authority=True)
    made = make("of old", issuer=old, now=NOW)
    assert status(made, lists(old)) == "BadCertificateIssuerTimeInvalid"


def test_trust_comes_before_all_that_a_stranger_could_learn_from() -> None:
    """Expired and unknown: unknown (6.1.3: the trust list is asked before the time)."""
    stranger = make("stranger", now=NOW, begins=-9 * DAY, ends=-DAY)
    refusal = check_certificate(stranger.der, lists(), NOW)
    assert refusal is not None
    assert (refusal.status, refusal.told) == ("BadCertificateUntrusted", "BadSecurityChecksFailed")
    told = Refusal("BadCertificateTimeInvalid", "").told
    assert told == "BadCertificateTimeInvalid"


def test_application_uri() -> None:
    """The one in the certificate, letter for letter; none is no match for none."""
    assert check_application_uri(SELF_SIGNED.der, CLIENT_URI) is None
    for uri in ("", CLIENT_URI.upper(), CLIENT_URI + "x", "urn:other"):
        refusal = check_application_uri(SELF_SIGNED.der, uri)
        assert refusal is not None
        assert refusal.status == "BadCertificateUriInvalid"
    assert check_application_uri(make("no uri", None, now=NOW).der, "") is not None


@given(st.binary(max_size=300) | st.tuples(st.integers(0, 900), st.integers(0, 255)))
def test_strange_bytes_are_refused_and_nothing_else(data: bytes | tuple[int, int]) -> None:
    """Noise, or a trusted certificate with one byte changed: no exception, and not accepted."""
    trusted = lists(ROOT, SELF_SIGNED, issuers=(MIDDLE,))
    if isinstance(data, tuple):
        place, value = data
        der = bytearray(ISSUED.der)
        place %= len(der)
        if der[place] == value:
            return
        der[place] = value
        data = bytes(der)
    assert check_certificate(data, trusted, NOW) is not None

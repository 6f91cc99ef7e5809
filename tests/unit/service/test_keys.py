"""The own certificate's folder, and trust lists: made, kept, renewed, read again by themselves."""

from __future__ import annotations

import os
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization

from edgeflash.errors import StorageError
from edgeflash.service import keys
from edgeflash.service.certificates import CertificateUnreadableError
from edgeflash.service.keys import KeyChoiceError, Standing, TrustList
from tests.certificates import DAY, make, revocation_list

NOW = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
URI = "urn:gateway-1:edgeflash:invented-bend"


def mode(path: Path) -> int:
    """A file's rights."""
    return stat.S_IMODE(path.stat().st_mode)


def test_made_once_for_this_user_alone(tmp_path: Path) -> None:
    """Folders 0700, files 0600, also under a loose umask; then the same for ever."""
    before = os.umask(0)
    try:
        own = keys.ensure_own(keys.own_folder(tmp_path), URI, ("gateway-1",), NOW)
    finally:
        os.umask(before)
    assert own.made
    assert {mode(p) for p in tmp_path.rglob("*") if p.is_dir()} == {0o700}
    assert {mode(p) for p in tmp_path.rglob("*") if p.is_file()} == {0o600}
    again = keys.ensure_own(keys.own_folder(tmp_path), URI, ("other",), NOW + 10_000 * DAY)
    assert (again.facts, again.made) == (own.facts, "")


def test_key_and_certificate_belong_together(tmp_path: Path) -> None:
    """By the outside library, from the files."""
    own = keys.ensure_own(tmp_path, URI, (), NOW)
    key = serialization.load_pem_private_key(own.key_path.read_bytes(), None)
    certificate = keys.certificates.read_certificate(own.certificate_path.read_bytes())
    assert key.public_key() == certificate.public_key()


def test_renewal_keeps_the_old_pair(tmp_path: Path) -> None:
    """Another key and thumbprint; the old two are in a folder of their own, complete."""
    old = keys.ensure_own(tmp_path, URI, (), NOW)
    old_pair = (old.certificate_path.read_bytes(), old.key_path.read_bytes())
    new = keys.renew_own(tmp_path, URI, (), NOW + DAY)
    assert new.facts.thumbprint != old.facts.thumbprint
    assert keys.read_own(tmp_path).facts == new.facts
    assert sorted(p.name for p in tmp_path.glob("*.pem")) == [new.key_path.name]
    (aside,) = (tmp_path / "old").iterdir()
    kept = keys.read_own(aside)
    assert (kept.certificate_path.read_bytes(), kept.key_path.read_bytes()) == old_pair


def test_a_renewal_cut_off_leaves_the_old_in_force(tmp_path: Path) -> None:
    """Killed after the key and before the certificate: the old pair still works."""
    old = keys.ensure_own(tmp_path, URI, (), NOW)
    other = keys.ensure_own(tmp_path / "elsewhere", URI, (), NOW)
    half = tmp_path / other.key_path.name
    half.write_bytes(other.key_path.read_bytes())
    half.chmod(0o600)
    assert keys.ensure_own(tmp_path, URI, (), NOW).facts == old.facts


def test_another_name_is_another_application(tmp_path: Path) -> None:
    """A new one is made, and the old one kept."""
    keys.ensure_own(tmp_path, URI, (), NOW)
    made = keys.ensure_own(tmp_path, URI + "-2", (), NOW + DAY)
    assert made.facts.application_uri == URI + "-2"
    assert URI in made.made
    assert len(list((tmp_path / "old").iterdir())) == 1


def test_what_is_wrong_with_the_own_pair_is_said(tmp_path: Path) -> None:
    """None, a key that others may read, no key, no certificate."""
    with pytest.raises(StorageError, match="none yet"):
        keys.read_own(tmp_path)
    own = keys.ensure_own(tmp_path, URI, (), NOW)
    own.key_path.chmod(0o640)
    with pytest.raises(StorageError, match="chmod 600"):
        keys.ensure_own(tmp_path, URI, (), NOW)
    own.key_path.unlink()
    with pytest.raises(StorageError, match="is the key of"):
        keys.ensure_own(tmp_path, URI, (), NOW)
    own.certificate_path.write_bytes(b"nonsense")
    with pytest.raises(StorageError, match="cannot be read"):
        keys.ensure_own(tmp_path, URI, (), NOW)


def test_trusting_counts_at_once(tmp_path: Path) -> None:
    """In the same list, with no restart: a file put there, moved, taken away."""
    made, trust = make(now=NOW), TrustList(tmp_path)
    assert trust.check(made.der, NOW) is not None
    trust.make_folders()
    (tmp_path / "trusted" / "dcs.crt").write_bytes(
        made.certificate.public_bytes(serialization.Encoding.PEM)
    )
    assert trust.check(made.der, NOW) is None
    trust.reject(made.sha1)
    assert [c.standing for c in trust.list()] == [Standing.REJECTED]
    assert trust.check(made.der, NOW) is not None
    trust.trust(made.sha1)
    assert trust.check(made.der, NOW) is None
    assert [c.standing for c in trust.list()] == [Standing.TRUSTED]


def test_issuers_and_revocations_count_at_once(tmp_path: Path) -> None:
    """Put into their folders while the list is in use."""
    root = make("root", None, now=NOW, is_authority=True)
    middle = make("middle", None, issuer=root, now=NOW, is_authority=True)
    made, trust = make("issued", issuer=middle, now=NOW), TrustList(tmp_path)
    trust.make_folders()
    (tmp_path / "trusted" / "root.der").write_bytes(root.der)
    assert trust.check(made.der, NOW) is not None
    (tmp_path / "issuers" / "middle.der").write_bytes(middle.der)
    assert trust.check(made.der, NOW) is None
    (tmp_path / "crl" / "middle.crl").write_bytes(revocation_list(middle, made, now=NOW))
    refusal = trust.check(made.der, NOW)
    assert refusal is not None and refusal.status == "BadCertificateRevoked"


def test_thumbprints_as_people_write_them(tmp_path: Path) -> None:
    """SHA-1 and SHA-256, with colons, blanks, small letters; another one is an error."""
    made, trust = make(now=NOW), TrustList(tmp_path)
    facts = trust.add(made.der)
    colons = ":".join(made.sha1.lower()[i : i + 2] for i in range(0, 40, 2))
    assert trust.reject(colons).thumbprint == made.sha1
    assert trust.trust(f" {facts.sha256[:32]} {facts.sha256[32:]} ").thumbprint == made.sha1
    with pytest.raises(KeyChoiceError, match="no certificate 00"):
        trust.trust("00")
    with pytest.raises(KeyChoiceError):
        trust.trust(made.sha1)  # trusted already, so not among the rejected
    with pytest.raises(KeyChoiceError):
        trust.reject("")


def test_rejected_are_bounded_and_the_newest_stay(tmp_path: Path) -> None:
    """A flood of strangers does not fill the disk."""
    trust = TrustList(tmp_path)
    made = [make(f"stranger {n}", now=NOW, key=make().key) for n in range(keys.MOST_REJECTED + 5)]
    for place, one in enumerate(made):
        trust.keep_rejected(one.der)
        path = tmp_path / "rejected" / f"{one.sha1.lower()}.der"
        os.utime(path, ns=(place * 10**9, place * 10**9))  # the disk's clock may be coarse
    trust.keep_rejected(made[-1].der)
    left = {c.facts.thumbprint for c in trust.list()}
    assert left == {one.sha1 for one in made[5:]}


def test_one_that_is_trusted_is_not_among_the_rejected(tmp_path: Path) -> None:
    """An expired one of the list is refused and stays where somebody put it."""
    made, trust = make(now=NOW), TrustList(tmp_path)
    trust.add(made.der)
    trust.keep_rejected(made.der)
    assert [c.standing for c in trust.list()] == [Standing.TRUSTED]
    with pytest.raises(CertificateUnreadableError):
        trust.keep_rejected(b"nonsense")


def test_other_files_are_named_and_do_no_harm(tmp_path: Path) -> None:
    """A note somebody left in trusted: everything else still counts."""
    made, trust = make(now=NOW), TrustList(tmp_path)
    trust.add(made.der)
    (tmp_path / "trusted" / "readme.txt").write_text("ask Olive")
    (tmp_path / "trusted" / "folder").mkdir()
    (tmp_path / "trusted" / "huge.der").write_bytes(bytes(keys.MOST_FILE_BYTES + 1))
    assert trust.check(made.der, NOW) is None
    assert {path.name for path in trust.unreadable} == {"readme.txt", "folder", "huge.der"}


def test_a_server_must_be_one(tmp_path: Path) -> None:
    """The same code for the servers that links connect to."""
    made = make(now=NOW)
    trust = TrustList(keys.analyzers_folder(tmp_path), peer_is_server=True)
    trust.add(made.der)
    refusal = trust.check(made.der, NOW + timedelta(hours=1))
    assert refusal is not None and refusal.status == "BadCertificateUseNotAllowed"

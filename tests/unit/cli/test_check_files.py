"""`edgeflash check`: files that the site file names, and what is the matter with them.

Certificates are made by `cryptography` alone.
"""

from __future__ import annotations

import json
import os
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.service.clock import SYSTEM_CLOCK
from edgeflash.service.keys import ensure_own, own_folder
from tests.peers.mqtt_certificates import CLIENT, DAY, Authority

SITE = """[site]
name = "Larkwater"

[opcua]

[[mqtt]]
id = "panel"
host = "broker.depot.example"
ca_file = "plant-ca.pem"
certificate_file = "gateway.pem"
key_file = "gateway.key"
user = "flash-gateway"
password_file = "mqtt-password"

[[analyzers]]
id = "kestrel-1"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
analyzer_corrects_barometer = false
"""
CA, CERTIFICATE, KEY, PASSWORD = 9, 10, 11, 13
"""Lines of the keys in SITE."""


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A site whose files are all good; no credentials in the environment."""
    for name in [n for n in os.environ if n.startswith("AWS_")]:
        monkeypatch.delenv(name)
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    authority = Authority(tmp_path, "plant-ca")
    authority.issue("gateway", "gateway.example", CLIENT, ends=300 * DAY)
    (tmp_path / "mqtt-password").write_text("secret\n", "utf-8")
    for name in ("mqtt-password", "gateway.key"):
        (tmp_path / name).chmod(0o600)
    path = tmp_path / "site.toml"
    path.write_text(SITE, "utf-8")
    return path


def checked(site: Path, code: int) -> list[dict[str, Any]]:
    """The findings; the command ends with this code, and says the same to people."""
    done = CliRunner().invoke(app, ["check", str(site), "--json"], catch_exceptions=False)
    assert done.exit_code == code, done.stdout
    document = json.loads(done.stdout)
    assert document["ok"] is (code == 0)
    found: list[dict[str, Any]] = document["files"]
    told = CliRunner().invoke(app, ["check", str(site)], catch_exceptions=False)
    assert told.exit_code == code
    plain = " ".join(told.stdout.split())
    for one in found:
        assert f"{site}:{one['line']}: {one['key']}: {' '.join(one['problem'].split())}" in plain
    return found


def only(found: list[dict[str, Any]]) -> tuple[int, str, str, bool]:
    """The one finding."""
    (one,) = found
    return one["line"], one["key"], one["problem"], one["is_fault"]


def test_good_files_are_not_mentioned(site: Path) -> None:
    """Nothing to say, and 0."""
    assert checked(site, 0) == []


def test_every_missing_file_is_told_at_once(site: Path) -> None:
    """With the line of its key."""
    for name in ("plant-ca.pem", "gateway.pem", "gateway.key", "mqtt-password"):
        (site.parent / name).unlink()
    found = checked(site, 1)
    assert [(f["line"], f["key"]) for f in found] == [
        (CA, "mqtt[0].ca_file"),
        (CERTIFICATE, "mqtt[0].certificate_file"),
        (KEY, "mqtt[0].key_file"),
        (PASSWORD, "mqtt[0].password_file"),
    ]
    assert all("there is no such file" in f["problem"] and f["is_fault"] for f in found)


@pytest.mark.parametrize(
    ("name", "content", "line", "words"),
    [
        ("plant-ca.pem", b"hello", CA, "no certificate in PEM"),
        ("gateway.pem", b"\x00\xff", CERTIFICATE, "no certificate in PEM"),
        ("gateway.key", b"hello", KEY, "no private key in PEM"),
        ("mqtt-password", b"\xff\xfe", PASSWORD, "no UTF-8 text"),
        ("mqtt-password", b"\n", PASSWORD, "is empty"),
    ],
)
def test_what_is_not_what_it_should_be(
    site: Path, name: str, content: bytes, line: int, words: str
) -> None:
    """Each with what it should be."""
    (site.parent / name).write_bytes(content)
    where, _, problem, is_fault = only(checked(site, 1))
    assert (where, is_fault) == (line, True)
    assert words in problem
    assert str(site.parent / name) in problem


def test_a_folder_is_no_file(site: Path) -> None:
    """Nor may it end the command with a trace."""
    (site.parent / "mqtt-password").unlink()
    (site.parent / "mqtt-password").mkdir()
    assert "this is a folder" in only(checked(site, 1))[2]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read(site: Path) -> None:
    """As the gateway's user would find."""
    (site.parent / "mqtt-password").chmod(0)
    assert "may not be read" in only(checked(site, 1))[2]


@pytest.mark.parametrize(
    ("begins", "ends", "words", "code"),
    [
        (-2 * DAY, -DAY, "expired on", 1),
        (DAY, 30 * DAY, "not valid before", 1),
        (-DAY, timedelta(days=5, hours=1), "5 days left", 0),
    ],
)
def test_a_certificate_out_of_its_time(
    site: Path, begins: timedelta, ends: timedelta, words: str, code: int
) -> None:
    """Past or not begun: it cannot work. Soon over: worth knowing."""
    authority = Authority(site.parent, "plant-ca")
    authority.issue("gateway", "gateway.example", CLIENT, begins, ends)
    (site.parent / "gateway.key").chmod(0o600)
    line, key, problem, is_fault = only(checked(site, code))
    assert (line, key, is_fault) == (CERTIFICATE, "mqtt[0].certificate_file", code == 1)
    assert words in problem


def test_a_key_of_another_certificate(site: Path) -> None:
    """Both are good, and not together."""
    _, other = Authority(site.parent / "other", "other").issue("other", "x.example", CLIENT)
    other.chmod(0o600)
    (site.parent / "gateway.key").write_bytes(other.read_bytes())
    line, _, problem, _ = only(checked(site, 1))
    assert line == KEY
    assert "is not the key of gateway.pem" in problem


def test_an_encrypted_key(site: Path) -> None:
    """A service has nobody to ask for its password."""
    key = ec.generate_private_key(ec.SECP256R1()).private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(b"x"),
    )
    (site.parent / "gateway.key").write_bytes(key)
    assert "the key is encrypted" in only(checked(site, 1))[2]


def test_what_everybody_may_read_is_told_and_works(site: Path) -> None:
    """A note, and 0."""
    (site.parent / "gateway.key").chmod(0o644)
    line, _, problem, is_fault = only(checked(site, 0))
    assert (line, is_fault) == (KEY, False)
    assert "every user of this machine" in problem


def test_a_credential_is_looked_at_where_there_is_one(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of MQTT and of an analyzer's server: systemd.exec(5), "Credentials"."""
    text = SITE.replace('password_file = "mqtt-password"', 'password_credential = "broker"')
    text = text.replace('host = "127.0.0.1"\n', "").replace("bench-cup", "bench-cup-opcua")
    opcua = (
        '[analyzers.opcua]\nurl = "opc.tcp://127.0.0.1:4841"\nuser = "gateway"\n'
        'password_credential = "kestrel"\n'
    )
    site.write_text(text + opcua, "utf-8")
    found = checked(site, 0)
    assert [f["key"] for f in found] == [
        "mqtt[0].password_credential",
        "analyzers[0].opcua.password_credential",
    ]
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(site.parent / "given"))
    assert [f["is_fault"] for f in checked(site, 1)] == [True, True]
    (site.parent / "given").mkdir(mode=0o700)
    for name in ("broker", "kestrel"):
        (site.parent / "given" / name).write_text("x", "utf-8")
        (site.parent / "given" / name).chmod(0o400)
    assert checked(site, 0) == []


def shipped(site: Path, url: str) -> int:
    """The site ships there; the line of the url."""
    site.write_text(f'{SITE}\n[ship]\nurl = "{url}"\n', "utf-8")
    return SITE.count("\n") + 3


def test_a_folder_to_ship_to(site: Path) -> None:
    """Not there, then there."""
    line = shipped(site, str(site.parent / "share"))
    where, key, problem, _ = only(checked(site, 1))
    assert (where, key) == (line, "ship.url")
    assert "make it, or mount the share" in problem
    (site.parent / "share").mkdir()
    assert checked(site, 0) == []


@pytest.mark.parametrize(
    ("environment", "content", "code", "words"),
    [
        ({}, None, 0, "neither AWS_ACCESS_KEY_ID nor"),
        ({"AWS_ACCESS_KEY_ID": "a"}, None, 1, "AWS_SECRET_ACCESS_KEY is not: give both"),
        ({"AWS_SHARED_CREDENTIALS_FILE": "/nowhere/keys"}, None, 1, "there is no such file"),
        ({}, "hello", 1, "is no credentials file"),
        ({}, "[other]\naws_access_key_id = a\naws_secret_access_key = b", 1, "has no [default]"),
        ({}, "[default]\naws_access_key_id = a", 1, "gives no aws_secret_access_key"),
        ({"AWS_PROFILE": "ship"}, "[default]\naws_access_key_id = a", 1, "has no [ship]"),
    ],
)
def test_keys_of_a_store(
    site: Path,
    monkeypatch: pytest.MonkeyPatch,
    environment: dict[str, str],
    content: str | None,
    code: int,
    words: str,
) -> None:
    """What can be seen without asking the store."""
    line = shipped(site, "s3://depot/shipped")
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    if content is not None:
        (site.parent / "home" / ".aws").mkdir(parents=True)
        (site.parent / "home" / ".aws" / "credentials").write_text(content, "utf-8")
    where, key, problem, is_fault = only(checked(site, code))
    assert (where, key, is_fault) == (line, "ship.url", code == 1)
    assert words in problem


def test_good_keys_of_a_store(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the environment, or in the file."""
    shipped(site, "s3://depot/shipped")
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "a")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "b")
    assert checked(site, 0) == []
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    (site.parent / "home" / ".aws").mkdir(parents=True)
    keys = "[default]\naws_access_key_id = a\naws_secret_access_key = b\n"
    (site.parent / "home" / ".aws" / "credentials").write_text(keys, "utf-8")
    assert checked(site, 0) == []


def test_the_own_certificate(site: Path) -> None:
    """Good, spoiled, and past its time."""
    folder = own_folder(site.parent / "state")
    now = SYSTEM_CLOCK.utc_now()
    ensure_own(folder, "urn:here:edgeflash:Larkwater", ["127.0.0.1"], now)
    assert checked(site, 0) == []
    (certificate,) = folder.glob("*.der")
    certificate.write_bytes(b"spoiled")
    line, key, problem, _ = only(checked(site, 1))
    assert (line, key) == (4, "opcua")
    assert "cannot be read" in problem
    certificate.unlink()
    for left in folder.glob("*"):
        left.unlink()
    ensure_own(folder, "urn:here:edgeflash:Larkwater", ["127.0.0.1"], now - 365 * 30 * DAY)
    assert "expired on" in only(checked(site, 1))[2]

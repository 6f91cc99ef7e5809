"""`edgeflash keys` and `edgeflash users` as people and programs run them."""

from __future__ import annotations

import json
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from edgeflash.access import UserRole
from edgeflash.cli.app import app
from edgeflash.errors import EdgeflashError
from edgeflash.service import keys
from edgeflash.service.users import UserFile
from tests.certificates import make

SITE = Path(__file__).parents[3] / "deploy" / "site.example.toml"
PASSWORD = "correct horse battery"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site file whose state folder is there."""
    (tmp_path / "state").mkdir()
    path = tmp_path / "site.toml"
    path.write_text(SITE.read_text().replace("/var/lib/edgeflash", "state"))
    return path


def run(*words: object, stdin: str = "") -> str:
    """The command's output; its error as an exception."""
    done = CliRunner().invoke(app, [str(w) for w in words], input=stdin)
    if isinstance(done.exception, EdgeflashError):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def test_trusting_and_rejecting_a_client(site: Path) -> None:
    """Refused once, listed with both thumbprints, trusted, rejected; for analyzers apart."""
    made = make()
    trust = keys.TrustList(keys.clients_folder(site.parent / "state"))
    trust.keep_rejected(made.der)
    (row,) = json.loads(run("keys", "list", site, "--json"))
    assert (row["standing"], row["sha1"], row["subject"]) == ("rejected", made.sha1, "CN=panel 7")
    assert row["sha256"] in run("keys", "list", site)
    assert made.sha1 in run("keys", "trust", site, made.sha1.lower())
    assert json.loads(run("keys", "list", site, "--json"))[0]["standing"] == "trusted"
    assert json.loads(run("keys", "list", site, "--json", "--for", "analyzers")) == []
    done = json.loads(run("keys", "reject", site, row["sha256"], "--json"))
    assert (done["done"], done["sha1"]) == ("rejected", made.sha1)


def test_trusting_from_a_file(site: Path, tmp_path: Path) -> None:
    """One that somebody brought; either this or a thumbprint."""
    path, _ = make().files(tmp_path)
    run("keys", "trust", site, "--file", path, "--for", "analyzers")
    (row,) = json.loads(run("keys", "list", site, "--json", "--for", "analyzers"))
    assert row["standing"] == "trusted"
    for words in ((), (row["sha1"], "--file", path)):
        with pytest.raises(EdgeflashError, match="either"):
            run("keys", "trust", site, *words)
    with pytest.raises(EdgeflashError, match="cannot be read"):
        run("keys", "trust", site, "--file", tmp_path / "missing")


def test_the_own_certificate(site: Path) -> None:
    """Made by renew where there is none; the site's host names are in it."""
    site.write_text(site.read_text().replace("host_names = []", 'host_names = ["gateway-1"]'))
    with pytest.raises(EdgeflashError, match="none yet"):
        run("keys", "show", site)
    first: dict[str, Any] = json.loads(run("keys", "renew", site, "--json"))
    second = json.loads(run("keys", "renew", site, "--json"))
    shown = json.loads(run("keys", "show", site, "--json"))
    assert first["sha1"] != second["sha1"] == shown["sha1"]
    assert "gateway-1" in shown["host_names"]
    assert shown["application_uri"].endswith(":edgeflash:windmill-quay-depot")
    assert shown["days_left"] > 1800


def test_users(site: Path, tmp_path: Path) -> None:
    """Added from a file or standard input, changed, removed; the password is nowhere to be seen."""
    file = tmp_path / "password"
    file.write_text(PASSWORD + "\nsecond line\n")
    said = run("users", "add", site, "olive", "--role", "operator", "--password-file", file)
    said += run("users", "add", site, "oscar", "--password-file", "-", stdin=PASSWORD + "\n")
    users = UserFile(site.parent / "state" / "users.json")
    assert users.verify("olive", PASSWORD) is UserRole.OPERATOR
    assert users.verify("oscar", PASSWORD) is UserRole.OBSERVER
    said += run("users", "role", site, "oscar", "engineer")
    said += run("users", "password", site, "oscar", "--password-file", "-", stdin="another one 12")
    assert users.verify("oscar", "another one 12") is UserRole.ENGINEER
    listed = run("users", "list", site, "--json")
    assert json.loads(listed) == [
        {"name": "olive", "role": "operator"},
        {"name": "oscar", "role": "engineer"},
    ]
    said += run("users", "remove", site, "olive") + run("users", "list", site)
    assert PASSWORD not in said and "$argon2" not in said + listed
    assert set(users.users()) == {"oscar"}
    assert stat.S_IMODE(users.path.stat().st_mode) == 0o600


def test_a_password_is_never_an_argument(site: Path) -> None:
    """And without a terminal it must come from a file; a short one is refused."""
    with pytest.raises(EdgeflashError, match="terminal"):
        run("users", "add", site, "olive")
    done = CliRunner().invoke(app, ["users", "add", str(site), "olive", PASSWORD])
    assert done.exit_code == 2
    with pytest.raises(EdgeflashError, match="12 characters"):
        run("users", "add", site, "olive", "--password-file", "-", stdin="short\n")
    assert UserFile(site.parent / "state" / "users.json").users() == {}


def test_without_a_state_folder(site: Path) -> None:
    """It is not made: it could belong to the wrong user."""
    (site.parent / "state").rmdir()
    for words in (("keys", "list"), ("keys", "renew"), ("users", "list")):
        with pytest.raises(EdgeflashError, match="not there yet"):
            run(*words, site)


@pytest.mark.parametrize(
    ("words", "stdin", "said"),
    [
        ("users add SITE olive --password-file -", "short\n", "at least 12 characters"),
        ("users add SITE anonymous --password-file -", f"{PASSWORD}\n", "stands for nobody"),
        ("users password SITE nobody-here --password-file -", f"{PASSWORD}\n", "no user"),
        ("users remove SITE nobody-here", "", "has no user"),
        ("keys trust SITE 3F0A", "", "has no certificate 3F0A"),
        ("keys reject SITE 3F0A", "", "has no certificate 3F0A"),
        ("keys trust SITE --file SITE", "", "this is no certificate"),
        ("users role SITE nobody-here engineer", "", "has no user"),
        ("maintenance start SITE fp-101 --minutes 0", "", "--minutes must be above 0"),
        ("maintenance start SITE fp-101 --minutes nan", "", "--minutes must be above 0"),
        ("check-sample start SITE fp-101 --minutes 1500", "", "at most 1440"),
    ],
)
def test_wrong_use_ends_with_code_2(site: Path, words: str, stdin: str, said: str) -> None:
    """The program's own exit code, which the README gives; nothing is asked of a gateway."""
    given = [str(site) if word == "SITE" else word for word in words.split()]
    done = subprocess.run(
        [sys.executable, "-m", "edgeflash", *given],
        input=stdin,
        capture_output=True,
        text=True,
        timeout=120.0,
        check=False,
    )
    assert (done.returncode, said in done.stderr) == (2, True), done.stderr

"""How the store of the shared tables is reached: by the keys of shipping, wherever they are."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgeflash.errors import UsageError
from edgeflash.fleet.table_store import storage_options

URL = "s3://depot-history/tables"
FILE = """
[default]
aws_access_key_id = made-up
aws_secret_access_key = 100%/made+up=

[depot]
aws_access_key_id = other
aws_secret_access_key = made-up
aws_session_token = short-lived
"""


@pytest.fixture(autouse=True)
def _no_keys(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Nothing of this machine's; the file is in its usual place below another home."""
    for name in ("ACCESS_KEY_ID", "SHARED_CREDENTIALS_FILE", "PROFILE", "REGION", "ENDPOINT_URL"):
        monkeypatch.delenv(f"AWS_{name}", raising=False)
    monkeypatch.delenv("AWS_DEFAULT_REGION", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """The shared credentials file."""
    path = tmp_path / ".aws" / "credentials"
    path.parent.mkdir()
    path.write_text(FILE, "utf-8")
    return path


def test_keys_of_the_shared_file(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a profile; those of the environment come first."""
    assert storage_options(URL) == {
        "AWS_ACCESS_KEY_ID": "made-up",
        "AWS_SECRET_ACCESS_KEY": "100%/made+up=",
    }
    monkeypatch.setenv("AWS_PROFILE", "depot")
    assert storage_options(URL)["AWS_SESSION_TOKEN"] == "short-lived"
    monkeypatch.setenv("AWS_PROFILE", "nobody")
    assert storage_options(URL) == {}
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "of the environment")
    monkeypatch.delenv("AWS_PROFILE")
    assert storage_options(URL) == {}
    assert storage_options("/srv/tables") == {}


def test_a_file_elsewhere(file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a service manager hands one over."""
    elsewhere = file.rename(tmp_path / "aws")
    assert storage_options(URL) == {}
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(elsewhere))
    assert storage_options(URL)["AWS_ACCESS_KEY_ID"] == "made-up"


def test_a_damaged_file_tells_no_key(file: Path) -> None:
    """The message may go into a log."""
    file.write_text("secret-without-a-section", "utf-8")
    with pytest.raises(UsageError, match="no credentials file") as error:
        storage_options(URL)
    assert "secret" not in str(error.value)


def test_another_server() -> None:
    """A region is needed by the signature; plain http is said to be meant."""
    found = storage_options(URL, "http://objects.depot.example:9000")
    assert found["AWS_REGION"] == "us-east-1"
    assert found["AWS_ALLOW_HTTP"] == "true"
    assert "AWS_ALLOW_HTTP" not in storage_options(URL, "https://objects.depot.example")
    assert storage_options(URL, region="eu-north-1") == {"AWS_REGION": "eu-north-1"}

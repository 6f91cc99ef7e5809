"""`edgeflash replay`: times that cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.errors import UsageError
from tests.unit.cli.test_check_command import SITE


def test_an_end_before_the_beginning_is_named(tmp_path: Path) -> None:
    """Not taken for a history without cycles."""
    site = tmp_path / "site.toml"
    site.write_text(SITE, encoding="utf-8")
    words = ["replay", str(site), "--since", "2026-05-02", "--until", "2026-05-01"]
    with pytest.raises(UsageError, match="--until 2026-05-01 must lie after --since 2026-05-02"):
        CliRunner().invoke(app, words, catch_exceptions=False)

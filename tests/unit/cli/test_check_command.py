"""`edgeflash check`: what it prints for a site file that is right."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner

from edgeflash.cli.app import app

SITE = """
[site]
name = "Larkwater blending depot (simulated)"

[opcua]

[[analyzers]]
id = "kestrel-1"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
analyzer_corrects_barometer = false
"""


def test_what_an_analyzer_has_fits_80_columns(tmp_path: Path) -> None:
    """The roles too; the width is that of a plain terminal (common practice, no source)."""
    site = tmp_path / "site.toml"
    site.write_text(SITE, encoding="utf-8")
    done = CliRunner().invoke(app, ["check", str(site)], catch_exceptions=False)
    assert done.exit_code == 0
    lines = done.stdout.partition("kestrel-1 (number 1)")[2].splitlines()
    assert max(map(len, lines)) <= 80
    assert "recent_flash_point" in done.stdout

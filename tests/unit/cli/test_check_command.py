"""`edgeflash check`: what it prints for a site file that is right."""

from __future__ import annotations

import json
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

[analyzers.rules.air_flow]
severity = "note"
because = "the air is metered by a fixed orifice; its own sensor is for information only"
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


def test_a_missing_file_has_no_line(tmp_path: Path) -> None:
    """Lines are counted from 1 (GNU coding standards, formatting error messages; from memory)."""
    path = tmp_path / "none.toml"
    done = CliRunner().invoke(app, ["check", str(path)])
    assert done.exit_code == 2
    assert done.stdout == f"{path}: (file): there is no such file\n"
    (mistake,) = json.loads(CliRunner().invoke(app, ["check", str(path), "--json"]).stdout)[
        "mistakes"
    ]
    assert mistake["line"] is None

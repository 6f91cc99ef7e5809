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


def test_outlets_that_ask_nobody_are_named(tmp_path: Path) -> None:
    """Which they are follows docs/security.md and docs/modbus.md; a closed one is not named."""
    site = tmp_path / "site.toml"
    inputs = '[[inputs]]\nid = "t10"\nnumber = 1\nunit = "degC"\nlow = 100.0\nhigh = 300.0\n'
    inputs += "stale_s = 900\n"
    open_ua = SITE.replace("[opcua]", "[opcua]\nallow_open_endpoint = true\naccept_inputs = true")
    read, write = "whoever reaches it can read", "can write inputs"
    for text, cautions in (
        (SITE, []),
        (open_ua + inputs, ["OPC UA 127.0.0.1:4840: whoever reaches it can read and write inputs"]),
        (
            SITE + '[[modbus]]\n[[modbus]]\nport = 5021\nallow = ["192.0.2.7"]\n',
            [f"Modbus TCP 127.0.0.1:5020: {read}"],
        ),
        (
            SITE + inputs + '[[modbus]]\nallow = ["192.0.2.7"]\naccept_inputs = true\n',
            [f"Modbus TCP 127.0.0.1:5020: whoever has an allowed address {write}"],
        ),
        (
            SITE + inputs + "[[modbus]]\naccept_inputs = true\n",
            [f"Modbus TCP 127.0.0.1:5020: whoever reaches it {w}" for w in ("can read", write)],
        ),
    ):
        site.write_text(text, encoding="utf-8")
        done = CliRunner().invoke(app, ["check", str(site), "--json"], catch_exceptions=False)
        assert json.loads(done.stdout)["cautions"] == cautions
        shown = " ".join(CliRunner().invoke(app, ["check", str(site)]).stdout.split())
        assert all(f"caution {words}" in shown for words in cautions)


def test_how_long_the_history_is_kept_is_said(tmp_path: Path) -> None:
    """Table by table, for people and machines."""
    site = tmp_path / "site.toml"
    keep = "[history]\ntraces = { keep_days = 400, keep_mb = 20_000 }\nevents = { keep_mb = 50 }\n"
    site.write_text(SITE + keep, encoding="utf-8")
    done = CliRunner().invoke(app, ["check", str(site)], catch_exceptions=False)
    said = " ".join(done.stdout.partition("  history    ")[2].partition("kestrel-1")[0].split())
    assert said.startswith(
        "results kept for ever; traces kept 400 days and at most 20,000 MB; "
        "events kept at most 50 MB; lab kept for ever"
    )
    done = CliRunner().invoke(app, ["check", str(site), "--json"], catch_exceptions=False)
    assert json.loads(done.stdout)["history_kept"]["lab"] == "for ever"

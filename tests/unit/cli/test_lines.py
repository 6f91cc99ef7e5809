"""What people read at a terminal fits it. Widths: a plain terminal's 80 columns (common practice,
no source)."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.cli.events import told
from edgeflash.cli.lines import say_error
from edgeflash.model import EventEntry, EventKind

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
LONG = "edgeflash: there is no alarm 'nothing'; there are: " + ", ".join(["possible_low_flash"] * 5)


def test_an_error_is_folded_for_a_terminal_alone(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line in a log, which is searched by line; no word is cut."""
    say_error(LONG)
    assert capsys.readouterr().err == LONG + "\n"
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    say_error(LONG)
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3
    assert max(map(len, lines)) <= 80
    assert " ".join(line.strip() for line in lines) == LONG


def test_help_is_not_broken_where_the_source_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """A paragraph is folded once, and a word in brackets is not lost as a style."""
    monkeypatch.setenv("COLUMNS", "80")
    text = CliRunner().invoke(app, ["points", "--help"]).stdout
    assert "unless SITE says `points_moved_because` in [site]." in " ".join(text.split())
    text = CliRunner().invoke(app, ["keys", "trust", "--help"]).stdout
    assert "own screen, before you trust it." in text


def test_an_event_says_that_its_times_are_utc() -> None:
    """When it was, and until when it holds."""
    entry = EventEntry(AT, EventKind.MAINTENANCE_ON, "kestrel-1", "mara", "operator socket")
    assert told(entry).startswith("2031-04-05 06:07:08 UTC maintenance_on kestrel-1 by mara")

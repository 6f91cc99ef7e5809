"""One log pipeline for our lines and the libraries' lines."""

from __future__ import annotations

import json
import logging
import os
import pty
import re
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import pytest
import structlog

from edgeflash.service import logs


@pytest.fixture(autouse=True)
def restored_logging() -> Iterator[None]:
    """Leaves the process's logging as it was."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    levels = {name: logging.getLogger(name).level for name in logs.CHATTY_LIBRARIES}
    structlog.contextvars.clear_contextvars()
    yield
    structlog.contextvars.clear_contextvars()
    root.handlers[:] = handlers
    root.setLevel(level)
    for name, was in levels.items():
        logging.getLogger(name).setLevel(was)
    structlog.reset_defaults()


def lines_of(capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    """Standard error as JSON lines; nothing may be on standard output."""
    out, err = capsys.readouterr()
    assert out == ""
    return [json.loads(line) for line in err.splitlines()]


def test_our_line_and_a_library_line_have_one_shape(capsys: pytest.CaptureFixture[str]) -> None:
    """Both carry time, level, logger, event, and the context of the task they come from."""
    logs.configure(json=True)
    structlog.contextvars.bind_contextvars(analyzer="unit-1")
    structlog.get_logger("edgeflash.links").warning("link down", attempts=3)
    logging.getLogger("some.library").warning("lost %s of %d", "frame", 7)
    ours, theirs = lines_of(capsys)
    for line in (ours, theirs):
        stamped = datetime.fromisoformat(line.pop("timestamp"))
        assert timedelta(0) == stamped.utcoffset()
    assert ours == {
        "level": "warning",
        "logger": "edgeflash.links",
        "event": "link down",
        "analyzer": "unit-1",
        "attempts": 3,
    }
    assert theirs == {
        "level": "warning",
        "logger": "some.library",
        "event": "lost frame of 7",
        "analyzer": "unit-1",
    }


def test_extra_of_a_library_line_is_kept(capsys: pytest.CaptureFixture[str]) -> None:
    """What a library passes as `extra` becomes a key."""
    logs.configure(json=True)
    logging.getLogger("some.library").error("refused", extra={"peer": "127.0.0.1"})
    (line,) = lines_of(capsys)
    assert line["peer"] == "127.0.0.1"


def test_an_exception_stays_on_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    """The traceback is a key of the JSON object, for our loggers and for the libraries'."""
    logs.configure(json=True)
    try:
        raise OSError("no room left")
    except OSError:
        structlog.get_logger("edgeflash.journal").exception("write failed")
        logging.getLogger("some.library").exception("write failed")
    ours, theirs = lines_of(capsys)
    assert ours["exception"].endswith("OSError: no room left")
    assert theirs["exception"].endswith("OSError: no room left")


def test_values_json_does_not_know_are_written_as_text(capsys: pytest.CaptureFixture[str]) -> None:
    """A line is never lost for the type of a value, nor for a sign outside ASCII."""
    logs.configure(json=True)
    structlog.get_logger("edgeflash").info("limit 60 °C", since=timedelta(seconds=90))
    (line,) = lines_of(capsys)
    assert (line["event"], line["since"]) == ("limit 60 °C", "0:01:30")


def test_level(capsys: pytest.CaptureFixture[str]) -> None:
    """Lines under the level are not written, ours or theirs; the last configuration holds."""
    logger = structlog.get_logger("edgeflash.gateway")
    logs.configure(json=True, level="warning")
    logger.info("polled")
    logging.getLogger("some.library").info("polled")
    logger.error("stopped")
    logs.configure(json=True, level=logging.INFO)
    logger.info("polled again")
    assert [line["event"] for line in lines_of(capsys)] == ["stopped", "polled again"]


def test_chatty_libraries_are_heard_only_from_warning_up(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Every client's connection at INFO would bury the changes of state; DEBUG lets all through."""
    for name in ("asyncua", "asyncua.server"):  # whatever tests before this one have left
        logging.getLogger(name).setLevel(logging.NOTSET)
    library = logging.getLogger("asyncua.server.a_part_nobody_quietened")
    logs.configure(json=True, level="INFO")
    library.info("session created")
    library.warning("session refused")
    logs.configure(json=True, level="DEBUG")
    library.info("session closed")
    heard = [line["event"] for line in lines_of(capsys)]
    assert heard == ["session refused", "session closed"]


def test_an_unknown_level_names_the_known_ones() -> None:
    """A misspelt level is refused with the choice there is."""
    with pytest.raises(ValueError, match=r"'loud'; one of NOTSET, DEBUG, INFO"):
        logs.configure(level="loud")


def test_readable_lines(capsys: pytest.CaptureFixture[str]) -> None:
    """For a person: no JSON, no colour codes off a terminal, values as name=value."""
    logs.configure(json=False)
    structlog.get_logger("edgeflash.links").warning("link down", analyzer="unit-1")
    err = capsys.readouterr().err
    assert "link down" in err
    assert "analyzer=unit-1" in err
    assert "\x1b" not in err
    assert not err.startswith("{")


def test_a_readable_traceback_shows_no_local_values(capsys: pytest.CaptureFixture[str]) -> None:
    """What a variable held at the time of an error is not written to the log."""
    logs.configure(json=False)
    secret_word = "".join(["open", "sesame"])
    try:
        raise OSError(len(secret_word))
    except OSError:
        structlog.get_logger("edgeflash").exception("refused")
    err = capsys.readouterr().err
    assert "OSError: 10" in err
    assert "opensesame" not in err


PROGRAM = """
import structlog
from edgeflash.service import logs
logs.configure()
structlog.get_logger("edgeflash").info("started", analyzers=2)
"""


def test_a_pipe_gets_json() -> None:
    """What the journal, a container or a file gets is JSON, and on standard error."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout == ""
    assert json.loads(done.stderr)["event"] == "started"


@pytest.mark.parametrize("no_colour", ["", "1"])
def test_a_terminal_gets_readable_lines(no_colour: str) -> None:
    """A real pseudo-terminal: readable, coloured unless NO_COLOR is set (no-color.org)."""
    ours, theirs = pty.openpty()
    environment = {
        **os.environ,
        "NO_COLOR": no_colour,
        "INVOCATION_ID": "0" * 32,
        "JOURNAL_STREAM": "8:1",
    }
    try:
        subprocess.run(
            [sys.executable, "-c", PROGRAM],
            stderr=theirs,
            env=environment,
            check=True,
            timeout=60,
        )
        shown = os.read(ours, 65536).decode()
    finally:
        os.close(ours)
        os.close(theirs)
    plain = re.sub(r"\x1b\[[0-9;]*m", "", shown)
    assert "started" in plain
    assert "analyzers=2" in plain
    assert not plain.startswith("{")
    assert bool(no_colour) == (plain == shown)

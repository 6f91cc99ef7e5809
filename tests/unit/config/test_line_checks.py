"""Shared lines in the site file: what is right, and what each mistake is told as."""

from __future__ import annotations

from typing import Any

import pytest

from edgeflash.config.line_checks import with_line_limits
from edgeflash.config.problems import Ledger
from edgeflash.config.site import OpcUaServer, SiteFile, SiteHeader
from edgeflash.config.site_checks import site_problems
from edgeflash.links.line_framing import quiet_s
from edgeflash.model import Role

SERIAL: dict[str, Any] = {"id": "east", "device": "/dev/serial/by-id/usb-converter"}
SERVER: dict[str, Any] = {"id": "west", "host": "10.20.0.30", "port": 4001, "framing": "rtu"}
GATEWAY: dict[str, Any] = {"id": "north", "host": "10.20.0.31", "framing": "tcp"}


def site(lines: list[dict[str, Any]], analyzers: list[dict[str, Any]]) -> SiteFile:
    made = [
        {
            "id": f"cup-{n}",
            "number": n,
            "map": "cup.toml",
            "analyzer_corrects_barometer": True,
            **given,
        }
        for n, given in enumerate(analyzers, start=1)
    ]
    return SiteFile.model_validate(
        {
            "site": SiteHeader(name="depot"),
            "opcua": OpcUaServer(),
            "lines": lines,
            "analyzers": made,
        }
    )


def mistakes(lines: list[dict[str, Any]], analyzers: list[dict[str, Any]]) -> dict[str, str]:
    """Key and sentence of every mistake."""
    file, ledger = site(lines, analyzers), Ledger()
    ledger.add_all(site_problems(file, [frozenset(Role)] * len(analyzers)))
    return {".".join(map(str, p.path)): p.problem for p in ledger}


def on(line: str, unit_id: int = 1, **more: Any) -> dict[str, Any]:
    return {"line": line, "unit_id": unit_id, **more}


def test_lines_of_every_kind_are_right() -> None:
    """A serial device, a serial server, a gateway; the same unit on two lines."""
    analyzers = [on("east", 1), on("east", 247), on("west", 1), on("north", 2)]
    assert mistakes([SERIAL, SERVER, GATEWAY], analyzers) == {}


@pytest.mark.parametrize(
    ("line", "key", "says"),
    [
        ({"id": "east"}, "device", "is missing; give device"),
        (SERIAL | {"host": "10.20.0.30"}, "host", "keep one"),
        (SERIAL | {"device": "COM3"}, "device", "/dev/serial/by-id"),
        (SERIAL | {"framing": "tcp"}, "framing", "no framing of a serial device"),
        (SERIAL | {"port": 502}, "port", "says nothing to a serial device"),
        ({"id": "east", "host": "10.20.0.30"}, "framing", 'is missing; give "rtu"'),
        (SERVER | {"id": "east", "parity": "odd"}, "parity", "set it in the serial server"),
        (SERVER | {"id": "east", "host": "10.20.0.300"}, "host", "four numbers from 0 to 255"),
        (SERVER | {"id": "east", "host": "0.0.0.0"}, "host", "nobody's address"),
        (GATEWAY | {"id": "east", "late_s": 1.0}, "late_s", "numbers its requests"),
        (GATEWAY | {"id": "east", "echo": True}, "echo", "numbers its requests"),
    ],
)
def test_a_line_that_is_wrong(line: dict[str, Any], key: str, says: str) -> None:
    """One mistake, at its key, saying what would be right."""
    found = mistakes([line], [on("east")])
    assert list(found) == [f"lines.0.{key}"]
    assert says in found[f"lines.0.{key}"]


def test_two_lines_are_two() -> None:
    """Ids, devices and hosts are each one line's."""
    lines = [SERIAL, SERIAL | {"id": "other"}, SERVER, SERVER | {"id": "again"}]
    found = mistakes(lines, [on("east")])
    assert set(found) == {"lines.1.device", "lines.3.host"}
    assert "lines.1.id" in mistakes([SERIAL, SERIAL | {"device": "/dev/ttyS1"}], [on("east")])


@pytest.mark.parametrize(
    ("analyzers", "key", "says"),
    [
        ([on("est")], "analyzers.0.line", "they are: east, north"),
        ([on("east", 0)], "analyzers.0.unit_id", "from 1 to 247"),
        ([on("east", 248)], "analyzers.0.unit_id", "from 1 to 247"),
        ([on("east", 7), on("east", 7)], "analyzers.1.unit_id", "belongs to analyzers[0]"),
        ([on("east", host="10.20.0.21")], "analyzers.0.line", "keep one of them"),
        ([on("east", timeout_s=2.0)], "analyzers.0.timeout_s", "take this line out"),
        ([on("east", port=502)], "analyzers.0.port", "take this line out"),
        ([{"host": "10.20.0.31"}], "analyzers.0.host", 'line = "north"'),
    ],
)
def test_an_analyzer_on_a_line(analyzers: list[dict[str, Any]], key: str, says: str) -> None:
    """Its line is there, its unit its own, and it is reached one way only."""
    found = mistakes([SERIAL, GATEWAY], analyzers)
    assert list(found) == [key]
    assert says in found[key]


def test_the_line_says_how_long_an_answer_may_take() -> None:
    """So that silence counts as silence no earlier than the line can know it."""
    lines = [SERIAL | {"timeout_s": 2.0, "late_s": 3.0, "retries": 0}, GATEWAY | {"timeout_s": 4.0}]
    file = with_line_limits(site(lines, [on("east"), on("north"), {"host": "10.20.0.40"}]))
    assert [(a.timeout_s, a.retries) for a in file.analyzers] == [(5.0, 0), (4.0, 1), (1.0, 1)]


@pytest.mark.parametrize(
    ("baud", "pause_ms"),
    # Modbus over serial line V1.02, 2.5.1.1: 3.5 characters of 11 bits; 1.750 ms above 19200 baud.
    [(9600, 4.0104), (19_200, 2.0052), (38_400, 1.75), (115_200, 1.75)],
)
def test_the_pause_between_requests(baud: int, pause_ms: float) -> None:
    """As the serial line guide has it, unless the site file says otherwise."""
    file = site(
        [SERIAL | {"baud": baud}, SERIAL | {"id": "b", "quiet_ms": 40.0}, GATEWAY], [on("b")]
    )
    assert quiet_s(file.lines[0]) == pytest.approx(pause_ms / 1000, rel=1e-3)
    assert quiet_s(file.lines[1]) == 0.040
    assert quiet_s(file.lines[2]) == 0.0

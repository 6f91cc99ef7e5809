"""`edgeflash peek` against a simulated analyzer; where its registers are, the simulator says."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.config.load import load_map
from edgeflash.errors import EdgeflashError, UsageError
from simulators import registers
from tests.faults.processes import simulators

LOOK = ("--looks", "25", "--every", "0.4")


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Where a simulated analyzer answers; a cycle takes some 7 s."""
    folder = tmp_path_factory.mktemp("device")
    with simulators(folder, 25.0, "--single") as endpoints:
        yield f"127.0.0.1:{endpoints[0].port}"


def _peek(device: str, *arguments: str) -> dict[str, object]:
    done = CliRunner().invoke(app, ["peek", "modbus", device, "--json", *arguments])
    assert done.exit_code == 0, done.exception
    document = json.loads(done.stdout)
    assert isinstance(document, dict)
    return document


def test_a_whole_cycle_shows_what_the_registers_are(device: str) -> None:
    """Types, order and scales of the main figures, and what looks like a counter or a clock."""
    document = _peek(device, "--first", "0", "--count", "60", *LOOK)
    assert document["order"] == "cdab"
    rows = {row["address"]: row for row in document["rows"]}  # type: ignore[attr-defined]
    flash = rows[registers.FLASH_POINT]
    assert (flash["type"], flash["order"], flash["likeness"]) == ("float32", "cdab", "temperature")
    temperature = rows[registers.SAMPLE_TEMPERATURE]
    assert (temperature["type"], temperature["scale"]) == ("int16", 0.01)
    assert temperature["changed"]
    assert rows[registers.BAROMETER]["likeness"] == "barometer"
    assert rows[registers.CYCLE_NUMBER]["likeness"] == "counter"
    assert rows[registers.RESULT_TIME]["likeness"] == "time"


def test_what_is_picked_becomes_a_map_that_loads(device: str, tmp_path: Path) -> None:
    """The map reads what was picked, and says that it must be checked."""
    path = tmp_path / "new.toml"
    picks = [
        *("--pick", f"flash_point={registers.FLASH_POINT}"),
        *("--pick", f"cycle_number={registers.CYCLE_NUMBER}:uint16"),
        *("--pick", f"sample_temperature={registers.SAMPLE_TEMPERATURE}"),
    ]
    _peek(device, "--count", "60", *LOOK, *picks, "--map", str(path))
    text = path.read_text("utf-8")
    assert "Check every line" in text
    roles = tomllib.loads(text)["roles"]
    assert roles["sample_temperature"]["scale"] == 0.01
    assert {role.value for role in load_map(path).roles} == set(roles)
    again = CliRunner().invoke(
        app, ["peek", "modbus", device, "--looks", "1", *picks, "--map", str(path)]
    )
    assert again.exit_code != 0
    assert path.read_text("utf-8") == text, "a file that exists is never overwritten"


def test_addresses_that_are_not_there_are_left_out(device: str) -> None:
    """The trace block begins at 1000; what the device refuses is found by halving."""
    document = _peek(device, "--first", "990", "--count", "20", "--looks", "1")
    shown = {row["address"] for row in document["rows"]}  # type: ignore[attr-defined]
    assert registers.TRACE_CYCLE in shown


def test_a_table_or_range_that_is_not_there_is_said_in_words(device: str) -> None:
    """No traceback, and what to try."""
    done = CliRunner().invoke(
        app, ["peek", "modbus", device, "--first", "60000", "--count", "8", "--looks", "1"]
    )
    assert isinstance(done.exception, UsageError)
    assert "another --first" in str(done.exception)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Where a simulated analyzer answers over OPC UA."""
    folder = tmp_path_factory.mktemp("server")
    command = [sys.executable, "-m", "simulators", "--single", "--opcua", "--speed", "25"]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log)
    assert process.stdout is not None
    try:
        yield json.loads(process.stdout.readline())["analyzers"][0]["opcua"]
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


def test_an_opcua_server_is_browsed_and_becomes_a_map(server: str, tmp_path: Path) -> None:
    """Each variable by namespace URI with type, value, status and time; a map of what is picked."""
    command = ["peek", "opcua", server, "--looks", "12", "--every", "0.3", "--json"]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.exception
    rows = {row["path"]: row for row in json.loads(done.stdout)}
    temperature = rows["Cup/Live/SampleTemperature"]
    assert temperature["node"].startswith("nsu=urn:")
    assert (temperature["type"], temperature["status"]) == ("float", "Good")
    assert (temperature["likeness"], temperature["changed"]) == ("temperature", True)
    assert temperature["source_time"] is not None
    assert rows["Cup/Live/Barometer"]["likeness"] == "barometer"
    path = tmp_path / "new.toml"
    picks = [
        *("--pick", f"sample_temperature={temperature['node']}"),
        *("--pick", f"flash_point={rows['Cup/Result/FlashPoint']['node']}"),
        *("--pick", f"cycle_number={rows['Cup/Result/Number']['node']}"),
    ]
    assert CliRunner().invoke(app, [*command, *picks, "--map", str(path)]).exit_code == 0
    assert {role.value for role in load_map(path).roles} == {
        *("sample_temperature", "flash_point", "cycle_number"),
    }


def test_a_server_that_is_not_there_is_said_in_words() -> None:
    """No traceback."""
    done = CliRunner().invoke(app, ["peek", "opcua", "opc.tcp://127.0.0.1:9", "--timeout", "1"])
    assert isinstance(done.exception, EdgeflashError)
    assert "127.0.0.1:9" in str(done.exception)


@pytest.mark.parametrize(
    "arguments",
    [
        ("--table", "coil"),
        ("--pick", "flash_point=3"),
        ("--pick", "nonsense=3", "--map", "x.toml"),
        ("--pick", "flash_point=three", "--map", "x.toml"),
    ],
)
def test_wrong_use_is_said_before_anything_is_read(arguments: tuple[str, ...]) -> None:
    """Nothing is connected: no such device exists."""
    done = CliRunner().invoke(app, ["peek", "modbus", "192.0.2.1", *arguments])
    assert isinstance(done.exception, UsageError)

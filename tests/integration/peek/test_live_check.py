"""`edgeflash check --live`: a map that reads nonsense cannot pass in silence."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path
from time import monotonic

import pytest
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.demo.simulated import Endpoint
from tests.faults.processes import demo_site, simulators

SPEED = 25.0


@pytest.fixture(scope="module")
def endpoints(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Endpoint, ...]]:
    folder = tmp_path_factory.mktemp("device")
    with simulators(folder, SPEED, "--single") as found:
        yield found


def _site(folder: Path, endpoints: tuple[Endpoint, ...], *changes: tuple[str, str, str]) -> Path:
    """A site whose map has other lines: role, line as it is, line instead."""
    text = (resources.files("edgeflash.examples") / "maps" / "bench-cup.toml").read_text("utf-8")
    for role, old, new in changes:
        head, mark, rest = text.partition(f"[roles.{role}]")
        part, end, tail = rest.partition("\n[")
        assert old in part, f"{old} is not in the example map's {role}"
        text = head + mark + part.replace(old, new) + end + tail
    (folder / "map.toml").write_text(text, "utf-8")
    site = demo_site(folder, endpoints, SPEED)
    site.write_text(
        site.read_text("utf-8").replace('"examples:bench-cup.toml"', '"map.toml"'), "utf-8"
    )
    return site


def _check(site: Path) -> tuple[int, dict[str, object]]:
    done = CliRunner().invoke(app, ["check", str(site), "--live", "--json"])
    document = json.loads(done.stdout)
    (analyzer,) = document["analyzers"]
    return done.exit_code, analyzer["live"]


def test_the_right_map_is_believed(endpoints: tuple[Endpoint, ...], tmp_path: Path) -> None:
    """Nothing to doubt, and the values are there."""
    code, live = _check(_site(tmp_path, endpoints))
    assert (code, live["fault"], live["implausible"]) == (0, None, [])
    assert isinstance(live["values"], dict)
    assert 80 < live["values"]["barometric_pressure"] < 108


def test_another_order_of_bytes_is_doubted_and_the_right_one_named(
    endpoints: tuple[Endpoint, ...], tmp_path: Path
) -> None:
    """An air flow written low word first, mapped as high word first.

    Its noise makes every reading another number, of which few are possible by chance.
    """
    site = _site(tmp_path, endpoints, ("air_flow", 'order = "cdab"', 'order = "abcd"'))
    looks = [_check(site) for _ in range(3)]
    assert 1 in [code for code, _ in looks]
    (doubt, *_) = [d for _, live in looks for d in live["implausible"]]  # type: ignore[attr-defined]
    assert doubt["role"] == "air_flow"
    assert 'order = "cdab"' in doubt["would_fit"]


def test_a_time_in_another_order_is_told_as_a_time(
    endpoints: tuple[Endpoint, ...], tmp_path: Path
) -> None:
    """Seconds since 1970 with their words swapped are some other year."""
    wrong = 'unit = "epoch_s"\norder = "cdab"'
    site = _site(tmp_path, endpoints, ("result_time", 'unit = "epoch_s"', wrong))
    told = re.compile(r'order = "abcd" would give 20\d\d-\d\d-\d\d \d\d:\d\d:\d\d UTC')
    deadline_s = monotonic() + 120.0
    while True:  # until the first cycle has a time, and one that is not possible by chance
        _, live = _check(site)
        found = [d["would_fit"] for d in live["implausible"]]  # type: ignore[attr-defined]
        if any(map(told.search, found)):
            return
        assert not found, live
        if monotonic() > deadline_s:
            # For some minutes in every 18 hours the swapped words make a time that can be right.
            read = datetime.fromisoformat(live["values"]["result_time"])  # type: ignore[index]
            assert abs(read - datetime.now(UTC)) < timedelta(days=731), live
            return


def test_a_wrong_unit_is_doubted_and_one_that_fits_is_named(
    endpoints: tuple[Endpoint, ...], tmp_path: Path
) -> None:
    """1007 hPa mapped as psi would be some seventy times as much."""
    site = _site(tmp_path, endpoints, ("barometric_pressure", 'unit = "hPa"', 'unit = "psi"'))
    code, live = _check(site)
    assert code == 1
    (doubt,) = live["implausible"]  # type: ignore[misc]
    assert doubt["role"] == "barometric_pressure"
    assert 'unit = "hPa"' in doubt["would_fit"]


def test_an_analyzer_that_does_not_answer_is_not_fine(tmp_path: Path) -> None:
    """Said in words; nothing else is looked at."""
    site = _site(tmp_path, (Endpoint("kestrel-1", "127.0.0.1", 9),))
    code, live = _check(site)
    assert code == 1
    assert "127.0.0.1:9" in str(live["fault"])

"""`edgeflash products`: limits, methods, classes, with unit, origin and caution."""

from __future__ import annotations

import json
from typing import Any

import pytest
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.cli.products import temperature_c
from edgeflash.errors import UsageError
from edgeflash.flash.methods import METHODS
from edgeflash.flash.products import SPECIFICATIONS


def run(*words: str, columns: int = 200) -> str:
    result = CliRunner().invoke(
        app, ["products", *words], catch_exceptions=False, env={"COLUMNS": str(columns)}
    )
    assert result.exit_code == 0, result.output
    return result.stdout


def as_json(*words: str) -> Any:
    return json.loads(run(*words, "--json"))


def test_the_limits_for_people() -> None:
    """Each with its minimum, method, decision limits (ISO 4259-2 by hand) and origin."""
    lines = run().splitlines()
    at = next(n for n, line in enumerate(lines) if line.startswith("en-590 "))
    assert lines[at].split() == ["en-590", "above", "55.0", "°C", "iso-2719-a", "diesel"]
    assert lines[at + 1].strip() == (
        "recipient may reject below 52.70 °C, supplier sure from 57.30 °C; "
        "EN 590, edition not checked (from memory)"
    )
    assert all(any(line.startswith(f"{name} ") for line in lines) for name in SPECIFICATIONS)
    assert "local code decide" in lines[-1]


def test_the_limits_for_machines() -> None:
    """The same, with every field."""
    document = as_json()
    by_id = {one["id"]: one for one in document["specifications"]}
    assert by_id.keys() == SPECIFICATIONS.keys()
    assert by_id["en-590"]["strict"] is True
    assert by_id["iso-8217-residual"]["decision"] == pytest.approx(
        {"reject_below_c": 56.46, "sure_from_c": 63.54}
    )
    assert "from memory" in document["caution"]


def test_the_methods() -> None:
    """Scope, ramp and precision; for machines without an infinity, which JSON has not."""
    text = run("--methods")
    assert "r 1.74 °C, R 4.26 °C at 60 °C (from memory)" in text
    assert "scope 40 to 370 °C (read); 5 to 6 °C/min, ignition every 1 °C (from memory)" in text
    assert "scope above 40 °C (from memory)" in text
    assert "scope below 93 °C (read); 2.73 to 3.33 °C/min" in text
    assert "isothermal (read)" in text
    assert "; 1 °C/min, ignition every 0.5 °C" in text
    raw = run("--methods", "--json")
    assert "Infinity" not in raw
    by_id = {one["id"]: one for one in json.loads(raw)["methods"]}
    assert by_id.keys() == METHODS.keys()
    assert [p["low_c"] for p in by_id["d56"]["precisions"]] == [None, 60.0]


def test_the_classes_of_a_flash_point() -> None:
    """The trap at 60.0 °C under all schemes, the caution last."""
    lines = run("--classify", "60").splitlines()
    assert lines[0] == "flash point 60.00 °C (140.00 °F), boiling point unknown"
    assert lines[-1] == "information only: local codes and licensed practice decide"
    text = "\n".join(lines)
    for found in ("GHS category 3, H226", "NFPA 30 class IIIA", "DOT flammable liquid", "III  "):
        assert found in text


@pytest.mark.parametrize("flash", ["60", "140F", "140 °F", "333.15K"])
def test_classes_for_machines_in_any_unit(flash: str) -> None:
    """One temperature, one answer."""
    document = as_json("--classify", flash, "--boiling", "180")
    assert document["flash_point_c"] == pytest.approx(60.0)
    assert document["boiling_point_c"] == 180.0
    assert [one["class"] for one in document["classes"]] == [
        "GHS category 3, H226, Warning",
        "CLP category 3, H226, Warning",
        "NFPA 30 class IIIA",
        "DOT flammable liquid",
        "UN class 3, packing group III",
    ]
    assert document["caution"] and all(one["source"] for one in document["classes"])


def test_a_note_stands_below_its_class() -> None:
    """An unknown boiling point, and a known one."""
    assert "    boiling point unknown; above 35 °C it is category 2" in run("--classify", "-5")
    known = run("--classify", "-5C", "--boiling", "80")
    assert "boiling point 80.00 °C (176.00 °F)" in known and "unknown" not in known


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--classify", "warm"), "is not a temperature; write 58.2 for °C, or 137F"),
        (("--classify", "-300"), "below absolute zero"),
        (("--classify", "60", "--boiling", "nan"), "'nan' is not a temperature"),
        (("--boiling", "80"), "--boiling needs --classify"),
    ],
)
def test_wrong_use_says_what_is_right(words: tuple[str, ...], says: str) -> None:
    """UsageError, which the command line turns into exit code 2."""
    with pytest.raises(UsageError, match=says):
        run(*words)


def test_absolute_zero_itself_is_a_temperature() -> None:
    """0 K."""
    assert temperature_c("0K") == -273.15
    assert temperature_c(" +58.25 c ") == 58.25


@pytest.mark.parametrize("words", [(), ("--methods",), ("--classify", "58.2")])
@pytest.mark.parametrize("columns", [60, 80])
def test_no_line_is_wider_than_the_terminal(words: tuple[str, ...], columns: int) -> None:
    """Folded at spaces, with every word there still."""
    wide, narrow = run(*words), run(*words, columns=columns)
    assert max(map(len, wide.splitlines())) > columns
    assert max(map(len, narrow.splitlines())) <= columns
    assert wide.split() == narrow.split()

"""Every mistake is reported once, with file, line, key and what would be right."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from edgeflash.cli.check import check
from edgeflash.config.load import MAX_BYTES, load_map, load_site
from edgeflash.errors import ConfigurationError, Mistake
from edgeflash.gateway.site import checked_site
from tests.unit.config.bad_files import GOOD_MAP, GOOD_SITE, MAP, ROWS, SITE, Row

GOOD = Row("good", SITE, (), 1, "", "")
ROW_NAMES = [row.name for row in ROWS]


@pytest.fixture(scope="module")
def runner() -> tuple[CliRunner, typer.Typer]:
    """The check command in this process."""
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(check)
    return CliRunner(), app


def mistakes_of(site: Path) -> tuple[Mistake, ...]:
    with pytest.raises(ConfigurationError) as caught:
        checked_site(site)
    return caught.value.mistakes


def test_the_good_files_have_no_mistake(tmp_path: Path) -> None:
    """The base of the table is right, so each row's one edit is its only mistake."""
    site = checked_site(GOOD.write(tmp_path))
    assert sorted(site.maps) == ["kestrel-1", "kestrel-2"]


def test_the_table_is_wide() -> None:
    """More than fifty different mistakes, in both kinds of file."""
    assert len(set(ROW_NAMES)) == len(ROWS) >= 50
    assert {row.blamed for row in ROWS} == {SITE, MAP}


@pytest.mark.parametrize("row", ROWS, ids=ROW_NAMES)
def test_one_mistake_with_its_place(row: Row, tmp_path: Path) -> None:
    """Exactly one mistake, at the file, line and key of the edit, saying what would be right."""
    found = mistakes_of(row.write(tmp_path))
    assert [(m.file, m.line, m.key) for m in found] == [
        (tmp_path / row.blamed, row.expected_line(), row.key)
    ]
    assert row.says in found[0].problem


@pytest.mark.parametrize("row", ROWS, ids=ROW_NAMES)
def test_the_command_says_the_same(
    row: Row, tmp_path: Path, runner: tuple[CliRunner, typer.Typer]
) -> None:
    """`check` ends with 2 and one line `file:line: key: …`; with --json the same as data."""
    site = row.write(tmp_path)
    command, app = runner
    answer = command.invoke(app, [str(site)])
    start = f"{tmp_path / row.blamed}:{row.expected_line()}: {row.key}: "
    assert answer.exit_code == 2
    assert answer.stdout.count("\n") == 1
    assert answer.stdout.startswith(start) and row.says in answer.stdout
    as_json = command.invoke(app, [str(site), "--json"])
    document = json.loads(as_json.stdout)
    assert as_json.exit_code == 2 and document["ok"] is False
    assert [m["key"] for m in document["mistakes"]] == [row.key]


@pytest.mark.parametrize("row", ROWS[:: len(ROWS) // 2], ids=lambda row: row.name)
def test_the_program_ends_with_2_and_no_traceback(row: Row, tmp_path: Path) -> None:
    """The same through a process of its own."""
    site = row.write(tmp_path)
    ended = subprocess.run(
        [sys.executable, "-m", "edgeflash", "check", str(site)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 2, ended.stderr
    assert "Traceback" not in ended.stdout + ended.stderr
    assert f":{row.expected_line()}: {row.key}: " in ended.stdout


def test_all_mistakes_at_once_in_file_order(tmp_path: Path) -> None:
    """Wrong values, wrong combinations and wrong maps come together, the site file first."""
    GOOD.write(tmp_path)
    site = GOOD_SITE.replace("port = 5021", 'port = "x"').replace("number = 2", "number = 1")
    site = site.replace("hold_s = 900.0", "hold_s = 0.5").replace("keep_days", "keep_day")
    site = site.replace("rules.sample_flow]", "rules.sample_flw]")
    (tmp_path / SITE).write_text(site)
    cup = GOOD_MAP.replace("max_gap = 8", "max_gap = 800").replace('unit = "degF"', 'unit = "F"')
    (tmp_path / MAP).write_text(cup.replace("bit = 0", ""))
    found = mistakes_of(tmp_path / SITE)
    assert [m.key for m in found] == [
        "journal.keep_day",
        "modbus[1].port",
        "analyzers[0].hold_s",
        "analyzers[0].rules.sample_flw",
        "analyzers[1].number",
        "map.max_gap",
        "roles.ignition_seen.bit",
        "roles.recent_flash_point.unit",
    ]
    assert [m.file.name for m in found] == ["site.toml"] * 5 + ["cup.toml"] * 3
    for file in ("site.toml", "cup.toml"):
        lines = [m.line for m in found if m.file.name == file]
        assert lines == sorted(lines)


@pytest.mark.parametrize("which", [SITE, MAP])
def test_a_file_that_is_not_utf_8(which: str, tmp_path: Path) -> None:
    """The line of the first byte that is not UTF-8 is named."""
    site = GOOD.write(tmp_path)
    path = tmp_path / which
    path.write_bytes(path.read_bytes().replace(b"[", "# 60 °C\n[".encode("latin-1"), 1))
    (mistake,) = mistakes_of(site)
    where = (SITE, 2) if which == SITE else (MAP, 1)
    assert (mistake.file, mistake.line) == (tmp_path / where[0], where[1])
    assert mistake.problem == "byte 0xB0 is not UTF-8 text; save the file as UTF-8"


def test_a_map_that_is_no_toml_is_blamed_itself(tmp_path: Path) -> None:
    """Not the site file, and no complaint about roles that could not be read."""
    site = GOOD.write(tmp_path)
    (tmp_path / MAP).write_text("[map\n")
    (mistake,) = mistakes_of(site)
    assert (mistake.file, mistake.line, mistake.key) == (tmp_path / MAP, 1, "(file)")


@pytest.mark.parametrize("load", [load_site, load_map])
def test_a_file_that_is_not_there(load: object, tmp_path: Path) -> None:
    """A missing file and a folder are mistakes, not tracebacks."""
    assert callable(load)
    for path, words in ((tmp_path / "none.toml", "there is no such file"), (tmp_path, "a folder")):
        with pytest.raises(ConfigurationError) as caught:
            load(path)
        (mistake,) = caught.value.mistakes
        assert (mistake.file, mistake.line, mistake.key) == (path, 0, "(file)")
        assert words in mistake.problem


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("loop.toml", "cannot be read: too many levels of symbolic links"),
        ("x" * 300 + ".toml", "cannot be read: file name too long"),
        ("maps/cup.toml/x.toml", "cannot be read: not a directory"),
        ("a\\u0000b.toml", "no file can have this name"),
    ],
    ids=["loop", "long", "inside a file", "NUL"],
)
def test_a_map_the_system_will_not_open(name: str, words: str, tmp_path: Path) -> None:
    """What the operating system says is said on, at the key that names the map."""
    site = GOOD.write(tmp_path)
    (tmp_path / "loop.toml").symlink_to("loop.toml")
    site.write_text(GOOD_SITE.replace("maps/cup.toml", name, 1))
    (mistake,) = mistakes_of(site)
    assert mistake.key == "analyzers[0].map"
    assert words in mistake.problem


def test_a_byte_order_mark_and_dos_line_ends_are_taken(tmp_path: Path) -> None:
    """Editors on Windows write both; the lines still count right."""
    site = GOOD.write(tmp_path)
    text = site.read_text().replace("port = 4840", "port = -1")
    expected = text[: text.index("port = -1")].count("\n") + 1
    site.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    (mistake,) = mistakes_of(site)
    assert (mistake.line, mistake.key) == (expected, "opcua.port")


@pytest.mark.parametrize("load", [load_site, load_map])
def test_what_gives_bytes_without_end(load: object, tmp_path: Path) -> None:
    """A device, a pipe that nobody writes to, and a file of many megabytes are not read."""
    assert callable(load)
    pipe, large = tmp_path / "pipe.toml", tmp_path / "large.toml"
    os.mkfifo(pipe)
    with large.open("wb") as file:
        file.truncate(MAX_BYTES + 1)
    cases = ((Path("/dev/zero"), "no file"), (pipe, "no file"), (large, "4000001 bytes"))
    for path, words in cases:
        with pytest.raises(ConfigurationError) as caught:
            load(path)
        (mistake,) = caught.value.mistakes
        assert mistake.file == path
        assert words in mistake.problem


@pytest.mark.parametrize("number", ["9" * 5000, "0x" + "f" * 5000, "[[0x" + "f" * 5000 + "]]"])
def test_a_number_that_cannot_be_written_down(number: str, tmp_path: Path) -> None:
    """Python refuses to turn more than 4300 digits into text (docs, int max str digits)."""
    site = GOOD.write(tmp_path)
    site.write_text(GOOD_SITE.replace("poll_s = 1.0", f"poll_s = {number}"))
    (mistake,) = mistakes_of(site)
    assert mistake.problem == "a number has thousands of digits"


@pytest.mark.parametrize(
    "folder", ["", ".", "..", "../..", "x/..", "/", "keys", "keys/own", "/var/lib", "/var/lib/ef"]
)
def test_a_history_where_journal_and_keys_are(folder: str, tmp_path: Path) -> None:
    """Who may read the history must not read them; a folder beside or below is right."""
    site = GOOD.write(tmp_path)
    text = GOOD_SITE.replace('"state"', '"/var/lib/ef"')
    site.write_text(text.replace('"history"', f'"{folder}"'))
    (mistake,) = mistakes_of(site)
    assert mistake.key == "history.folder"
    for right in ("history", "../history", "/srv/history", "/var/lib/ef/history"):
        site.write_text(text.replace('"history"', f'"{right}"'))
        load_site(site)

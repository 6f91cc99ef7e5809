"""The documentation is true: generated pages are current, what it names exists, what it shows runs.

A snippet is run when the line before its fence says `<!-- runnable -->`. All run in one folder like
the one that the demonstration leaves: site file, journal, history.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

import duckdb
import pytest
import typer

from edgeflash.alarms.catalogue import ALARMS
from edgeflash.alarms.page import alarms_page
from edgeflash.cli.app import app
from edgeflash.config.load import load_map, load_site
from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import write_demo_site
from edgeflash.errors import ConfigurationError
from edgeflash.history import HistoryWriter
from edgeflash.history.schema import COLUMNS, FINDINGS, TableName
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.outlets.modbus_page import modbus_page
from edgeflash.outlets.mqtt_page import mqtt_page
from edgeflash.outlets.mqtt_schema import schema_text
from edgeflash.outlets.page import points_page
from edgeflash.outlets.sparkplug_page import sparkplug_page
from edgeflash.points import CATALOGUE
from edgeflash.rules.catalogue import RULES
from edgeflash.rules.page import markdown_table, rules_page
from edgeflash.rules.site_checks import rule_problems
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import FaultKind, fault
from tests.simulated_line import SimulatedLine, bench_analyzer

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
DEVELOPERS = ROOT / "DEVELOPERS.md"
PAGES = (README, DEVELOPERS, ROOT / "CHANGELOG.md", *sorted((ROOT / "docs").glob("*.md")))
WRITTEN = (README, DEVELOPERS)

GENERATED: dict[str, tuple[Callable[[], str], str]] = {
    "docs/alarms.md": (alarms_page, "python -m edgeflash.alarms.page > docs/alarms.md"),
    "docs/rules.md": (rules_page, "python -m edgeflash.rules.page > docs/rules.md"),
    "docs/modbus.md": (modbus_page, "python -m edgeflash.outlets.modbus_page > docs/modbus.md"),
    "docs/sparkplug.md": (
        sparkplug_page,
        "python -m edgeflash.outlets.sparkplug_page > docs/sparkplug.md",
    ),
    "docs/mqtt.schema.json": (
        schema_text,
        "python -m edgeflash.outlets.mqtt_schema > docs/mqtt.schema.json",
    ),
    "docs/mqtt.md": (mqtt_page, "python -m edgeflash.outlets.mqtt_page > docs/mqtt.md"),
    "docs/points.md": (points_page, "python -m edgeflash.outlets.page > docs/points.md"),
}


@dataclass(frozen=True, slots=True)
class Snippet:
    """One fenced block. mark: what the comment before it says after "runnable", None without."""

    page: str
    line: int
    language: str
    text: str
    mark: str | None

    def __str__(self) -> str:
        return f"{self.page}:{self.line}"


_FENCE = re.compile(
    r"^(?:<!-- runnable(?P<mark>[^\n]*?) -->\n)?```(?P<language>\w*)\n(?P<text>.*?)^```$",
    re.DOTALL | re.MULTILINE,
)


def snippets(page: Path) -> list[Snippet]:
    """Every fenced block of a page."""
    whole = page.read_text("utf-8")
    return [
        Snippet(
            page.name,
            whole.count("\n", 0, found.start()) + 1,
            found["language"],
            found["text"],
            None if found["mark"] is None else found["mark"].strip(": "),
        )
        for found in _FENCE.finditer(whole)
    ]


def prose(page: Path) -> str:
    """The page without its fenced blocks."""
    return _FENCE.sub("", page.read_text("utf-8"))


ALL_SNIPPETS = [s for page in PAGES for s in snippets(page)]
# The tutorial's blocks build on each other: tests/unit/test_analyst_page.py runs them.
RUNNABLE = [s for s in ALL_SNIPPETS if s.mark is not None and s.page != "analyst.md"]


# Generated pages


@pytest.mark.parametrize("name", GENERATED)
def test_generated_page_is_current(name: str) -> None:
    """A committed page is what the catalogue says now."""
    made, refresh = GENERATED[name]
    committed = (ROOT / name).read_text("utf-8")
    assert committed == made(), f"{name} is out of date; refresh it: {refresh}"


@pytest.mark.parametrize("name", GENERATED)
def test_the_command_that_refreshes_a_page_writes_it(name: str) -> None:
    """The command each page names prints exactly that page."""
    made, refresh = GENERATED[name]
    module = shlex.split(refresh)[2]
    done = subprocess.run(
        [sys.executable, "-m", module], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout == made()
    assert refresh.split(" > ")[0] in made()


def test_every_rule_and_point_is_on_its_page() -> None:
    """Nothing of a catalogue is left out, and each rule's link leads to its heading."""
    rules, points = rules_page(), points_page()
    for rule in RULES:
        assert f"### {rule.code} {rule.name}\n\n{rule.sentence}" in rules
        assert f"(#{rule.code}-{rule.name})" in rules
    for point in CATALOGUE:
        assert f"| {point.register} | {point.registers} | `{point.name}` |" in points


def test_every_alarm_is_on_its_page() -> None:
    """With its meaning, and what a person does about it."""
    page = alarms_page()
    for alarm in ALARMS:
        assert f"### {alarm.name}\n\n{alarm.meaning}" in page
        assert alarm.response in page


def test_every_parameter_has_a_unit_and_an_origin() -> None:
    """No number without its unit is shown."""
    for rule in RULES:
        for parameter in rule.parameters:
            assert parameter.unit, f"{rule.name}.{parameter.name} has no unit"
            assert parameter.origin, f"{rule.name}.{parameter.name} does not say where it is from"


def columns_table(table: TableName) -> str:
    """The columns of a table of the history, as docs/history.md shows them."""

    def type_text(kind: Any) -> str:
        text = "list<struct>" if kind == FINDINGS else str(kind)
        return text.replace("element: ", "").replace("double", "float64")

    return markdown_table(
        ("Column", "Type", "Unit", "Meaning"),
        ((f"`{c.name}`", type_text(c.type), c.unit, c.description) for c in COLUMNS[table]),
    )


@pytest.mark.parametrize("table", TableName)
def test_history_page_lists_the_columns(table: TableName) -> None:
    """docs/history.md has every column with type, unit and meaning."""
    page = (ROOT / "docs" / "history.md").read_text("utf-8")
    wanted = columns_table(table)
    assert wanted in page, f"docs/history.md must have this table of {table}:\n{wanted}"


def test_readme_names_real_columns_with_their_units() -> None:
    """The README's short table of columns agrees with the schema."""
    units = {c.name: c.unit for c in COLUMNS[TableName.RESULTS]}
    section = README.read_text("utf-8").split("| column | unit |")[1].split("\n\n")[0]
    lines = [line for line in section.splitlines() if line.startswith("| `")]
    assert len(lines) >= 5
    for line in lines:
        names, unit = (cell.strip() for cell in line.strip("|").split("|")[:2])
        for name in re.findall(r"`(\w+)`", names):
            assert name in units, f"results has no column {name}"
            assert unit == units[name] or unit.startswith("UTC"), f"{name}: unit is {units[name]!r}"


# What the pages name exists


def anchors(page: Path) -> set[str]:
    """The names that Markdown readers give to a page's headings."""
    headings = re.findall(r"^#+ (.+)$", _FENCE.sub("", page.read_text("utf-8")), re.MULTILINE)
    kept = (re.sub(r"[^\w\- ]", "", heading.lower()) for heading in headings)
    return {heading.replace(" ", "-") for heading in kept}


def links() -> Iterator[tuple[Path, str]]:
    """Every link of every page."""
    for page in PAGES:
        for target in re.findall(r"\]\(([^)\s]+)\)", prose(page)):
            yield page, target


def test_every_link_resolves() -> None:
    """A link leads to a file of the project and to a heading that is there."""
    checked = 0
    for page, target in links():
        if target.startswith("https://"):
            continue
        name, _, anchor = target.partition("#")
        file = page if not name else (page.parent / name).resolve()
        assert file.is_file(), f"{page.name}: {target} leads nowhere"
        if anchor:
            assert anchor in anchors(file), f"{page.name}: {target}: no such heading"
        checked += 1
    assert checked > len(RULES)


_PATH = re.compile(
    r"(?<![\w/.~-])(?:edgeflash|simulators|deploy|tests|docs)/[\w./-]*|"
    r"(?<![\w/.-])(?:[A-Z]+\.md|pyproject\.toml|constraints\.txt)"
)


@pytest.mark.parametrize("page", WRITTEN, ids=lambda page: page.name)
def test_every_path_exists(page: Path) -> None:
    """Every file and folder that a page names is in the project."""
    found = {path.rstrip(".") for path in _PATH.findall(page.read_text("utf-8"))}
    missing = sorted(path for path in found if not (ROOT / path).exists())
    assert not missing
    assert len(found) > 5


def commands(page: Path) -> Iterator[str]:
    """Every `edgeflash …` command line in blocks and in the text."""
    blocks = chain.from_iterable(s.text.splitlines() for s in snippets(page))
    inline = re.findall(r"`([^`\n]+)`", prose(page).replace("\n", " "))
    for line in chain(blocks, inline):
        found = re.search(r"(?:^|/bin/|^python -m )(edgeflash(?: .*)?)$", line.strip())
        if found and " = " not in line:
            yield found[1].split("  #")[0]


def unknown_words(line: str) -> list[str]:
    """The command words and options of a line that edgeflash does not have."""
    command: Any = typer.main.get_command(app)
    words = shlex.split(line)[1:]
    while words and hasattr(command, "commands"):
        if words[0].startswith("-"):
            break
        word = words.pop(0)
        if word not in command.commands:
            return [word]
        command = command.commands[word]
    options = {name for p in command.params for name in (*p.opts, *p.secondary_opts)}
    return [w for w in words if w.startswith("--") and w not in options | {"--help"}]


@pytest.mark.parametrize("page", WRITTEN, ids=lambda page: page.name)
def test_every_command_exists(page: Path) -> None:
    """Commands and options that a page shows are those of the command line."""
    lines = [line for line in commands(page) if line != "edgeflash"]
    assert {line: unknown for line in lines if (unknown := unknown_words(line))} == {}
    assert lines


def test_an_unknown_command_would_be_seen() -> None:
    """The check above can fail."""
    assert unknown_words("edgeflash history erase") == ["erase"]
    assert unknown_words("edgeflash run site.toml --fast") == ["--fast"]


def test_deploy_demo_hands_its_options_on() -> None:
    """What the README gives to deploy/demo.sh are options of `edgeflash demo`."""
    shown = re.findall(r"`deploy/demo\.sh ([^`]+)`", README.read_text("utf-8"))
    assert shown
    for options in shown:
        assert unknown_words(f"edgeflash demo {options}") == []


# What the pages show runs


def test_every_toml_block_is_valid(tmp_path: Path) -> None:
    """The register map and the site file load without a mistake, with the rule changes added."""
    blocks = {s.mark: s.text for s in snippets(README) if s.language == "toml" and s.mark}
    tuning = [s.text for s in snippets(README) if s.language == "toml" and s.mark is None]
    register_map = tmp_path / "small-cup.toml"
    register_map.write_text(blocks["small-cup.toml"], "utf-8")
    load_map(register_map)
    site = tmp_path / "site.toml"
    try:
        site.write_text("\n".join((blocks["site file"], *tuning)), "utf-8")
        loaded = load_site(site, (rule_problems,))
    except ConfigurationError as error:
        pytest.fail(str(error))
    assert loaded.file.analyzers[0].rules.keys() >= {"recomputed_disagrees", "air_flow"}


IDS = ("kestrel-1", "kestrel-2")


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as the demonstration leaves it, with real judged cycles.

    The last cycle of each analyzer is in the journal only.
    """
    folder = tmp_path_factory.mktemp("state")
    write_demo_site(
        folder, [Endpoint(name, f"127.0.0.{n}", 1502) for n, name in enumerate(IDS, 1)], speed=20.0
    )
    with Journal.open(folder / JOURNAL_NAME) as journal:
        judged = []
        for seed, name in enumerate(IDS):
            simulated = SimulatedAnalyzer(
                name, seed=seed, faults=[fault(FaultKind.REPORTED_BIAS, 3)]
            )
            line = SimulatedLine(simulated, bench_analyzer(id=name))
            judged.append([result for result, _ in line.results(6)])
        for result in chain.from_iterable(own[:-1] for own in judged):
            journal.append(result).result()
        HistoryWriter(journal, folder / "history").flush()
        for own in judged:
            journal.append(own[-1]).result()
    return folder


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """An environment in which `edgeflash` and `python3` are this checkout and this Python."""
    folder = tmp_path_factory.mktemp("bin")
    for name, arguments in (("edgeflash", " -m edgeflash"), ("python3", "")):
        program = folder / name
        program.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)}{arguments} "$@"\n')
        program.chmod(0o755)
    path = os.pathsep.join((str(folder), os.environ.get("PATH", os.defpath)))
    return {**os.environ, "PATH": path, "PYTHONPATH": str(ROOT)}


def run_snippet(snippet: Snippet, folder: Path, environment: dict[str, str]) -> str:
    """What a snippet prints, or the rows it gives; fails the test when it does not run."""
    if snippet.language == "sql":
        with duckdb.connect() as connection:
            connection.execute(f"SET file_search_path = '{folder}'")
            rows = connection.execute(snippet.text).fetchall()
        return "\n".join(map(str, rows))
    words = {
        "python": [sys.executable, "-W", "error", "-c", snippet.text],
        "sh": ["sh", "-eu", "-c", snippet.text],
    }[snippet.language]
    done = subprocess.run(
        words, cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{snippet}: {done.stderr}"
    return done.stdout


@pytest.mark.parametrize("snippet", [s for s in RUNNABLE if s.language != "toml"], ids=str)
def test_snippet_runs(snippet: Snippet, state: Path, environment: dict[str, str]) -> None:
    """A snippet that is shown as runnable runs and gives something."""
    printed = run_snippet(snippet, state, environment)
    made = [state / name for name in re.findall(r"[\w-]+\.(?:csv|parquet|sqlite3)", snippet.text)]
    assert printed.strip() or any(path.is_file() for path in made), f"{snippet} gives nothing"


def test_the_snippets_are_there() -> None:
    """The README shows each way to read the history, and all of them run."""
    languages = [s.language for s in RUNNABLE]
    assert languages.count("sql") >= 2
    assert languages.count("python") >= 3
    assert languages.count("sh") >= 2
    assert all(s.mark is not None for s in ALL_SNIPPETS if s.language in ("sql", "python"))


def test_our_own_reader_adds_what_is_only_in_the_journal(
    state: Path, environment: dict[str, str]
) -> None:
    """The snippet with read_results sees one row more than the files hold."""
    (snippet,) = (s for s in RUNNABLE if "read_results" in s.text)
    count, unit = run_snippet(snippet, state, environment).split()
    assert (int(count), unit) == (6, "°C")
    with duckdb.connect() as connection:
        pattern = f"{state}/history/results/an=kestrel-1/**/*.parquet"
        in_files = connection.execute(f"SELECT count(*) FROM '{pattern}'").fetchall()
    assert in_files == [(5,)]


def test_the_backup_is_a_whole_journal(state: Path, environment: dict[str, str]) -> None:
    """The backup that the README shows opens as a journal with every entry."""
    (snippet,) = (s for s in RUNNABLE if "backup" in s.text)
    run_snippet(snippet, state, environment)
    made = max(state.glob(f"backups/*/{JOURNAL_NAME}"))  # named by time
    with (
        Journal.open_readonly(state / JOURNAL_NAME) as live,
        Journal.open_readonly(made) as copy,
    ):
        assert copy.count() == live.count() == 6 * len(IDS)
        assert copy.last_accepted("kestrel-1") == live.last_accepted("kestrel-1")

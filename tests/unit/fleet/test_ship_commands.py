"""`edgeflash ship` and `edgeflash collect` on a folder, and what a gateway finds owed."""

from __future__ import annotations

import json
import shutil
from datetime import date
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.config.load import load_site
from edgeflash.errors import UsageError
from edgeflash.fleet.owners import PrefixOwnedError
from edgeflash.fleet.site_ship import LostStoreError, owed
from edgeflash.history.schema import TableName
from tests.unit.fleet.sites import MadeSite, keys, shared
from tests.unit.journal.samples import sample_result

SITE = """
[site]
name = "Windmill Quay"
state_dir = "."

[opcua]
{ship}
[[analyzers]]
id = "fp-1"
number = 1
map = "examples:bench-cup.toml"
host = "fp-1.depot.example"
analyzer_corrects_barometer = true
"""

CYCLES = range(0, 390, 30)


class Depot(MadeSite):
    """A made site with its site file."""

    def __init__(self, folder: Path, store: Path, more: str = "") -> None:
        super().__init__(folder, "Windmill Quay")
        self.file = folder / "site.toml"
        self.file.write_text(SITE.format(ship=f"[ship]\nurl = '{store}'\n{more}"), "utf-8")
        self.add(sample_result(n, "fp-1") for n in CYCLES)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    folder = tmp_path / "store"
    folder.mkdir()
    return folder


@pytest.fixture
def depot(tmp_path: Path, store: Path) -> Depot:
    return Depot(tmp_path / "depot", store)


def run(*words: str | Path) -> Result:
    """`edgeflash WORDS`, in this process."""
    return CliRunner().invoke(app, [str(word) for word in words])


def test_ship_and_collect(depot: Depot, store: Path, tmp_path: Path) -> None:
    """What was shipped is in the shared tables; again, nothing is."""
    shipped = run("ship", depot.file)
    assert shipped.exit_code == 0, shipped.output
    assert "4 parts with 26 rows shipped" in " ".join(shipped.stdout.split())
    root = tmp_path / "tables"
    taken = run("collect", store, root)
    assert taken.exit_code == 0, taken.output
    told = " ".join(taken.stdout.split())
    assert "results: 1 sites, 2 parts taken, 13 rows added" in told
    assert keys(shared(root)) == [("Windmill Quay", "fp-1", 0, n) for n in CYCLES]
    again = run("ship", depot.file, "--json", "--gently")
    assert json.loads(again.stdout)["parts"] == 0
    tidied = run("collect", store, root, "--json", "--tidy", "--table", "results")
    assert json.loads(tidied.stdout)["results"]["parts"] == 0


def test_a_refused_part_ends_with_1(depot: Depot, store: Path, tmp_path: Path) -> None:
    """And is named; `ship --check` sends it anew, and then all is well."""
    run("ship", depot.file)
    path = next(iter(store.rglob("results/data/**/000000001-*")))
    path.write_bytes(b"PAR1 spoiled")
    refused = run("collect", store, tmp_path / "tables", "--table", "results")
    assert refused.exit_code == 1
    assert path.name in refused.stderr
    assert "1 parts refused" in " ".join(refused.stdout.split())
    mended = run("ship", depot.file, "--check")
    assert mended.exit_code == 0, mended.output
    assert path.name in mended.stderr
    assert run("collect", store, tmp_path / "tables", "--table", "results").exit_code == 0
    assert len(keys(shared(tmp_path / "tables"))) == len(CYCLES)


def test_parts_in_the_store_alone_are_checked_too(depot: Depot, store: Path) -> None:
    """Whose rows retention has deleted here: damaged, they are named at least."""
    run("ship", depot.file)
    for file in depot.history.glob("traces/**/*.parquet"):
        file.unlink()
    path = next(iter(store.rglob("traces/data/**/000000001-*")))
    path.write_bytes(b"")
    found = run("ship", depot.file, "--check", "--json")
    assert json.loads(found.stdout)["parts"] == 0
    assert path.name in json.loads(found.stdout)["damaged"][0]


def test_what_is_owed(depot: Depot) -> None:
    """To people, to machines, and to what deletes old files."""
    assert json.loads(run("ship", depot.file, "--owed", "--json").stdout) == {
        "results": "2026-04-01",
        "traces": "2026-04-30",
        "events": None,
        "lab": None,
    }
    site = load_site(depot.file)
    assert owed(site)[TableName.RESULTS] == date(2026, 4, 1)
    run("ship", depot.file)
    assert set(owed(site).values()) == {None}
    assert "results: nothing is owed" in run("ship", depot.file, "--owed").stdout


def test_tables_that_are_not_shipped_are_not_owed(tmp_path: Path, store: Path) -> None:
    """tables = ["results"]."""
    depot = Depot(tmp_path / "depot", store, 'tables = ["results"]')
    assert owed(load_site(depot.file))[TableName.TRACES] is None
    run("ship", depot.file)
    assert not list(store.rglob("traces"))


def test_another_gateway_of_that_name_is_stopped(depot: Depot, store: Path, tmp_path: Path) -> None:
    """A machine from a backup, until it is told to take over: then no row comes twice."""
    run("ship", depot.file)
    shutil.copytree(depot.state, tmp_path / "other")
    for path in (*(tmp_path / "other").glob("ship.*"), tmp_path / "other" / "gateway-id"):
        path.unlink()
    other = MadeSite(tmp_path / "other", depot.name)
    file = other.state / "site.toml"
    assert isinstance(run("ship", file).exception, PrefixOwnedError)
    taken = run("ship", file, "--take-over", "--json")
    assert json.loads(taken.stdout)["parts"] == 0
    assert isinstance(run("ship", depot.file).exception, PrefixOwnedError)


def test_a_store_that_is_not_mounted_is_not_filled_again(depot: Depot, store: Path) -> None:
    """Its mount point is an empty folder: what went there would hide below the mount, and retention
    would delete what no store has."""
    run("ship", depot.file)
    store.rename(store.with_name("unmounted"))
    store.mkdir()
    depot.add([sample_result(500, "fp-1")])
    assert isinstance(run("ship", depot.file).exception, LostStoreError)
    assert not list(store.iterdir())
    assert owed(load_site(depot.file))[TableName.RESULTS] == date(2026, 5, 1)
    store.rmdir()
    store.with_name("unmounted").rename(store)
    assert json.loads(run("ship", depot.file, "--json").stdout)["rows"] == 2


def test_a_store_that_was_emptied_is_filled_again(
    depot: Depot, store: Path, tmp_path: Path
) -> None:
    """On --check; under serials that no collector has seen, for it takes none twice."""
    run("ship", depot.file)
    run("collect", store, tmp_path / "tables")
    shutil.rmtree(store / "site=Windmill%20Quay")
    depot.add([sample_result(500, "fp-1")])
    assert isinstance(run("ship", depot.file).exception, LostStoreError)
    run("ship", depot.file, "--check")
    run("collect", store, tmp_path / "tables")
    numbers = [key[3] for key in keys(shared(tmp_path / "tables"))]
    assert numbers == [*CYCLES, 500]


def test_a_site_that_ships_nowhere(tmp_path: Path) -> None:
    """Said; and nothing is owed."""
    depot = Depot(tmp_path / "depot", tmp_path / "store")
    depot.file.write_text(SITE.format(ship=""), "utf-8")
    found = run("ship", depot.file)
    assert isinstance(found.exception, UsageError)
    assert set(owed(load_site(depot.file)).values()) == {None}


def test_a_place_where_nothing_was_shipped(tmp_path: Path) -> None:
    """A mistyped one must not look like one without news."""
    found = run("collect", tmp_path / "shiped", tmp_path / "tables")
    assert found.exit_code == 1
    assert "nobody has shipped" in found.stderr


def test_an_unknown_table(tmp_path: Path) -> None:
    """There is none of that name."""
    found = run("collect", tmp_path, tmp_path, "--table", "wages").exception
    assert isinstance(found, UsageError)

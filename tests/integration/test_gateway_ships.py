"""A running gateway ships what is sealed by itself, and ends as quickly as ever."""

from __future__ import annotations

import asyncio
from pathlib import Path

from edgeflash.fleet.site_ship import owed
from edgeflash.gateway.gateway import Gateway
from edgeflash.gateway.site import checked_site
from edgeflash.history.schema import TableName
from tests.unit.fleet.sites import MadeSite, collected, folder_store, keys, shared
from tests.unit.journal.samples import sample_result
from tests.waiting import until

SITE = """
[site]
name = "Windmill Quay"
state_dir = "."

[ship]
url = "{store}"
every_s = 10

[[modbus]]
port = 0

[[analyzers]]
id = "fp-1"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
port = 9
basis = "reported"
analyzer_corrects_barometer = true
"""

CYCLES = range(0, 390, 30)


async def test_a_running_gateway_ships(tmp_path: Path) -> None:
    """Cycles of days past, while its analyzer cannot be reached."""
    made = MadeSite(tmp_path / "depot", "Windmill Quay")
    made.add(sample_result(n, "fp-1") for n in CYCLES)
    store = folder_store(tmp_path / "store")
    path = made.state / "site.toml"
    path.write_text(SITE.format(store=tmp_path / "store"), "utf-8")
    site = checked_site(path)
    assert owed(site)[TableName.RESULTS] is not None
    stop, ready = asyncio.Event(), asyncio.Event()
    work = asyncio.create_task(Gateway(site).run(stop, ready.set))
    try:
        await until(lambda: ready.is_set() or work.done(), 60.0)
        manifests = tmp_path / "store"
        await until(lambda: len(list(manifests.rglob("manifests/*/*.json"))) == 4, 60.0)
        await until(lambda: owed(site)[TableName.TRACES] is None, 60.0)
    finally:
        stop.set()
        await work
    assert owed(site)[TableName.RESULTS] is None
    collected(store, tmp_path / "tables")
    assert keys(shared(tmp_path / "tables")) == [("Windmill Quay", "fp-1", 0, n) for n in CYCLES]

"""The whole gateway on simulated analyzers: one value, the same at every outlet and on disk."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from hashlib import sha256
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
import structlog
from asyncua import Client, ua
from pymodbus.client import AsyncModbusTcpClient

from edgeflash.config.site import Site
from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import write_demo_site
from edgeflash.gateway.gateway import Gateway
from edgeflash.gateway.site import checked_site
from edgeflash.journal import Journal
from edgeflash.model import Result
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE
from simulators.fleet import Fleet
from simulators.scenarios import demo
from tests.waiting import until

SPEED = 40.0
REGISTER = {p.name: p.register for p in CATALOGUE}


@asynccontextmanager
async def plant(folder: Path) -> AsyncIterator[tuple[Fleet, Path]]:
    """Three simulated analyzers with faults, and a site file for them."""
    fleet = Fleet(demo(), seed=7, speed=SPEED)
    announced = await fleet.start()
    endpoints = tuple(
        Endpoint(a["id"], a["host"], a["port"])
        for a in announced["analyzers"]  # type: ignore[attr-defined]  # a list of dicts
    )
    stop = asyncio.Event()
    models = asyncio.create_task(fleet.run(stop))
    try:
        yield fleet, write_demo_site(folder, endpoints, SPEED)
    finally:
        stop.set()
        await models
        await fleet.close()


@asynccontextmanager
async def running(site: Site, results: list[Result]) -> AsyncIterator[Gateway]:
    """The gateway, ready."""
    stop, ready = asyncio.Event(), asyncio.Event()
    gateway = Gateway(site, on_result=results.append)
    work = asyncio.create_task(gateway.run(stop, ready.set))
    try:
        await until(lambda: ready.is_set() or work.done(), 30.0)
        yield gateway
    finally:
        stop.set()
        await work


@pytest.mark.slow
async def test_one_value_everywhere(tmp_path: Path) -> None:
    """OPC UA, Modbus, journal and Parquet show the same number for the same cycle."""
    results: list[Result] = []
    async with plant(tmp_path) as (_, path):
        site = checked_site(path)
        opcua, modbus = site.file.opcua, site.file.modbus[0]
        assert opcua is not None
        async with running(site, results):
            await until(lambda: len({r.cycle.analyzer for r in results}) == 3, 30.0)
            async with Client(f"opc.tcp://{opcua.host}:{opcua.port}") as client:
                index = await client.get_namespace_index("urn:edgeflash:points")
                node = client.get_node(ua.NodeId("kestrel-1.flash_point_c", index))
                value = await node.read_data_value(raise_on_bad_status=False)
                while value.Value.Value is None:  # a busy machine can be past the hold time
                    count = len(results)
                    await until(lambda count=count: len(results) > count, 60.0)
                    value = await node.read_data_value(raise_on_bad_status=False)
                told = {
                    name: await client.get_node(ua.NodeId(f"Edgeflash.{name}", index)).read_value()
                    for name in ("Configuration.SiteFileDigest", "Diagnostics.JournalFault")
                }
                master = AsyncModbusTcpClient(modbus.host, port=modbus.port)
                assert await master.connect()
                block = await master.read_input_registers(0, count=70)
                master.close()
        shown = block.registers[REGISTER["flash_point_c"] : REGISTER["flash_point_c"] + 2]
        digest = sha256(path.read_bytes()).hexdigest()
        assert tuple(told.values()) == (digest, "")
        number = master.convert_from_registers(shown, master.DATATYPE.FLOAT32)
        assert value.Value is not None
        assert number == np.float32(value.Value.Value)
        assert BLOCK_REGISTERS == 200
        own = [r for r in results if r.cycle.analyzer == "kestrel-1"]
        assert any(np.float32(r.published_c) == number for r in own if r.published_c is not None)
    table = pq.read_table(tmp_path / "history" / "results", partitioning=None)
    stored = {
        (row["analyzer"], row["epoch"], row["cycle_number"]): row["published_c"]
        for row in table.to_pylist()
    }
    assert stored == {r.key: r.published_c for r in results}
    with_journal = Journal.open(tmp_path / "journal.sqlite3")
    assert with_journal.count() == len(results)
    with_journal.close()


@pytest.mark.slow
async def test_an_outlet_that_cannot_start_stops_nobody(tmp_path: Path) -> None:
    """The OPC UA port is taken: said once, Modbus serves, cycles are judged and recorded."""
    results: list[Result] = []
    async with plant(tmp_path) as (_, path):
        site = checked_site(path)
        assert site.file.opcua is not None
        with socket.socket() as taken, structlog.testing.capture_logs() as lines:
            taken.bind((site.file.opcua.host, site.file.opcua.port))
            taken.listen()
            async with running(site, results):
                await until(lambda: len(results) >= 3, 30.0)
                modbus = site.file.modbus[0]
                master = AsyncModbusTcpClient(modbus.host, port=modbus.port)
                assert await master.connect()
                assert not (await master.read_holding_registers(0, count=10)).isError()
                master.close()
    failures = [line for line in lines if line.get("outlet") == "opcua"]
    assert [line["log_level"] for line in failures] == ["error"]
    assert "in use" in str(failures[0]["why"])

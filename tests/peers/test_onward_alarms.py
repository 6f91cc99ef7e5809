"""A gateway whose broker and whose store are away says so wherever a control system looks.

Peers: mosquitto; pymodbus and asyncua as clients of the running gateway.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from asyncua import Client, ua
from pymodbus.client import AsyncModbusTcpClient

from edgeflash.gateway.ship_record import Kept, as_text
from edgeflash.gateway.ship_runner import STATE_KEY
from edgeflash.journal import JOURNAL_NAME, Journal
from tests.faults.processes import start_gateway
from tests.peers.broker import WAIT_S, Broker, broker, subscriber
from tests.ports import free_port
from tests.unit.fleet.sites import MadeSite
from tests.unit.journal.samples import sample_result
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")

SITE = """
[site]
name = "Windmill Quay"
state_dir = "."

[ship]
url = "{store}"
every_s = 10

[opcua]
port = {opcua}
allow_open_endpoint = true

[[modbus]]
port = {modbus}

[[mqtt]]
id = "panel"
host = "127.0.0.1"
port = {broker}
tls = false
start_from = "journal"
alarm_after_s = 10
backoff_max_s = 1

[[analyzers]]
id = "fp-1"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
port = 9
basis = "reported"
analyzer_corrects_barometer = true
"""
ALARM_AWAY, ALARM_BEHIND, WAITING, DAYS = 123, 125, 148, 152
"""Registers, as docs/points.md has them."""

ACTIVE, NORMAL = 1, 0


def alarms(site: Path) -> dict[str, dict[str, Any]]:
    """What a person at the gateway's machine is told."""
    command = [sys.executable, "-m", "edgeflash", "alarms", "list", str(site), "--json"]
    told = subprocess.run(command, capture_output=True, text=True, check=True, timeout=WAIT_S)
    return {row["alarm"]: row for row in json.loads(told.stdout)}


async def registers(client: AsyncModbusTcpClient) -> list[int]:
    """The analyzer's block, as a control system reads it."""
    first = await client.read_input_registers(100, count=100, device_id=1)
    assert not first.isError(), first
    return [0] * 100 + list(first.registers)


async def shown(client: AsyncModbusTcpClient, check: Callable[[list[int]], bool]) -> list[int]:
    """The block as soon as it is so."""
    async with asyncio.timeout(WAIT_S):
        while True:
            if check(block := await registers(client)):
                return block
            await asyncio.sleep(0.1)


@asynccontextmanager
async def reading(port: int) -> AsyncIterator[AsyncModbusTcpClient]:
    """A Modbus client of the gateway."""
    client = AsyncModbusTcpClient("127.0.0.1", port=port)
    await client.connect()
    try:
        yield client
    finally:
        client.close()


async def condition(port: int, name: str) -> tuple[bool, str]:
    """Whether an alarm condition is active over OPC UA, and its message."""
    async with Client(f"opc.tcp://127.0.0.1:{port}/edgeflash", timeout=30) as client:
        index = await client.get_namespace_index("urn:edgeflash:points")
        node = client.get_node(ua.NodeId(f"fp-1.condition.{name}", index))
        state = await node.get_child(["0:ActiveState", "0:Id"])
        message = await node.get_child("0:Message")
        return bool(await state.read_value()), (await message.read_value()).Text


def uint32(block: list[int], at: int) -> int:
    """An unsigned integer of two registers, the high word first."""
    return (block[at] << 16) + block[at + 1]


async def test_a_broker_and_a_store_that_are_away(tmp_path: Path) -> None:
    """Raised in every outlet with outlet, broker and reason; over when they are there again."""
    made = MadeSite(tmp_path, "Windmill Quay")
    made.add(sample_result(n, "fp-1") for n in range(1, 6))
    store = tmp_path / "share"
    with Journal.open(tmp_path / JOURNAL_NAME) as journal:
        complete_at = datetime.now(UTC) - timedelta(days=3)
        kept = Kept(str(store), complete_at, (complete_at - timedelta(days=1)).date())
        journal.put_state(STATE_KEY, as_text(kept))
    site, ports = tmp_path / "site.toml", {"opcua": free_port(), "modbus": free_port()}
    with broker(tmp_path / "broker") as server:
        await server.start()
        await server.terminate()
        site.write_text(SITE.format(store=store, broker=server.port, **ports), "utf-8")
        with start_gateway(site) as gateway:
            await asyncio.to_thread(gateway.wait_for, "gateway ready", 3 * WAIT_S)
            async with reading(ports["modbus"]) as client:
                block = await shown(client, lambda b: b[ALARM_AWAY] == b[ALARM_BEHIND] == ACTIVE)
                assert uint32(block, WAITING) >= 5
                assert uint32(block, DAYS) >= 3
                told = await asyncio.to_thread(alarms, site)
                assert f"panel (mqtt://127.0.0.1:{server.port})" in told["mqtt_away"]["why"]
                assert "cannot be reached" in told["mqtt_away"]["why"]
                assert f"there is no folder {store}" in told["shipping_behind"]["why"]
                is_active, message = await condition(ports["opcua"], "mqtt_away")
                assert is_active
                assert told["mqtt_away"]["why"] in message
                await delivered(server, tmp_path)
                store.mkdir()
                await shown(client, lambda b: b[ALARM_AWAY] == b[ALARM_BEHIND] == NORMAL)
                await shown(client, lambda b: uint32(b, WAITING) == uint32(b, DAYS) == 0)
            assert gateway.terminate(timeout_s=WAIT_S) == 0


async def delivered(server: Broker, folder: Path) -> None:
    """The broker is there again, and has the results."""
    await server.start()
    with subscriber(server.port, folder / "heard") as listener:
        await until(lambda: len(listener.documents("results")) >= 5, WAIT_S)

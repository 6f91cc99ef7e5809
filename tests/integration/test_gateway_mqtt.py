"""Brokers that are not there: the gateway gets ready, records and ends as if it had none."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from asyncua import Client, ua

from edgeflash.gateway.gateway import Gateway
from edgeflash.gateway.site import checked_site
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import Result
from edgeflash.outlets.mqtt_figures import MqttFigures
from tests.integration.test_gateway import plant, running
from tests.ports import free_port
from tests.waiting import until

ENTRIES = """
[[mqtt]]
id = "silent"
host = "127.0.0.1"
port = {silent}
tls = false

[[mqtt]]
id = "gone"
host = "127.0.0.1"
port = {gone}
tls = false

[[mqtt]]
id = "nameless"
host = "broker.invalid"
"""


@pytest.mark.slow
async def test_dead_brokers_hold_up_nothing(tmp_path: Path) -> None:
    """One that takes the connection and is silent, one that refuses it, one without an address."""
    held: list[asyncio.StreamWriter] = []

    async def hold(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        held.append(writer)

    server = await asyncio.start_server(hold, "127.0.0.1", 0)
    results: list[Result] = []
    try:
        async with plant(tmp_path) as (_, path):
            entries = ENTRIES.format(silent=server.sockets[0].getsockname()[1], gone=free_port())
            text = path.read_text("utf-8").replace(
                "\n[[analyzers]]", f"{entries}\n[[analyzers]]", 1
            )
            path.write_text(text, "utf-8")
            site = checked_site(path)
            async with running(site, results) as gateway:
                await until(lambda: len(results) >= 6, 60.0)
                await until(lambda: all(f.fault for f in figures(gateway)), 60.0)
                assert [f.connected_since for f in figures(gateway)] == [None] * 3
                assert held, "nobody tried the silent one"
                await until(lambda: all(f.waiting >= 6 for f in figures(gateway)), 60.0)
                assert await shown_over_opcua(gateway) != ""
    finally:
        server.close()
        for writer in held:
            writer.transport.abort()
    with Journal.open(tmp_path / JOURNAL_NAME) as journal:
        assert journal.count() == len(results)
        assert [journal.pending(f"mqtt:{n}") for n in ("silent", "gone", "nameless")] == [
            len(results)
        ] * 3


def figures(gateway: Gateway) -> list[MqttFigures]:
    """How the brokers fare, as the outlets are told."""
    return list(gateway._facts().mqtt)


async def shown_over_opcua(gateway: Gateway) -> str:
    """The fault as the control system reads it."""
    opcua = gateway._site.file.opcua
    assert opcua is not None
    async with Client(f"opc.tcp://{opcua.host}:{opcua.port}") as client:
        index = await client.get_namespace_index("urn:edgeflash:points")
        node = client.get_node(ua.NodeId("Edgeflash.Diagnostics.MqttFault", index))
        return str(await node.read_value())

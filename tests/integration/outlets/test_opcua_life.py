"""Start, stop and start again of the OPC UA outlet, and what stays the same over it."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from time import monotonic
from typing import Any

import pytest
from asyncua import Client, ua

from edgeflash.config.site import Analyzer
from edgeflash.outlets import OpcUaOutlet, OutletError
from edgeflash.outlets.opcua_names import NAMESPACE_URI
from tests.integration.outlets.test_opcua import Seen
from tests.unit.outlets.builders import accepted_view, analyzer, opcua
from tests.waiting import until

FIRST, SECOND = analyzer("fp-101", 2), analyzer("fp-205", 1)


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs lost connections; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


async def _tree(analyzers: tuple[Analyzer, ...]) -> dict[str, str]:
    """NodeId of every node below Objects/Edgeflash by its browse path, as a client sees it."""
    outlet = OpcUaOutlet(opcua(), analyzers, "Invented Bend")
    await outlet.start()
    found: dict[str, str] = {}
    try:
        async with Client(outlet.endpoint, timeout=5) as client:
            index = await client.get_namespace_index(NAMESPACE_URI)
            waiting = [("", await client.nodes.objects.get_child(f"{index}:Edgeflash"))]
            while waiting:
                path, node = waiting.pop()
                name = (await node.read_browse_name()).Name
                found[f"{path}/{name}"] = node.nodeid.to_string()
                waiting += [(f"{path}/{name}", child) for child in await node.get_children()]
    finally:
        await outlet.stop()
    return found


async def test_node_ids_survive_a_restart_and_a_new_analyzer() -> None:
    """Another start gives the same tree; one more analyzer, put first, only adds to it."""
    once = await _tree((FIRST,))
    more = await _tree((SECOND, FIRST))
    assert once["/Edgeflash/fp-101/FlashPoint"] == "ns=2;s=fp-101.flash_point_c"
    assert (
        once["/Edgeflash/fp-101/FlashPoint/EngineeringUnits"]
        == "ns=2;s=fp-101.flash_point_c.EngineeringUnits"
    )
    assert once.items() <= more.items()
    added = set(more) - set(once)
    assert added
    assert all(path.startswith("/Edgeflash/fp-205") for path in added)


async def test_stop_tells_subscribers_and_frees_everything() -> None:
    """Subscribers get BadOutOfService (808D0000); then neither a task nor the port is left."""
    outlet = OpcUaOutlet(opcua(), (FIRST,), "Invented Bend")
    await outlet.start()
    await outlet.publish([accepted_view()])
    port = int(outlet.endpoint.split(":")[2].split("/")[0])
    seen = Seen()
    client = Client(outlet.endpoint, timeout=2)
    await client.connect()
    # The first message comes when the first publishing interval is over.
    subscription = await client.create_subscription(2000, seen)
    await subscription.subscribe_data_change(client.get_node("ns=2;s=fp-101.flash_point_c"))
    await until(lambda: seen.has(62.5, 0), timeout_s=30.0)
    start_s = monotonic()
    await outlet.stop()
    assert monotonic() - start_s < 3.0
    await until(lambda: seen.has(None, 0x808D0000))
    with contextlib.suppress(ConnectionError, ua.UaError, TimeoutError):
        await client.disconnect()  # the server is gone, as it should be

    def left() -> list[Any]:
        return [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]

    await until(lambda: not left())
    free = await asyncio.start_server(lambda r, w: w.close(), "127.0.0.1", port)
    free.close()
    await free.wait_closed()


async def test_a_fault_while_it_takes_leave_does_not_keep_the_port(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Else no later start would ever be served."""
    outlet = OpcUaOutlet(opcua(), (FIRST,), "Invented Bend")
    await outlet.start()
    await outlet.publish([accepted_view()])
    port = int(outlet.endpoint.split(":")[2].split("/")[0])

    async def fails(*arguments: object) -> None:
        raise RuntimeError("a fault of the library")

    assert outlet._server is not None
    monkeypatch.setattr(outlet._server, "write_attribute_value", fails)
    await outlet.stop()
    again = OpcUaOutlet(opcua(port=port), (FIRST,), "Invented Bend")
    await again.start()
    await again.stop()


async def test_it_starts_again_with_nothing_to_show() -> None:
    """After stop and start the values are unknown until published, then there."""
    outlet = OpcUaOutlet(opcua(), (FIRST,), "Invented Bend")
    with pytest.raises(OutletError, match="before its start"):
        await outlet.publish([accepted_view()])
    for _ in range(2):
        await outlet.start()
        async with Client(outlet.endpoint, timeout=5) as client:
            node = client.get_node("ns=2;s=fp-101.flash_point_c")
            unknown = await node.read_data_value(raise_on_bad_status=False)
            assert unknown.StatusCode.value == 0x80320000
            await outlet.publish([accepted_view()])
            assert await node.read_value() == 62.5
        await outlet.stop()
    await outlet.stop()


async def test_a_port_in_use_is_said_and_costs_little() -> None:
    """The error names the port, and comes before the costly address space is built."""
    server = await asyncio.start_server(lambda r, w: w.close(), "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    outlet = OpcUaOutlet(opcua(port=port), (FIRST,), "Invented Bend")
    start_s = monotonic()
    with pytest.raises(OutletError, match=rf"port {port}.*another program"):
        await outlet.start()
    assert monotonic() - start_s < 1.0
    await outlet.stop()
    server.close()
    await server.wait_closed()


async def test_a_wildcard_host_names_this_machine() -> None:
    """Discovery never tells a client to connect to 0.0.0.0; the client's own address is kept."""
    outlet = OpcUaOutlet(opcua(host="0.0.0.0", allow_open_endpoint=True), (FIRST,), "Invented Bend")
    await outlet.start()
    try:
        url = outlet.endpoint.replace("0.0.0.0", "127.0.0.1")
        async with Client(url, timeout=5) as client:
            (endpoint,) = await client.get_endpoints()
            assert endpoint.EndpointUrl == url
            assert endpoint.Server.ApplicationType is ua.ApplicationType.Server
            assert [t.TokenType for t in endpoint.UserIdentityTokens] == [
                ua.UserTokenType.Anonymous
            ]
        told = outlet._server.iserver.endpoints[0].EndpointUrl if outlet._server else ""
        assert "0.0.0.0" not in told
    finally:
        await outlet.stop()

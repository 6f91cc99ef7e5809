"""One client address cannot use up what the OPC UA server has for all.

The client binds to other addresses of loopback (127.0.0.0/8, RFC 1122, 3.2.1.3).
"""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.ua.uaerrors import UaError

from edgeflash.outlets.opcua import OpcUaOutlet
from edgeflash.outlets.opcua_session import GuardedSession
from tests.integration.outlets.secured import flash_point, status_of
from tests.unit.outlets.builders import accepted_view, analyzer, opcua
from tests.waiting import until

pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def outlet() -> AsyncIterator[OpcUaOutlet]:
    """Eight sessions, six subscriptions, 100 items; half of each for one address."""
    one = OpcUaOutlet(
        opcua(max_sessions=8, max_subscriptions=6, max_monitored_items=100),
        (analyzer(),),
        "Invented Bend",
    )
    await one.start()
    await one.publish([accepted_view(value_c=62.5)])
    yield one
    await one.stop()


class From(Client):
    """A client at another address of this machine."""

    def __init__(self, url: str, address: str) -> None:
        super().__init__(url, timeout=30)
        self.address = address

    async def connect_socket(self) -> None:
        """As the parent's, from this address."""
        loop = asyncio.get_running_loop()
        made = loop.create_connection

        async def bound(*arguments: Any, **named: Any) -> Any:
            return await made(*arguments, local_addr=(self.address, 0), **named)

        loop.create_connection = bound  # type: ignore[method-assign]
        try:
            await super().connect_socket()
        finally:
            del loop.create_connection


class Ignored:
    """A subscription handler that is not interested."""

    def datachange_notification(self, node: Any, value: Any, data: Any) -> None:
        """Nothing."""


def inner(outlet: OpcUaOutlet) -> Any:
    """The library's server."""
    assert outlet._server is not None
    return outlet._server


async def nobody_left(outlet: OpcUaOutlet) -> None:
    """Everything the clients had is free again."""
    server = inner(outlet)
    await until(
        lambda: (
            not server.bserver.clients
            and not server.iserver._external_sessions
            and not server.iserver.subscription_service.subscriptions
        ),
        timeout_s=30.0,
    )


async def test_sessions_and_connections(outlet: OpcUaOutlet) -> None:
    """Four from one address; the fifth is refused, another address gets in; later it is free."""
    first = [From(outlet.endpoint, "127.0.0.1") for _ in range(4)]
    for client in first:
        await client.connect()
    with pytest.raises((UaError, ConnectionError, TimeoutError)):
        await From(outlet.endpoint, "127.0.0.1").connect()
    async with From(outlet.endpoint, "127.0.0.2") as other:
        assert await flash_point(other) == 62.5
    for client in first:
        await client.disconnect()
    await nobody_left(outlet)


async def test_parked_sockets(outlet: OpcUaOutlet) -> None:
    """Fifty that say nothing keep nobody out, and those beyond the share are closed at once."""
    port = inner(outlet).bserver.port
    parked = []
    for _ in range(50):
        one = socket.create_connection(("127.0.0.1", port))
        one.setblocking(False)
        parked.append(one)
    await until(lambda: len(inner(outlet).bserver.clients) == 4, timeout_s=30.0)
    async with From(outlet.endpoint, "127.0.0.2") as other:
        assert await flash_point(other) == 62.5
    for one in parked:
        one.close()
    await nobody_left(outlet)


async def test_subscriptions(outlet: OpcUaOutlet) -> None:
    """Three from one address, over however many sessions; another address gets its own."""
    async with (
        From(outlet.endpoint, "127.0.0.1") as one,
        From(outlet.endpoint, "127.0.0.1") as two,
        From(outlet.endpoint, "127.0.0.2") as other,
    ):
        for client in (one, two, one):
            await client.create_subscription(1000, Ignored())
        with pytest.raises(UaError) as refusal:
            await two.create_subscription(1000, Ignored())
        assert status_of(refusal.value) == "BadTooManySubscriptions"
        await other.create_subscription(1000, Ignored())
    await nobody_left(outlet)


async def test_what_lost_connections_left_behind(outlet: OpcUaOutlet) -> None:
    """A client whose network comes and goes is never kept out by its own old sessions."""
    sessions = inner(outlet).iserver._external_sessions
    for _ in range(12):
        client = From(outlet.endpoint, "127.0.0.1")
        await client.connect()
        subscription = await client.create_subscription(1000, Ignored())
        await subscription.subscribe_data_change([client.nodes.server_state] * 20)
        assert client.uaclient.protocol is not None
        client.uaclient.protocol.transport.abort()
        await until(lambda: not inner(outlet).bserver.clients, timeout_s=30.0)
        await client.disconnect()
    assert 1 <= len(sessions) <= 4
    for session in list(sessions.values()):
        await session.close_session()
    await nobody_left(outlet)


async def test_sessions_that_are_made_at_once_keep_to_the_limit(
    outlet: OpcUaOutlet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two come while a third waits for the end of what a lost connection left behind."""
    iserver = inner(outlet).iserver
    sessions, go, ending = iserver._external_sessions, asyncio.Event(), asyncio.Event()
    left: dict[str, list[From]] = {}
    for address, count in (("127.0.0.1", 4), ("127.0.0.2", 3)):
        left[address] = [From(outlet.endpoint, address) for _ in range(count)]
        for client in left[address]:
            await client.connect()
        lost = left[address][0]
        await lost.create_subscription(1000, Ignored())  # else its session ended with it
        assert lost.uaclient.protocol is not None
        lost.uaclient.protocol.transport.abort()
    await until(lambda: len(inner(outlet).bserver.clients) == 5, timeout_s=30.0)
    end = GuardedSession.delete_subscriptions

    async def end_slowly(self: GuardedSession, ids: Any) -> Any:
        ending.set()
        await go.wait()
        return await end(self, ids)

    monkeypatch.setattr(GuardedSession, "delete_subscriptions", end_slowly)
    late = [From(outlet.endpoint, f"127.0.0.{n}") for n in (1, 3, 4)]
    for client in late:
        await client.connect_socket()
        await client.send_hello()
        await client.open_secure_channel()
    coming = [asyncio.create_task(late[0].create_session())]
    async with asyncio.timeout(30):
        await ending.wait()
    coming += [asyncio.create_task(client.create_session()) for client in late[1:]]
    waiting = iserver.security.creating
    await until(lambda: len(sessions) == 8 or len(waiting._waiters or ()) == 2, timeout_s=30.0)
    go.set()
    await asyncio.gather(*coming)  # the third ends what another address has left behind
    assert len(sessions) == 8
    monkeypatch.undo()
    for client in (*left["127.0.0.1"], *left["127.0.0.2"], *late):
        await client.disconnect()
    for session in list(sessions.values()):
        await session.close_session()
    await nobody_left(outlet)


async def test_monitored_items(outlet: OpcUaOutlet) -> None:
    """Fifty for one address: the others of one request are refused one by one."""
    async with (
        From(outlet.endpoint, "127.0.0.1") as one,
        From(outlet.endpoint, "127.0.0.2") as other,
    ):
        for client in (one, other):
            subscription = await client.create_subscription(1000, Ignored())
            results = await subscription.subscribe_data_change(
                [client.nodes.server_state] * 70, sampling_interval=1000
            )
            assert isinstance(results, list)
            refused = [r for r in results if isinstance(r, ua.StatusCode)]
            assert len(results) - len(refused) == 50
            assert {r.name for r in refused} == {"BadTooManyMonitoredItems"}
    await nobody_left(outlet)


async def test_event_items_and_places(outlet: OpcUaOutlet) -> None:
    """Of 50 items one may be of events; what is changed or deleted gives its places back."""
    service = inner(outlet).iserver.subscription_service
    async with From(outlet.endpoint, "127.0.0.1") as client:
        subscription = await client.create_subscription(60_000, Ignored())
        server = client.get_node(ua.ObjectIds.Server)
        heard = await subscription.subscribe_events(server)
        with pytest.raises(UaError) as refusal:
            await subscription.subscribe_events(server)
        assert status_of(refusal.value) == "BadTooManyMonitoredItems"
        node = client.get_node("ns=2;s=fp-101.flash_point_c")
        watched = await subscription.subscribe_data_change([node] * 3, queuesize=20)
        (items,) = (s.monitored_item_srv for s in service.subscriptions.values())

        def places() -> int:
            return sum(item.queue_size for item in items._monitored_items.values())

        assert items.places == places() > 3
        await subscription.modify_monitored_item(watched[0], 60_000, new_queuesize=5)
        assert items.places == places()
        await subscription.unsubscribe([heard, *watched])
        assert items.places == places() == 0
        assert await subscription.subscribe_events(server)
    await nobody_left(outlet)

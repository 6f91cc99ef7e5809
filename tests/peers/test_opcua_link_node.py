"""The OPC UA link reads an independent server, and comes back from whatever happens to it.

Peer: node-opcua (serve_nodes.js), a stack of its own in another language. What is read is held
against what the server was told to show; recoveries against OPC 10000-4 (sessions end, 5.7;
subscriptions end, 5.14; namespace indices hold for one session only, OPC 10000-3, 8.2.2).
"""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from edgeflash.links import opcua_connection
from edgeflash.model import Phase, Role
from edgeflash.publication import LinkState
from tests.opcua_reading import PATIENCE_S, Proxy, reading
from tests.peers.cup_server import MAP, counted, serving, subscriptions_are, tell, url_of
from tests.ports import free_port
from tests.waiting import until

pytestmark = pytest.mark.peer("node", "node-opcua")

START = datetime(2026, 3, 1, tzinfo=UTC)
SAMPLES = 300


async def test_a_cycle_is_read_as_the_server_shows_it(tmp_path: Path) -> None:
    """Live values, result, trace and ring, by node, by path and by path from a node.

    The time of the result is the source time stamp of the flash point, as the map says.
    """
    port = free_port()
    async with serving(port, tmp_path / "pki") as server:
        await tell(server, "finish 7")
        await tell(server, "live 3 51.5")
        async with reading(url_of(port), MAP, tmp_path / "state") as seen:
            body = await seen.cycle_comes(7)
            first = seen.scans[0]
            assert first.live[Role.PHASE] is Phase.HEAT
            assert first.live[Role.SAMPLE_TEMPERATURE] == 51.5
            assert body.values[Role.FLASH_POINT] == 60 + 7 / 8
            assert body.values[Role.RESULT_TIME] == START + timedelta(minutes=7)
            assert not body.torn and not body.statuses
            assert body.trace is not None and len(body.trace) == SAMPLES
            assert np.array_equal(body.trace.temperature_c, 7 + np.arange(SAMPLES) / 8)
            assert [r.cycle_number for r in first.recent] == [4, 5, 6, 7]
            assert first.recent[0].result_time == START + timedelta(minutes=4)
            await tell(server, "live 4 62.5")
            await until(lambda: seen.scans[-1].live[Role.PHASE] is Phase.FLASHED, PATIENCE_S)
            await until(lambda: seen.scans[-1].live[Role.SAMPLE_TEMPERATURE] == 62.5, PATIENCE_S)
            assert await counted(server) == (1, 1)
            for number in (8, 9, 10):
                await tell(server, f"finish {number}")
                await seen.cycle_comes(number)
            assert seen.numbers == [7, 8, 9, 10]
            assert [state for state, _ in seen.states] == [LinkState.CONNECTING, LinkState.UP]
        assert await counted(server) == (0, 0)
        # Nothing of the library is left at work either.
        await until(lambda: asyncio.all_tasks() == {asyncio.current_task()}, PATIENCE_S)


async def test_what_the_server_calls_uncertain_is_kept_and_told(tmp_path: Path) -> None:
    """Uncertain: the value and its status. Bad: no value, and its status."""
    port = free_port()
    async with (
        serving(port, tmp_path / "pki") as server,
        reading(url_of(port), MAP, tmp_path / "state") as seen,
    ):
        await seen.cycle_comes(1)
        await tell(server, "status UncertainSensorNotAccurate")
        await tell(server, "finish 2")
        body = await seen.cycle_comes(2)
        assert body.values[Role.FLASH_POINT] == 60 + 2 / 8
        assert body.statuses[Role.FLASH_POINT] == "UncertainSensorNotAccurate"
        await tell(server, "status BadSensorFailure")
        await tell(server, "finish 3")
        await until(
            lambda: seen.scans[-1].statuses.get(Role.FLASH_POINT) == "BadSensorFailure", PATIENCE_S
        )
        assert seen.scans[-1].live[Role.FLASH_POINT] is None


async def test_a_server_with_small_limits(tmp_path: Path) -> None:
    """Five nodes in one request, one path, two monitored items, arrays of at most 100."""
    port = free_port()
    async with (
        serving(port, tmp_path / "pki", "small") as server,
        reading(url_of(port), MAP, tmp_path / "state") as seen,
    ):
        await tell(server, "finish 2")
        body = await seen.cycle_comes(2)
        assert body.trace is not None
        assert np.array_equal(body.trace.pressure_kpa, 2 + np.arange(SAMPLES) / 16)
        assert await counted(server) == (1, 1)
        server.say("refused")
        assert await server.hear("refused ") == ""


async def test_the_server_restarts(tmp_path: Path) -> None:
    """The link is down, comes back, and delivers what follows, once."""
    port = free_port()
    url = url_of(port)
    async with reading(url, MAP, tmp_path / "state") as seen:
        async with serving(port, tmp_path / "pki") as server:
            await tell(server, "finish 2")
            await seen.cycle_comes(2)
        await seen.state_is(LinkState.DOWN)
        async with serving(port, tmp_path / "pki") as server:
            await tell(server, "finish 3")
            await seen.cycle_comes(3)
            await subscriptions_are(server, 1, seen)
            await tell(server, "live 4 44.5")
            await until(lambda: seen.scans[-1].live[Role.PHASE] is Phase.FLASHED, PATIENCE_S)


async def test_the_namespaces_move_at_a_restart(tmp_path: Path) -> None:
    """The index of our namespace is another; its URI is found again."""
    port = free_port()
    async with reading(url_of(port), MAP, tmp_path / "state") as seen:
        async with serving(port, tmp_path / "pki") as server:
            await tell(server, "finish 2")
            await seen.cycle_comes(2)
        async with serving(port, tmp_path / "pki", "other-first") as server:
            await tell(server, "finish 3")
            await seen.cycle_comes(3)
        assert all(state is not LinkState.MISCONFIGURED for state, _ in seen.states)


async def test_the_session_is_dropped(tmp_path: Path) -> None:
    """The server ends our session and keeps the connection: a new one is opened."""
    port = free_port()
    async with (
        serving(port, tmp_path / "pki") as server,
        reading(url_of(port), MAP, tmp_path / "state") as seen,
    ):
        await seen.cycle_comes(1)
        for number in (2, 3):
            await tell(server, "drop-sessions")
            await tell(server, f"finish {number}")
            await seen.cycle_comes(number)
        await subscriptions_are(server, 1, seen)
        assert (await counted(server))[0] == 1


async def test_the_subscription_is_lost(tmp_path: Path) -> None:
    """The server deletes it: values are right all the same, and it is made anew."""
    port = free_port()
    async with (
        serving(port, tmp_path / "pki") as server,
        reading(url_of(port), MAP, tmp_path / "state") as seen,
    ):
        await seen.cycle_comes(1)
        await subscriptions_are(server, 1, seen)
        await tell(server, "drop-subscriptions")
        await tell(server, "finish 2")
        await tell(server, "live 4 47.5")
        await seen.cycle_comes(2)
        await subscriptions_are(server, 1, seen)
        await until(lambda: seen.scans[-1].live[Role.PHASE] is Phase.FLASHED, PATIENCE_S)
        await tell(server, "live 3 48.5")
        await until(lambda: seen.scans[-1].live[Role.PHASE] is Phase.HEAT, PATIENCE_S)


@pytest.mark.parametrize(("compare_s", "change"), [(600.0, "finish 2"), (0.5, "count")])
async def test_a_subscription_that_stops_in_silence_is_found_out(
    compare_s: float, change: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Keep-alives go on, changes are no longer told: results come all the same, then it mends.

    Found by a number, which is read with every poll; without one, by reading all now and then.
    """
    monkeypatch.setattr(opcua_connection, "COMPARE_EVERY_S", compare_s)
    port = free_port()
    async with (
        serving(port, tmp_path / "pki") as server,
        reading(url_of(port), MAP, tmp_path / "state") as seen,
    ):
        await seen.cycle_comes(1)
        await subscriptions_are(server, 1, seen)
        await tell(server, "hush")
        await tell(server, "live 4 47.5")
        await tell(server, change)
        if change == "finish 2":
            await seen.cycle_comes(2)
        await until(
            lambda: [s.live[Role.PHASE] for s in seen.scans[-8:]] == [Phase.FLASHED] * 8,
            PATIENCE_S,
        )
        await tell(server, "live 3 48.5")
        await until(
            lambda: [s.live[Role.PHASE] for s in seen.scans[-8:]] == [Phase.HEAT] * 8, PATIENCE_S
        )


async def test_a_half_open_connection(tmp_path: Path) -> None:
    """No byte comes through and nobody is told: the link gives up, and comes back.

    What was kept on the way arrives late and belongs to a connection that is gone.
    """
    port = free_port()
    async with serving(port, tmp_path / "pki") as server:
        proxy = Proxy(port)
        through = await proxy.start()
        try:
            async with reading(url_of(through), MAP, tmp_path / "state") as seen:
                await seen.cycle_comes(1)
                proxy.hold()
                await tell(server, "finish 2")
                why = await seen.state_is(LinkState.DOWN)
                assert "no answer in time" in why
                count = len(seen.scans)
                proxy.release()
                await seen.cycle_comes(2)
                assert len(seen.scans) > count and seen.state is LinkState.UP
                assert seen.numbers == [1, 2]
                assert proxy.connections >= 2
        finally:
            await proxy.stop()

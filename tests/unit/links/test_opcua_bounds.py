"""What an analyzer's OPC UA server may cost the gateway, however it behaves."""

from __future__ import annotations

import asyncio
import itertools
from pathlib import Path
from typing import Any

import pytest
from asyncua import ua

from edgeflash.config import load_map
from edgeflash.config.load import EXAMPLE_MAPS
from edgeflash.config.node_map import NodeMap
from edgeflash.config.opcua_source import OpcUaSource
from edgeflash.links import LinkKeys, opcua_browse, opcua_link
from edgeflash.links.opcua_browse import variables_below
from edgeflash.links.opcua_client import LEAST_CHANNEL_S, RENEW_AT, OpcUaClient
from edgeflash.links.opcua_link import LEAST_GAP_S, OpcUaLink
from edgeflash.service import SYSTEM_CLOCK
from tests.simulated_line import bench_analyzer

URL = "opc.tcp://127.0.0.1:9"
OPEN = {"url": URL, "security_policy": "none", "security_mode": "none"}


class Endless:
    """A session with a server that has objects below every object. ever_more: and gives the
    references of one in pages without end."""

    def __init__(self, ever_more: bool) -> None:
        self.ever_more = ever_more
        self.number = itertools.count(1000)
        self.asked = 0

    def _references(self, count: int) -> list[ua.ReferenceDescription]:
        return [
            ua.ReferenceDescription(
                NodeId=ua.ExpandedNodeId(next(self.number), 2),
                BrowseName=ua.QualifiedName("made up", 2),
                NodeClass=ua.NodeClass.Object,
            )
            for _ in range(count)
        ]

    async def browse(self, asked: ua.BrowseParameters) -> list[ua.BrowseResult]:
        """Ten more of each."""
        self.asked += len(asked.NodesToBrowse)
        point = b"more" if self.ever_more else None
        return [
            ua.BrowseResult(References=self._references(10), ContinuationPoint=point)
            for _ in asked.NodesToBrowse
        ]

    async def browse_next(self, asked: ua.BrowseNextParameters) -> list[ua.BrowseResult]:
        """A hundred more, and more behind them."""
        return [ua.BrowseResult(References=self._references(100), ContinuationPoint=b"more")]


@pytest.mark.parametrize("ever_more", [False, True])
async def test_browsing_ends_on_a_server_without_end(
    ever_more: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It makes up nodes as it is asked for them."""
    monkeypatch.setattr(opcua_browse, "MOST_NODES", 500)

    class Client:
        peer, session = URL, Endless(ever_more)

    client: Any = Client()
    assert await variables_below(client, ua.NodeId(85), 100) == []
    assert client.session.asked <= 500


async def test_a_channel_of_no_life_is_not_renewed_without_a_pause(tmp_path: Path) -> None:
    """Each renewal costs both sides key operations; the server says how long a channel lives."""
    source = OpcUaSource.model_validate(OPEN)
    keys = LinkKeys(tmp_path, tmp_path, "windmill quay")
    client = OpcUaClient(source, keys, 1.0, 1.0, SYSTEM_CLOCK)
    client._client.secure_channel_timeout = 0
    before_s = SYSTEM_CLOCK.mono_s()
    client._note_channel()
    assert client.renew_at_mono_s >= before_s + RENEW_AT * LEAST_CHANNEL_S


async def test_a_number_that_moves_without_end_leaves_the_loop_to_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each of its notifications asks for a poll at once."""
    node_map = load_map(EXAMPLE_MAPS / "bench-cup-opcua.toml")
    assert isinstance(node_map, NodeMap)
    analyzer = bench_analyzer(host=None, opcua=OPEN)
    keys = LinkKeys(tmp_path, tmp_path, "windmill quay")
    link = OpcUaLink(analyzer, node_map, None, SYSTEM_CLOCK, keys)
    slept: list[float] = []
    sleep = asyncio.sleep

    async def noted(delay_s: float) -> None:
        slept.append(delay_s)
        await sleep(0)

    monkeypatch.setattr(opcua_link.asyncio, "sleep", noted)

    class Connection:
        is_lost, renew_at_mono_s = False, float("inf")

    connection: Any = Connection()
    for _ in range(3):
        link._woken.set()
        await link._wait_until(SYSTEM_CLOCK.mono_s() + 60.0, connection)
    assert slept == [LEAST_GAP_S] * 3

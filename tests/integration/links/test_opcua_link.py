"""The OPC UA link on the simulated analyzer's OPC UA face, and on servers that are none."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from asyncua import ua

from edgeflash.config import load_map
from edgeflash.config.load import EXAMPLE_MAPS
from edgeflash.gateway.worker import AnalyzerWorker, Watchers
from edgeflash.journal import Journal
from edgeflash.links import LinkKeys, Surroundings, opcua_client, stamp_habit
from edgeflash.links.opcua_client import MOST_MESSAGE_BYTES, OpcUaClient
from edgeflash.model import Result, Role, Verdict
from edgeflash.publication import LinkState
from edgeflash.rules.judgement import Judgement
from edgeflash.service import SYSTEM_CLOCK
from simulators.faults import FaultPlan
from simulators.fleet import Fleet
from simulators.scenarios import AnalyzerPlan
from tests.opcua_reading import OPEN, PATIENCE_S, Proxy, reading
from tests.simulated_line import GAS_OIL, bench_analyzer
from tests.waiting import until

SPEED = 60.0
NODES = EXAMPLE_MAPS / "bench-cup-opcua.toml"
NOT_ACCURATE = 0x40930000  # OPC 10000-6, annex A: UncertainSensorNotAccurate


@asynccontextmanager
async def fleet_at_work() -> AsyncIterator[Fleet]:
    """One simulated analyzer, over Modbus TCP and OPC UA."""
    fleet = Fleet([AnalyzerPlan("kestrel-1", 62.0, FaultPlan(()))], seed=1, speed=SPEED, opcua=True)
    await fleet.start()
    stop = asyncio.Event()
    models = asyncio.create_task(fleet.run(stop))
    try:
        yield fleet
    finally:
        stop.set()
        await models
        await fleet.close()


@asynccontextmanager
async def working(folder: Path, map_name: str, **link: object) -> AsyncIterator[list[Result]]:
    """A worker of the gateway on one way of linking; its results."""
    await asyncio.to_thread(folder.mkdir)
    analyzer_map = load_map(EXAMPLE_MAPS / map_name)
    analyzer = bench_analyzer(
        poll_s=0.1, rules={"cycle_too_short": {"parameters": {"shortest_s": 0.5}}}, **link
    )
    journal, results = Journal.open(folder / "journal.sqlite3"), list[Result]()
    worker = AnalyzerWorker(
        Judgement(analyzer, analyzer_map, {"gas-oil": GAS_OIL}),
        analyzer_map,
        journal,
        SYSTEM_CLOCK,
        Watchers(lambda: None, results.append),
        surroundings=Surroundings(LinkKeys(folder, folder, "windmill quay")),
    )
    work = asyncio.create_task(worker.run())
    try:
        yield results
    finally:
        work.cancel()
        await asyncio.wait([work])
        journal.close()


@pytest.mark.slow
async def test_two_workers_make_the_same_of_one_device(tmp_path: Path) -> None:
    """One reads registers, the other nodes: value, verdict and trace of each cycle are equal."""
    async with fleet_at_work() as fleet:
        source = {"url": fleet.faces[0].url, **OPEN}
        async with (
            working(tmp_path / "a", "bench-cup.toml", port=fleet.servers[0].port) as modbus,
            working(tmp_path / "b", "bench-cup-opcua.toml", host=None, opcua=source) as opcua,
        ):
            await until(lambda: min(len(modbus), len(opcua)) >= 4, PATIENCE_S)
    by_number = {result.cycle.cycle_number: result for result in modbus}
    # The barometer is the mean of what each saw by itself, so what it corrects differs a little.
    own = {"corrected_c": None, "correction_c": None, "barometer_kpa": None}
    for result in opcua[1:4]:
        twin = by_number[result.cycle.cycle_number]
        assert replace(result.computed, **own) == replace(twin.computed, **own)
        assert result.cycle.trace == twin.cycle.trace
        assert result.verdict is twin.verdict is Verdict.ACCEPTED


@pytest.mark.slow
async def test_an_uncertain_value_makes_the_cycle_doubtful(tmp_path: Path) -> None:
    """And the finding names the role and the status; the value is published as uncertain."""
    async with fleet_at_work() as fleet:
        fleet.faces[0].statuses["Result.FlashPoint"] = NOT_ACCURATE
        source = {"url": fleet.faces[0].url, **OPEN}
        async with working(
            tmp_path / "a", "bench-cup-opcua.toml", host=None, opcua=source
        ) as results:
            await until(lambda: len(results) >= 3, PATIENCE_S)
    result = results[-1]
    assert result.verdict is Verdict.DOUBTFUL and result.published_c is not None
    found = next(f for f in result.findings if f.rule == "value_uncertain")
    assert "flash point (UncertainSensorNotAccurate)" in found.sentence


@pytest.mark.slow
async def test_results_with_stamps_of_hours_ago_are_hours_old(tmp_path: Path) -> None:
    """Good by their status, found or seen to appear: never the value of now.

    The server's own clock, and all else that it shows, is of now; the map has no time of a result.
    """
    text, ago = NODES.read_text(), timedelta(hours=4)
    cut = text.index("[roles.result_time]")
    other = tmp_path / "map.toml"
    other.write_text(text[:cut] + text[text.index("[roles.", cut + 1) :])
    async with fleet_at_work() as fleet:
        face, source = fleet.faces[0], {"url": fleet.faces[0].url, **OPEN}
        face._stamp = lambda: SYSTEM_CLOCK.utc_now() - ago  # type: ignore[method-assign]
        async with working(tmp_path / "a", str(other), host=None, opcua=source) as results:
            await until(lambda: len(results) >= 3, PATIENCE_S)
    for result in results[1:3]:  # the first was there before the stamps were moved
        age = result.judged_at - result.cycle.finished_at
        assert timedelta(hours=3.9) < age < timedelta(hours=4.1)
        assert result.verdict is Verdict.DOUBTFUL
        assert "age_uncertain" in {finding.rule for finding in result.findings}


async def test_live_values_that_nobody_samples_any_more_are_uncertain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The server stamps the number at each reading; then no more, though it calls all good."""
    monkeypatch.setattr(stamp_habit, "STILL_S", 0.3)
    fleet = Fleet([AnalyzerPlan("kestrel-1", 62.0, FaultPlan(()))], seed=1, speed=1.0, opcua=True)
    await fleet.start()
    samples, is_sampling = [SYSTEM_CLOCK.utc_now()], True
    flow = Role.SAMPLE_FLOW

    def number(*_: object) -> ua.DataValue:
        if is_sampling:
            samples.append(SYSTEM_CLOCK.utc_now())
        stamp: Any = samples[-1]
        return ua.DataValue(ua.Variant(7, ua.VariantType.UInt16), SourceTimestamp=stamp)

    try:
        face = fleet.faces[0]
        server: Any = face._server
        server.set_attribute_value_callback(face._ids["Result", "Number"], number)
        async with reading(face.url, NODES, tmp_path) as seen:
            await until(lambda: len(seen.scans) > 2 * stamp_habit.HABIT_READINGS, PATIENCE_S)
            assert not any(flow in scan.statuses for scan in seen.scans)
            is_sampling = False
            await until(lambda: flow in seen.scans[-1].statuses, PATIENCE_S)
            assert seen.scans[-1].live[flow] is not None
            assert seen.scans[-1].statuses[flow] == "UncertainLastUsableValue"
            is_sampling = True
            await until(lambda: flow not in seen.scans[-1].statuses, PATIENCE_S)
    finally:
        await fleet.close()


async def test_the_server_comes_back_with_moved_namespaces(tmp_path: Path) -> None:
    """Nodes are found anew by the URI of their namespace."""
    async with (
        fleet_at_work() as fleet,
        reading(fleet.faces[0].url, NODES, tmp_path) as seen,
    ):
        await seen.state_is(LinkState.UP)
        await fleet.faces[0].stop()
        await seen.state_is(LinkState.DOWN)
        await fleet.faces[0].start(moved=True)
        await seen.state_is(LinkState.UP)
        assert (await seen.next_scan()).live[Role.SAMPLE_FLOW] is not None


async def test_a_node_that_is_not_there_is_named(tmp_path: Path) -> None:
    """With its role and its name in the map; the link goes on asking."""
    wrong = tmp_path / "map.toml"
    wrong.write_text(NODES.read_text().replace("Cup.Result.SparkCount", "Cup.Result.SparkCont"))
    async with (
        fleet_at_work() as fleet,
        reading(fleet.faces[0].url, wrong, tmp_path) as seen,
    ):
        why = await seen.state_is(LinkState.MISCONFIGURED)
        assert "role spark_count (nsu=cup;s=Cup.Result.SparkCont)" in why
        assert "BadNodeIdUnknown" in why


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('cup = "urn:example:bench-cup:instrument"', 'cup = "urn:example:gone"', "no namespace"),
        ('"nsu=cup;SampleFlow"', '"nsu=cup;SampelFlow"', "nothing at the path Cup/Live/SampelFlow"),
        ("s=Cup.Result.Time", "s=Cup.Result.Number", "role result_time"),
        ("s=Cup.Trace.Pressure", "s=Cup.Live.CellPressure", "role trace_pressure"),
    ],
)
async def test_a_map_that_does_not_fit_is_told(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    """Namespaces, paths, and values of a kind that the role cannot be."""
    wrong = tmp_path / "map.toml"
    text = NODES.read_text()
    assert old in text
    wrong.write_text(text.replace(old, new))
    async with (
        fleet_at_work() as fleet,
        reading(fleet.faces[0].url, wrong, tmp_path) as seen,
    ):
        assert says in await seen.state_is(LinkState.MISCONFIGURED)


async def test_the_channel_is_renewed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Again and again on one connection, and reading goes on over it."""
    monkeypatch.setattr(opcua_client, "CHANNEL_S", 1.0)
    noted: list[int] = []
    note = OpcUaClient._note_channel

    def count(client: OpcUaClient) -> None:
        noted.append(len(noted))
        note(client)

    monkeypatch.setattr(OpcUaClient, "_note_channel", count)
    async with fleet_at_work() as fleet:
        proxy = Proxy(int(fleet.faces[0].url.rpartition(":")[2]))
        port = await proxy.start()
        try:
            async with reading(f"opc.tcp://127.0.0.1:{port}", NODES, tmp_path) as seen:
                await until(lambda: len(noted) >= 5, PATIENCE_S)
                await seen.next_scan()
                assert proxy.connections == 1
                assert [state for state, _ in seen.states] == [LinkState.CONNECTING, LinkState.UP]
        finally:
            await proxy.stop()


Talk = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]
ACKNOWLEDGE = (
    b"ACKF"
    + (28).to_bytes(4, "little")
    + b"".join(number.to_bytes(4, "little") for number in (0, 65535, 65535, 0, 0))
)
"""A proper answer to a hello (OPC 10000-6, 7.1.2.4)."""
taken = {"bytes": 0}


async def _silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read()


async def _gone(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(8)


async def _web(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(8)
    writer.write(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n")
    await reader.read()


async def _error(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(8)
    why = b"no"
    body = (0x80800000).to_bytes(4, "little") + len(why).to_bytes(4, "little") + why
    writer.write(b"ERRF" + (8 + len(body)).to_bytes(4, "little") + body)
    await reader.read()


async def _nonsense(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(8)
    writer.write(ACKNOWLEDGE)
    writer.write(b"OPNF" + (64).to_bytes(4, "little") + bytes(range(56)))
    await reader.read()


async def _endless(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(8)
    writer.write(ACKNOWLEDGE)
    writer.write(b"MSGF" + (0x7FFFFFFF).to_bytes(4, "little"))
    taken["bytes"] = 0
    while True:
        writer.write(bytes(65536))
        await writer.drain()
        taken["bytes"] += 65536


@pytest.mark.parametrize("talk", [_silent, _gone, _web, _error, _nonsense, _endless])
async def test_a_server_that_is_none(talk: Talk, tmp_path: Path) -> None:
    """It is down, in words, and asked again; nothing of it is an exception, nor without end."""
    calls: list[int] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        calls.append(1)
        with suppress(ConnectionError):
            await talk(reader, writer)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with reading(f"opc.tcp://127.0.0.1:{port}", NODES, tmp_path) as seen:
        why = await seen.state_is(LinkState.DOWN)
        assert f"opc.tcp://127.0.0.1:{port}" in why
        await until(lambda: len(calls) >= 2, PATIENCE_S)
        assert seen.scans == []
    server.close()
    if talk is _endless:
        # What the sockets of this machine hold comes on top.
        assert taken["bytes"] < 2 * MOST_MESSAGE_BYTES

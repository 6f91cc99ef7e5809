"""Alarms through the whole gateway: raised, shown in every outlet, acknowledged, kept."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator, Callable, Iterator
from concurrent.futures import Future
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import structlog
from asyncua import Client, ua
from pymodbus.client import AsyncModbusTcpClient

from edgeflash.alarms.acknowledging import SOCKET_NAME
from edgeflash.alarms.asking import GatewayError, ask
from edgeflash.clock_state import ClockState, Synchronisation
from edgeflash.config.site import Site
from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import write_demo_site
from edgeflash.errors import StorageError
from edgeflash.gateway.alarm_desk import AlarmDesk
from edgeflash.gateway.gateway import Gateway
from edgeflash.gateway.site import checked_site
from edgeflash.gateway.site_watch import SiteWatch
from edgeflash.journal import Journal
from edgeflash.model import AlarmState
from edgeflash.points import CATALOGUE
from edgeflash.service import SYSTEM_CLOCK
from simulators.faults import Fault, FaultKind, FaultPlan, fault
from simulators.fleet import Fleet
from simulators.scenarios import AnalyzerPlan
from tests.faults.processes import simulators, start_gateway
from tests.ports import free_port
from tests.simulated_line import bench_analyzer
from tests.unit.alarms.test_conditions import facts
from tests.waiting import until

SPEED = 60.0
REGISTER = {p.name: p.register for p in CATALOGUE}
LOW = "possible_low_flash"


@pytest.fixture
def folder() -> Iterator[Path]:
    """A short path that other users can reach."""
    with tempfile.TemporaryDirectory() as made:
        path = Path(made)
        path.chmod(0o755)
        yield path


class Plant:
    """One simulated analyzer and a site file for it. It stands still but inside `moving`."""

    def __init__(self, fleet: Fleet, site_path: Path) -> None:
        self._fleet = fleet
        self.site_path = site_path

    @asynccontextmanager
    async def moving(self) -> AsyncIterator[None]:
        """Cycles are made for as long as the block runs."""
        stop = asyncio.Event()
        models = asyncio.create_task(self._fleet.run(stop))
        try:
            yield
        finally:
            stop.set()
            await models


@asynccontextmanager
async def plant(folder: Path, *faults: Fault) -> AsyncIterator[Plant]:
    """A plant whose analyzer answers, and has faults."""
    fleet = Fleet([AnalyzerPlan("kestrel-1", 62.0, FaultPlan(faults))], seed=7, speed=SPEED)
    await fleet.start()
    try:
        server = Endpoint("kestrel-1", "127.0.0.1", fleet.servers[0].port)
        yield Plant(fleet, write_demo_site(folder, [server], SPEED))
    finally:
        await fleet.close()


@asynccontextmanager
async def running(site: Site, gateway: Gateway) -> AsyncIterator[Gateway]:
    """The gateway, ready."""
    stop, ready = asyncio.Event(), asyncio.Event()
    work = asyncio.create_task(gateway.run(stop, ready.set))
    try:
        await until(lambda: ready.is_set() or work.done(), 30.0)
        yield gateway
    finally:
        stop.set()
        await work


@dataclass
class ControlSystem:
    """What the outlets show of kestrel-1's alarms, read the way a control system reads it."""

    opcua: Client
    modbus: AsyncModbusTcpClient
    index: int

    async def read(self, alarm: str) -> tuple[int | None, int]:
        """The code by OPC UA, None when its quality is bad, and the one by Modbus."""
        name = f"alarm_{alarm}"
        node = self.opcua.get_node(ua.NodeId(f"kestrel-1.{name}", self.index))
        value = await node.read_data_value(raise_on_bad_status=False)
        reply = await self.modbus.read_holding_registers(REGISTER[name], count=1)
        assert value.StatusCode is not None
        if not value.StatusCode.is_good():
            return None, reply.registers[0]
        assert value.Value is not None
        return value.Value.Value, reply.registers[0]

    async def shows(self, alarm: str, code: int, timeout_s: float = 30.0) -> None:
        """Waits until both show the code."""
        seen: list[object] = []

        async def look() -> None:
            while not seen or seen[-1] != (code, code):
                seen.append(await self.read(alarm))
                await asyncio.sleep(0.02)  # as fast as it can would be over the server's limit

        async with asyncio.timeout(timeout_s):
            await look()


@asynccontextmanager
async def control_system(site: Site) -> AsyncIterator[ControlSystem]:
    """Connected to both outlets."""
    opcua, modbus = site.file.opcua, site.file.modbus[0]
    assert opcua is not None
    async with Client(f"opc.tcp://{opcua.host}:{opcua.port}") as client:
        master = AsyncModbusTcpClient(modbus.host, port=modbus.port)
        assert await master.connect()
        try:
            index = await client.get_namespace_index("urn:edgeflash:points")
            yield ControlSystem(client, master, index)
        finally:
            master.close()


async def command(*words: str) -> subprocess.CompletedProcess[str]:
    """`edgeflash alarms ...` as a person gives it."""
    return await asyncio.to_thread(
        subprocess.run,
        [sys.executable, "-m", "edgeflash", "alarms", *words],
        capture_output=True,
        text=True,
        check=False,
    )


def asked_by_a_stranger(path: Path) -> dict[str, object]:
    """An acknowledgement by a user who belongs to nothing here, with the bare language only."""
    request = {"do": "acknowledge", "analyzer": "kestrel-1", "alarm": LOW}
    program = (
        "import socket, sys\n"
        "s = socket.socket(socket.AF_UNIX); s.settimeout(60); s.connect(sys.argv[1])\n"
        "s.sendall(sys.argv[2].encode() + b'\\n')\n"
        "print(s.makefile().readline(), end='')\n"
    )
    done = subprocess.run(
        ["python3", "-I", "-c", program, str(path), json.dumps(request)],
        user=65_534,
        group=54_321,
        extra_groups=[],
        cwd="/",
        capture_output=True,
        text=True,
        check=True,
    )
    reply: dict[str, object] = json.loads(done.stdout)
    return reply


def alarms_of(path: Path) -> dict[str, dict[str, str]]:
    """Every alarm of the running gateway, by name."""
    rows = ask(path, {"do": "list"})["alarms"]
    assert isinstance(rows, list)
    return {row["alarm"]: row for row in rows}


@pytest.mark.slow
async def test_from_the_contamination_to_the_acknowledgement(folder: Path) -> None:
    """A light contamination in cycles 2 and 9, as the control system sees it."""
    bad = (
        fault(FaultKind.CONTAMINATION, 2, strength=0.25),
        fault(FaultKind.CONTAMINATION, 9, strength=0.25),
    )
    async with plant(folder, *bad) as larkwater:
        path = larkwater.site_path
        site = checked_site(path)
        socket_path = site.state_dir / SOCKET_NAME
        with structlog.testing.capture_logs() as lines:
            async with running(site, Gateway(site)), control_system(site) as dcs:
                assert await dcs.read(LOW) == (0, 0)
                assert await dcs.read("verification_overdue") == (None, 65_535)
                async with larkwater.moving():
                    await dcs.shows(LOW, 1)

                if os.geteuid() == 0:
                    socket_path.chmod(0o666)
                    reply = await asyncio.to_thread(asked_by_a_stranger, socket_path)
                    assert reply["ok"] is False
                    assert await dcs.read(LOW) == (1, 1)

                done = await command(
                    "acknowledge", str(path), "kestrel-1", LOW, "--because", "diverted"
                )
                assert done.returncode == 0, done.stderr
                await dcs.shows(LOW, 2, 2.0)
                shown = await command("list", str(path), "--json")
                row = next(r for r in json.loads(shown.stdout) if r["alarm"] == LOW)
                assert row["because"] == "diverted"
                assert row["by"] in done.stdout

                async with larkwater.moving():
                    await dcs.shows(LOW, 0)
                    await dcs.shows(LOW, 1)
                    await dcs.shows(LOW, 3)
                again = await asyncio.to_thread(
                    ask, socket_path, {"do": "acknowledge", "analyzer": "kestrel-1", "alarm": LOW}
                )
                assert (again["state"], again["recorded"]) == ("normal", True)
                await dcs.shows(LOW, 0, 2.0)
                nothing = await command("acknowledge", str(path), "kestrel-1", LOW)
                assert (nothing.returncode, nothing.stdout) == (1, "")
                assert "nothing to acknowledge" in nothing.stderr
        told = [x["event"] for x in lines if x.get("alarm") == LOW]
        assert told == [
            "alarm active",
            "alarm acknowledged",
            "alarm normal",
            "alarm active",
            "alarm returned",
            "alarm normal",
        ]
        late = await command("list", str(path))
        assert late.returncode == 1
        assert "no gateway runs here" in late.stderr


@pytest.mark.slow
def test_a_kill_keeps_who_acknowledged(tmp_path: Path) -> None:
    """SIGKILL and a new start: the same state, the same name, the same words."""
    with simulators(
        tmp_path, SPEED, "--single", "--seed", "3", "--fault", "contamination:0.25:2:999"
    ) as endpoints:
        site = write_demo_site(tmp_path, endpoints, SPEED)
        socket_path = tmp_path / SOCKET_NAME
        if len(os.fsencode(socket_path)) > 107:
            pytest.skip("the temporary folder's path is too long for a unix socket")
        with start_gateway(site, 0) as gateway:
            gateway.wait_for("alarm active")
            reply = ask(
                socket_path,
                {
                    "do": "acknowledge",
                    "analyzer": endpoints[0].id,
                    "alarm": LOW,
                    "because": "Ölprobe 17 genommen",
                },
            )
            assert reply["recorded"] is True
            before = alarms_of(socket_path)[LOW]
            gateway.kill()
        assert before["state"] == "acknowledged"
        with start_gateway(site, 1) as gateway:
            gateway.wait_for("operator socket serving")
            assert alarms_of(socket_path)[LOW] == before
            gateway.wait_for("cycle rejected")
            assert alarms_of(socket_path)[LOW] == before
            gateway.kill()


@dataclass
class MovableClock:
    """The machine's clocks, with a wall clock that can be set."""

    set_by: timedelta = field(default_factory=timedelta)

    def utc_now(self) -> datetime:
        """The wall clock."""
        return SYSTEM_CLOCK.utc_now() + self.set_by

    def mono_s(self) -> float:
        """The monotonic clock, which nobody can set."""
        return SYSTEM_CLOCK.mono_s()


def silent_site(folder: Path, change: Callable[[str], str] = lambda text: text) -> Site:
    """A site whose one analyzer does not answer."""
    path = write_demo_site(folder, [Endpoint("kestrel-1", "127.0.0.1", free_port())], SPEED)
    text = path.read_text("utf-8") + "\n[analyzers.alarms.unavailable]\non_delay_s = 0.2\n"
    path.write_text(change(text), "utf-8")
    return checked_site(path)


async def test_silence_and_a_moved_clock(folder: Path) -> None:
    """An analyzer that does not answer is unavailable; the clock of the gateway is set back."""
    site, clock = silent_site(folder), MovableClock()
    async with running(site, Gateway(site, clock)), control_system(site) as dcs:
        await dcs.shows("unavailable", 1, 10.0)
        assert await dcs.read("clock") == (0, 0)
        clock.set_by = timedelta(seconds=-7200)
        await dcs.shows("clock", 1, 10.0)
        assert "-7200" in (await asyncio.to_thread(alarms_of, folder / SOCKET_NAME))["clock"]["why"]
        assert await dcs.read("below_limit") == (0, 0)


async def test_the_gateway_runs_without_the_socket(folder: Path) -> None:
    """A state folder with too long a path: said once, and the alarms are shown all the same."""
    site = silent_site(
        folder, lambda text: text.replace('state_dir = "."', f'state_dir = "{"s" * 100}"')
    )
    with structlog.testing.capture_logs() as lines:
        async with running(site, Gateway(site)), control_system(site) as dcs:
            await dcs.shows("unavailable", 1, 10.0)
    failures = [x for x in lines if "cannot be acknowledged" in x["event"]]
    assert [x["log_level"] for x in failures] == ["error"]
    assert "too long" in failures[0]["why"]


async def test_requests_that_name_nothing(folder: Path) -> None:
    """An unknown analyzer, alarm or wish: refused, with what there is."""
    site = silent_site(folder)
    path = folder / SOCKET_NAME
    async with running(site, Gateway(site)):
        for request, words in (
            ({"analyzer": "kestrel-9", "alarm": LOW}, "there are: kestrel-1"),
            ({"analyzer": "kestrel-1", "alarm": "low"}, "it has: possible_low_flash"),
            ({"analyzer": "kestrel-1", "alarm": LOW}, "it is normal"),
            ({"analyzer": "kestrel-1"}, "`alarm` must be a text"),
            ({"analyzer": "kestrel-1", "alarm": LOW, "because": "a\nb"}, "control characters"),
            ({"analyzer": "kestrel-1", "alarm": LOW, "because": "a" * 501}, "at most 500"),
            ({"do": "stop"}, "one of list, acknowledge, maintenance"),
        ):
            with pytest.raises(GatewayError, match=words):
                await asyncio.to_thread(ask, path, {"do": "acknowledge", **request})


async def test_a_step_is_seen_in_one_look() -> None:
    """Against the clock's own setting: the size and the sign of the step, then none."""
    clock = MovableClock()
    watch = SiteWatch(clock, ())
    for step_s in (0.0, 3600.0, -2.5, 0.0):
        clock.set_by += timedelta(seconds=step_s)
        watch.look()
        assert step_s == pytest.approx(watch.facts.clock_step_s, abs=0.5)


async def test_a_clock_left_alone_is_counted_and_shown() -> None:
    """From the kernel's word to the facts behind the alarm and the points, and back."""
    clock, states = MovableClock(), [ClockState(Synchronisation.NOT_SYNCHRONISED)]
    watch = SiteWatch(clock, (), lambda: states[0])
    assert [e.text for e in watch.look()] == ["not synchronised at the start"]
    began_s = watch.facts.unsynchronised_s
    for _ in range(3):
        watch.look()
    assert watch.facts.unsynchronised_s > began_s
    assert watch.facts.clock == states[0]
    states[0] = ClockState(Synchronisation.SYNCHRONISED, 0.04, 0.01)
    watch.look()
    assert watch.facts.unsynchronised_s == 0.0
    assert watch.facts.clock == states[0]


async def test_the_room_of_the_fullest_disk(tmp_path: Path) -> None:
    """Against `df`, which counts what an ordinary user may take; missing folders are left out."""
    watch = SiteWatch(SYSTEM_CLOCK, (tmp_path, tmp_path / "not there", Path("/dev/shm")))
    work = asyncio.create_task(watch.watch_disk_for_ever())
    await until(lambda: watch.facts.free_bytes is not None)
    work.cancel()
    done = await asyncio.to_thread(
        subprocess.run,
        ["df", "--output=avail", "-B1", str(tmp_path), "/dev/shm"],
        capture_output=True,
        text=True,
        check=True,
    )
    least = min(int(line) for line in done.stdout.split()[1:])
    assert least == pytest.approx(watch.facts.free_bytes, abs=2e8)


class RefusingJournal(Journal):
    """A real journal whose disk refuses the states of alarms for a while."""

    refusals: list[Exception]

    def put_state_soon(self, key: str, text: str) -> Future[None]:
        """Refuses while there are refusals left."""
        if self.refusals:
            raise self.refusals.pop()
        return super().put_state_soon(key, text)


async def test_a_full_disk_delays_the_record_and_not_the_alarm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The alarm stands at once, the shortage is known, and the newest state gets to the disk."""
    monkeypatch.setattr("edgeflash.gateway.state_saver.SAVE_RETRY_S", 0.01)
    with RefusingJournal.open(tmp_path / "journal.sqlite3") as journal:
        assert isinstance(journal, RefusingJournal)
        journal.refusals = [RuntimeError("a bug"), StorageError("no room")]
        desk = AlarmDesk(bench_analyzer(), journal)
        at = SYSTEM_CLOCK.utc_now()
        desk.evaluate(facts(low_flash=True), at, 0.0)
        assert desk.states[LOW] is AlarmState.ACTIVE
        saving = asyncio.create_task(desk.saver.save_for_ever())
        await until(lambda: desk.saver.fault)
        desk.acknowledge(LOW, "mara", "", at)
        await desk.saver.saved()
        saving.cancel()
        assert desk.saver.fault == ""
        assert AlarmDesk(bench_analyzer(), journal).states[LOW] is AlarmState.ACKNOWLEDGED


async def test_a_damaged_record_asks_for_acknowledgement(tmp_path: Path) -> None:
    """Never silently normal."""
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        journal.put_state("alarm/kestrel-1/possible_low_flash", '{"state": "norm')
        with structlog.testing.capture_logs() as lines:
            desk = AlarmDesk(bench_analyzer(), journal)
    assert desk.states[LOW] is AlarmState.RETURNED
    assert [x["log_level"] for x in lines] == ["error"]

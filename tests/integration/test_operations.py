"""Operations through the whole gateway, seen the way a control system sees them.

OPC UA status codes: OPC 10000-4, as asyncua carries them. Floats in Modbus: IEEE 754, unpacked by
the standard library, not by the code under test.
"""

from __future__ import annotations

import asyncio
import csv
import json
import signal
import struct
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from time import monotonic

import pytest
from asyncua import Client, ua
from pymodbus.client import AsyncModbusTcpClient

from edgeflash.alarms.acknowledging import SOCKET_NAME
from edgeflash.alarms.asking import GatewayError, ask
from edgeflash.config.site import Site
from edgeflash.gateway.gateway import Gateway
from edgeflash.gateway.site import checked_site
from edgeflash.history import HistoryWriter
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import Declared, EventEntry, EventKind, Result, Verdict
from edgeflash.points import CATALOGUE, PointType
from edgeflash.replay.cases import open_recordings
from edgeflash.replay.judge_again import judged_again, runs
from edgeflash.signal_check.plan import outlets_of, plan
from edgeflash.signal_check.record import of_csv
from edgeflash.trust import Quality
from tests.certificates import make
from tests.faults.processes import simulators, start_gateway
from tests.integration.test_alarms import plant, running
from tests.waiting import until

POINTS = {p.name: p for p in CATALOGUE}
A = "kestrel-1"
LONG_S = 30.0
SUBSTITUTE = ua.StatusCodes.UncertainSubstituteValue


@pytest.fixture
def folder() -> Iterator[Path]:
    """A short path: that of a unix socket has at most 107 bytes."""
    with tempfile.TemporaryDirectory() as made:
        yield Path(made)


@dataclass
class Screen:
    """What the control system sees of kestrel-1, at both outlets."""

    opcua: Client
    modbus: AsyncModbusTcpClient
    index: int

    async def node(self, name: str) -> ua.DataValue:
        """A point by OPC UA."""
        node = self.opcua.get_node(ua.NodeId(f"{A}.{name}", self.index))
        return await node.read_data_value(raise_on_bad_status=False)

    async def status(self, name: str) -> int:
        """Its status code."""
        code = (await self.node(name)).StatusCode
        assert code is not None
        return code.value

    async def trust(self, name: str) -> str:
        """The severity in the top two bits (OPC 10000-4, 7.39)."""
        return ("good", "uncertain", "bad", "bad")[await self.status(name) >> 30]

    async def value(self, name: str) -> object:
        """Its value by OPC UA."""
        value = (await self.node(name)).Value
        return None if value is None else value.Value

    async def registers(self, name: str) -> bytes:
        """Its registers as they came."""
        point = POINTS[name]
        reply = await self.modbus.read_holding_registers(point.register, count=point.registers)
        return struct.pack(f">{point.registers}H", *reply.registers)

    async def modbus_value(self, name: str) -> object:
        """Its value by Modbus, in order abcd."""
        raw = await self.registers(name)
        match POINTS[name].type:
            case PointType.FLOAT:
                return struct.unpack(">f", raw)[0]
            case PointType.INT:
                return struct.unpack(">I", raw)[0]
            case PointType.TIME:
                return struct.unpack(">Q", raw)[0]
            case PointType.TEXT:
                return raw.rstrip(b"\0").decode()
        return struct.unpack(">H", raw)[0]


async def seen(look: Callable[[], Awaitable[object]], expected: object) -> None:
    """Waits until a look shows what is expected."""
    last: object = None
    deadline_s = monotonic() + LONG_S
    while monotonic() < deadline_s:
        last = await look()
        if last == expected:
            return
        await asyncio.sleep(0.01)
    raise AssertionError(f"it shows {last!r}, not {expected!r}")


@asynccontextmanager
async def screen(site: Site) -> AsyncIterator[Screen]:
    """Connected to both outlets."""
    opcua, modbus = site.file.opcua, site.file.modbus[0]
    assert opcua is not None
    async with Client(f"opc.tcp://{opcua.host}:{opcua.port}") as client:
        master = AsyncModbusTcpClient(modbus.host, port=modbus.port)
        assert await master.connect()
        try:
            yield Screen(client, master, await client.get_namespace_index("urn:edgeflash:points"))
        finally:
            master.close()


async def do(site: Site, what: str, **more: object) -> dict[str, object]:
    """One operation over the operator's socket."""
    request = {"do": what, "analyzer": A, **more}
    return await asyncio.to_thread(ask, site.state_dir / SOCKET_NAME, request)


async def command(*words: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
    """`edgeflash ...` as a person gives it."""
    return await asyncio.to_thread(
        subprocess.run,
        [sys.executable, "-m", "edgeflash", *words],
        capture_output=True,
        text=True,
        check=False,
        input=stdin,
    )


def recorded(site: Site) -> tuple[list[EventEntry], list[Result]]:
    """What people did and what was judged, as another process reads it from the journal.

    What the gateway says of the machine's clock when it starts is nobody's deed.
    """
    with Journal.open_readonly(site.state_dir / JOURNAL_NAME) as journal:
        events = [e for e in journal.events() if e.kind is not EventKind.CLOCK_STATE]
        return events, [e.result for e in journal.entries_after(0, 10_000)]


async def test_a_test_signal_is_seen_everywhere_and_kept_nowhere(folder: Path) -> None:
    """Value, quality and the flag at both outlets; afterwards what was there before, and no trace
    of it in the results."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        async with running(site, Gateway(site)), screen(site) as dcs:
            await seen(lambda: dcs.trust("flash_point_c"), "bad")
            reply = await do(site, "test_signal", point="flash_point_c", value=77.5, seconds=600)
            assert reply["recorded"] is True
            await seen(lambda: dcs.status("flash_point_c"), SUBSTITUTE)
            assert await dcs.value("flash_point_c") == 77.5
            await seen(lambda: dcs.modbus_value("flash_point_c"), 77.5)
            assert (await dcs.value("test_active"), await dcs.modbus_value("test_active")) == (
                True,
                1,
            )
            bad = {"point": "heartbeat", "value": None, "quality": "sensor_failure"}
            await do(site, "test_signal", seconds=600, **bad)
            await seen(lambda: dcs.status("heartbeat"), ua.StatusCodes.BadSensorFailure)
            await seen(lambda: dcs.modbus_value("heartbeat"), 0xFFFF)
            await do(site, "end_test", point="flash_point_c")
            await seen(lambda: dcs.trust("flash_point_c"), "bad")
            await seen(lambda: dcs.registers("flash_point_c"), b"\x7f\xc0\x00\x00")
            assert await dcs.value("test_active") is True
            await do(site, "end_test")
            await seen(lambda: dcs.value("test_active"), False)
            await seen(lambda: dcs.modbus_value("test_active"), 0)
            await seen(lambda: dcs.status("heartbeat"), ua.StatusCodes.Good)
        events, results = recorded(site)
        assert results == []
        assert [e.kind for e in events] == [
            EventKind.TEST_ON,
            EventKind.TEST_ON,
            EventKind.TEST_OFF,
            EventKind.TEST_OFF,
        ]
        assert {e.via for e in events} == {"operator socket"}


async def test_tests_end_by_time_by_lease_and_with_the_gateway(folder: Path) -> None:
    """Nobody has to do anything; a new gateway shows none."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        async with running(site, Gateway(site)), screen(site) as dcs:
            await do(site, "test_signal", point="stream", value=7, seconds=0.2)
            await do(site, "test_signal", point="margin_c", value=7.0, seconds=600, lease_s=0.2)
            await seen(lambda: dcs.value("test_active"), False)
            await do(site, "test_signal", point="verdict", value=2, seconds=600)
            await seen(lambda: dcs.value("test_active"), True)
        async with running(site, Gateway(site)), screen(site) as dcs:
            await seen(lambda: dcs.modbus_value("verdict"), 0)
            assert await dcs.value("test_active") is False
        events, _ = recorded(site)
        offs = {e.subject: e.text for e in events if e.kind is EventKind.TEST_OFF}
        assert offs == {
            "stream": "its time is over",
            "margin_c": "the command that asked for it is gone",
            "verdict": "the gateway ends",
        }


@pytest.mark.parametrize(
    ("what", "more", "words"),
    [
        ("test_signal", {"point": "flash_point_c", "value": "hot", "seconds": 9}, "no float"),
        ("test_signal", {"point": "flash_point_c", "value": None, "seconds": 9}, "needs a value"),
        ("test_signal", {"point": "verdict", "value": 4, "seconds": 9}, "no code"),
        ("test_signal", {"point": "test_active", "value": False, "seconds": 9}, "cannot be one"),
        ("test_signal", {"point": "stream", "value": 1, "seconds": 601}, "at most 600"),
        ("test_signal", {"point": "stream", "value": 1, "seconds": float("nan")}, "above 0"),
        ("test_signal", {"point": "colour", "value": 1, "seconds": 9}, "no point 'colour'"),
        ("maintenance", {"minutes": 1441}, "at most 1440"),
        ("maintenance", {"minutes": 0}, "above 0"),
        ("maintenance", {"minutes": None}, "no declared maintenance"),
        ("check_sample", {"minutes": 9, "analyzer": "kestrel-9"}, "there are: kestrel-1"),
    ],
)
async def test_what_is_wrong_is_refused_and_recorded(
    folder: Path, what: str, more: dict[str, object], words: str
) -> None:
    """With words for the one who asked."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        async with running(site, Gateway(site)):
            with pytest.raises(GatewayError, match=words):
                await do(site, what, **more)
        events, _ = recorded(site)
        assert [(e.kind, words in e.text) for e in events] == [(EventKind.REFUSED, True)]


@pytest.mark.slow
async def test_maintenance_from_declaration_to_end(folder: Path) -> None:
    """Out of service at both outlets, its cycles rejected, over a restart, then ended by hand."""
    async with plant(folder) as larkwater:
        path = str(larkwater.site_path)
        site = checked_site(larkwater.site_path)
        results: list[Result] = []
        async with running(site, Gateway(site, on_result=results.append)), screen(site) as dcs:
            done = await command(
                *("maintenance", "start", path, A, "--minutes", "600", "--because", "new igniter")
            )
            assert done.returncode == 0, done.stderr
            async with larkwater.moving():
                await seen(lambda: dcs.status("flash_point_c"), ua.StatusCodes.BadOutOfService)
                await until(lambda: results, LONG_S)
                await seen(lambda: dcs.modbus_value("reason_code"), 209)
            assert results[0].verdict is Verdict.REJECTED
            assert results[0].cycle.declared == (Declared.MAINTENANCE,)
            assert "maintenance" in results[0].reasons
        results.clear()
        async with running(site, Gateway(site, on_result=results.append)), screen(site) as dcs:
            async with larkwater.moving():
                await until(lambda: results, LONG_S)
                await seen(lambda: dcs.modbus_value("reason_code"), 209)
            assert results[0].cycle.declared == (Declared.MAINTENANCE,)
            listed = await command("alarms", "list", path)
            assert f"{A}: maintenance is declared until" in " ".join(listed.stdout.split())
            done = await command("maintenance", "end", path, A, "--json")
            assert json.loads(done.stdout)["recorded"] is True
            results.clear()
            async with larkwater.moving():
                await until(lambda: any(r.verdict is Verdict.ACCEPTED for r in results), LONG_S)
                await seen(lambda: dcs.status("flash_point_c"), ua.StatusCodes.Good)
            assert results[0].cycle.declared == (Declared.MAINTENANCE,)  # a part lay in it
        shown = await command("events", path, "--analyzer", A, "--json")
        rows = [json.loads(line) for line in shown.stdout.splitlines()]
        told = [(r["kind"], r["text"], bool(r["who"]), bool(r["until"])) for r in rows]
        assert ("maintenance_on", "new igniter", True, True) in told
        assert ("maintenance_off", "", True, False) in told
        assert again_from_history(site) == recorded(site)[1]


@pytest.mark.slow
async def test_a_declared_check_sample_is_compared_with_the_reference(folder: Path) -> None:
    """Only the cycles wholly in it; a replay judges the same to the last bit."""
    async with plant(folder) as larkwater:
        text = larkwater.site_path.read_text("utf-8")
        verification = "\n[analyzers.verification]\nreference_c = 62.0\nsd_c = 0.7\n"
        larkwater.site_path.write_text(text + verification, "utf-8")
        site = checked_site(larkwater.site_path)
        results: list[Result] = []
        async with (
            running(site, Gateway(site, on_result=results.append)),
            screen(site) as dcs,
            larkwater.moving(),
        ):
            await until(lambda: len(results) >= 2, LONG_S)
            await do(site, "check_sample", minutes=600.0, because="fluid 12-B")
            seen_before = len(results)
            await until(lambda: len(results) >= seen_before + 4, LONG_S)
            await seen(lambda: dcs.modbus_value("reason_code"), 210)
            await do(site, "check_sample", minutes=None)
            seen_before = len(results)
            await until(lambda: len(results) >= seen_before + 3, LONG_S)
        kinds = [r.cycle.declared for r in results]
        first = kinds.index((Declared.CHECK_SAMPLE_PARTLY,))
        whole = [r for r in results if r.cycle.declared == (Declared.CHECK_SAMPLE,)]
        partly = [r for r in results if Declared.CHECK_SAMPLE_PARTLY in r.cycle.declared]
        assert len(whole) >= 2
        assert kinds[first + 1] == (Declared.CHECK_SAMPLE,)
        checks = [(c.epoch, c.cycle_number) for c in results[-1].checks]
        assert checks == [r.key[1:] for r in whole][-8:]
        assert {r.verdict for r in (*whole, *partly)} == {Verdict.REJECTED}
        assert all("check_sample" in r.reasons for r in (*whole, *partly))
        assert again_from_history(site) == recorded(site)[1]


def again_from_history(site: Site) -> list[Result | None]:
    """What judging the recorded cycles again gives."""
    with Journal.open(site.state_dir / JOURNAL_NAME) as journal:
        HistoryWriter(journal, site.history_dir).flush()
    recordings = open_recordings(site)
    return [a.result for a in judged_again(recordings, site, runs(recordings, [A], None, None), 1)]


@pytest.mark.slow
def test_a_kill_keeps_what_was_declared_and_recorded(tmp_path: Path) -> None:
    """SIGKILL right after the reply: declared and recorded; no test signal comes back."""
    with tempfile.TemporaryDirectory() as made, simulators(tmp_path, 60.0, "--single") as ends:
        from edgeflash.demo.site_file import write_demo_site

        folder = Path(made)
        site_path = write_demo_site(folder, ends, 60.0)
        socket_path, name = folder / SOCKET_NAME, ends[0].id
        with start_gateway(site_path, 0) as gateway:
            gateway.wait_for("operator socket serving")
            about = {"analyzer": name, "because": "Zünder neu"}
            ask(socket_path, {"do": "maintenance", "minutes": 600, **about})
            test = {"do": "test_signal", "point": "stream", "value": 7, "seconds": 600}
            ask(socket_path, {**test, "analyzer": name})
            before = ask(socket_path, {"do": "list"})
            gateway.kill()
        with start_gateway(site_path, 1) as gateway:
            gateway.wait_for("operator socket serving")
            after = ask(socket_path, {"do": "list"})
            assert after["declared"] == before["declared"] != []
            assert before["tests"] != [] == after["tests"]
            gateway.wait_for("cycle rejected")
            gateway.kill()
        with Journal.open_readonly(folder / JOURNAL_NAME) as journal:
            kinds = [(e.kind, e.text) for e in journal.events(analyzer=name)]
            assert (EventKind.MAINTENANCE_ON, "Zünder neu") in kinds
            tests = [k for k, _ in kinds if k in (EventKind.TEST_ON, EventKind.TEST_OFF)]
            assert tests == [EventKind.TEST_ON, EventKind.TEST_OFF]  # the second by the new gateway
            latest = journal.latest(name)
            assert latest is not None
            assert Declared.MAINTENANCE in latest.cycle.declared


class Checking:
    """`edgeflash signal-check` at work, answered line by line."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process

    def answer(self, line: str) -> None:
        """Types a line."""
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    async def until_asked(self, count: int, log: Path) -> None:
        """Waits until so many values have been asked for."""
        await until(lambda: log.read_text("utf-8").count("] ") >= count, LONG_S)


def start_checking(folder: Path, log: Path, *words: str) -> subprocess.Popen[str]:
    """The command, with its output in a file."""
    with log.open("w") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "edgeflash", "signal-check", *words],
            stdin=subprocess.PIPE,
            stdout=out,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=folder,
        )


@asynccontextmanager
async def checking(folder: Path, *words: str) -> AsyncIterator[tuple[Checking, Path]]:
    """The command for as long as the block runs, and its output."""
    log = folder / "check.log"
    process = start_checking(folder, log, *words)
    try:
        yield Checking(process), log
    finally:
        process.kill()
        await asyncio.to_thread(process.wait)
        assert process.stdin is not None
        process.stdin.close()


def shown_text(value: object, status: int) -> str:
    """What a person would type of a value read by OPC UA."""
    word = {0: "good", 1: "uncertain"}.get(status >> 30, "bad")
    if isinstance(value, bool):
        return f"{int(value)} {word}"
    return f"{getattr(value, 'isoformat', lambda: value)()} {word}"


@pytest.mark.slow
async def test_every_point_is_proved_at_the_control_system(folder: Path) -> None:
    """Each answer is what an independent client reads at that moment; all pass."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        steps = plan(outlets_of(site.file)["opcua"])
        async with (
            running(site, Gateway(site)),
            screen(site) as dcs,
            checking(folder, str(larkwater.site_path), A, "--yes", "--checked-by", "M. Arden") as (
                person,
                log,
            ),
        ):
            for count, step in enumerate(steps, start=1):
                await person.until_asked(count, log)
                wanted = step.quality.value.opcua_code
                await seen(lambda n=step.point: dcs.status(n), wanted)  # type: ignore[misc]
                assert await dcs.value("test_active") is True
                person.answer(shown_text(await dcs.value(step.point), wanted))
            person.answer("")
            assert await asyncio.to_thread(person.process.wait, LONG_S) == 0, log.read_text()
            await seen(lambda: dcs.value("test_active"), False)
        base = folder / f"signal-check-{A}"
        rows = of_csv(base.with_suffix(".csv").read_text("utf-8"))
        assert [r.key for r in rows] == [s.key for s in steps]
        assert {r.outcome for r in rows} == {"passed"}
        assert {r.checked_by for r in rows} == {"M. Arden"}
        assert "Checked by: M. Arden" in base.with_suffix(".md").read_text("utf-8")
        assert {s.point for s in steps} == {p.name for p in CATALOGUE} - {"test_active"}


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
async def test_a_check_that_dies_leaves_nothing_shown(folder: Path, number: int) -> None:
    """Killed by -9 the lease ends it; by Ctrl-C or SIGTERM the command takes it back."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        options = ("--yes", "--points", "flash_point_c", "--seconds", "600")
        async with (
            running(site, Gateway(site)),
            screen(site) as dcs,
            checking(folder, str(larkwater.site_path), A, *options) as (person, log),
        ):
            await person.until_asked(1, log)
            await seen(lambda: dcs.status("flash_point_c"), SUBSTITUTE)
            person.process.send_signal(number)
            await seen(lambda: dcs.value("test_active"), False)
            await seen(lambda: dcs.trust("flash_point_c"), "bad")
        (off,) = [e for e in recorded(site)[0] if e.kind is EventKind.TEST_OFF]
        is_lease = off.text == "the command that asked for it is gone"
        assert is_lease is (number == signal.SIGKILL)


@pytest.mark.slow
async def test_an_answer_that_comes_late_does_not_count(folder: Path) -> None:
    """The value had gone when it was typed: it is shown again, and asked again."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        options = ("--yes", "--points", "stream", "--seconds", "2", "--checked-by", "Mara")
        (step,) = plan(outlets_of(site.file)["opcua"], ["stream"])
        async with (
            running(site, Gateway(site)),
            screen(site) as dcs,
            checking(folder, str(larkwater.site_path), A, *options) as (person, log),
        ):
            await person.until_asked(1, log)
            await seen(lambda: dcs.value("test_active"), False)
            person.answer(f"{step.expected} uncertain")
            await person.until_asked(2, log)
            assert "does not count" in log.read_text("utf-8")
            assert person.process.stdin is not None
            person.process.stdin.close()
            await asyncio.to_thread(person.process.wait, LONG_S)
        events, _ = recorded(site)
        assert [e.kind for e in events].count(EventKind.TEST_ON) >= 2


@pytest.mark.slow
async def test_a_check_without_its_gateway_or_its_person_ends(folder: Path) -> None:
    """The end of the input takes the value back; without a gateway it says so."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        words = ("signal-check", str(larkwater.site_path), A, "--yes", "--points", "stream")
        words = (*words, "--record", str(folder / "r"))
        async with running(site, Gateway(site)), screen(site) as dcs:
            done = await command(*words)
            assert done.returncode == 1
            assert "taken back" in done.stdout
            await seen(lambda: dcs.value("test_active"), False)
        kinds = [e.kind for e in recorded(site)[0]]
        assert kinds == [EventKind.TEST_ON, EventKind.TEST_OFF]
        gone = await command(*words)
        assert gone.returncode == 1
        assert "no gateway runs here" in gone.stderr
        refused = await command(*words[:3], "--points", "stream", stdin="no\n")
        assert (refused.returncode, "nothing was driven" in refused.stderr) == (2, True)
        assert "manual" in refused.stdout


@pytest.mark.slow
async def test_wrong_answers_fail_and_the_check_resumes(folder: Path) -> None:
    """A wrong value, a wrong quality, an end in the middle; what failed is asked again."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        words = (str(larkwater.site_path), A, "--points", "margin_c,stream", "--yes")
        first, second, third = plan(outlets_of(site.file)["opcua"], ["margin_c", "stream"])
        async with running(site, Gateway(site)):
            answers = f"{first.expected}\n{float(str(second.expected)) + 0.2} uncertain\nquit\n"
            kept = ("--record", str(folder / "r"))
            done = await command("signal-check", *words, *kept, stdin=answers)
            assert done.returncode == 1
            rows = of_csv((folder / "r.csv").read_text("utf-8"))
            assert [(r.outcome, r.deviation) for r in rows] == [("passed", "0"), ("failed", "0.2")]
            assert "Not signed off" in (folder / "r.md").read_text("utf-8")
            file = folder / "answers.csv"
            with file.open("w", newline="") as out:
                writer = csv.writer(out)
                writer.writerow(("point", "step", "value", "quality"))
                writer.writerow((second.point, second.number, second.expected, "uncertain"))
                writer.writerow((third.point, third.number, third.expected, "good"))
            again = (*words, *kept, "--answers", str(file), "--checked-by", "Mara")
            done = await command("signal-check", *again)
            assert done.returncode == 1
            rows = of_csv((folder / "r.csv").read_text("utf-8"))
            assert [r.outcome for r in rows] == ["passed", "passed", "failed"]
            assert rows[-1].why == "quality good, sent uncertain"


@pytest.mark.slow
async def test_a_check_with_nothing_left_says_so_and_is_signed_once(folder: Path) -> None:
    """Without a gateway too: nothing is driven, and no second signature asked for."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        words = ("signal-check", str(larkwater.site_path), A, "--points", "stream", "--yes")
        words = (*words, "--record", str(folder / "r"))
        steps = plan(outlets_of(site.file)["opcua"], ["stream"])
        answers = "".join(f"{s.expected} uncertain\n" for s in steps)
        async with running(site, Gateway(site)):
            done = await command(*words, stdin=answers)
            assert done.returncode == 0, done.stderr
        assert "Not signed off" in (folder / "r.md").read_text("utf-8")
        signed = await command(*words, stdin="M. Arden\n\n")
        assert (signed.returncode, signed.stderr) == (0, "")
        assert "nothing is driven" in signed.stdout
        assert "taken back" not in signed.stdout and "could not be asked" not in signed.stdout
        before = (folder / "r.md").read_text("utf-8")
        assert "Checked by: M. Arden" in before
        again = await command(*words, stdin="Somebody Else\n\n")
        assert again.returncode == 0
        assert "Checked by" not in again.stdout
        assert (folder / "r.md").read_text("utf-8") == before
        assert "Somebody" not in (folder / "r.csv").read_text("utf-8")


async def test_a_silent_control_system_is_an_alarm(folder: Path) -> None:
    """Never written, written, silent again: as OPC UA and Modbus show it, and the record."""
    async with plant(folder) as larkwater:
        text = larkwater.site_path.read_text("utf-8").replace(
            "[opcua]", "[opcua]\naccept_inputs = true", 1
        )
        beat = '\n[[inputs]]\nid = "alive"\nnumber = 1\nheartbeat = true\nstale_s = 0.5\n'
        larkwater.site_path.write_text(text + beat, "utf-8")
        site = checked_site(larkwater.site_path)
        alarm = "alarm_control_system_silent"
        async with running(site, Gateway(site)), screen(site) as dcs:
            await seen(lambda: dcs.value(alarm), 1)
            await seen(lambda: dcs.modbus_value(alarm), 1)
            node = dcs.opcua.get_node(ua.NodeId("inputs.alive", dcs.index))
            stop = asyncio.Event()

            async def beat_for_a_while() -> None:
                value = ua.DataValue(ua.Variant(7.0, ua.VariantType.Double))
                while not stop.is_set():
                    await node.write_value(value)
                    await asyncio.sleep(0.02)

            beating = asyncio.create_task(beat_for_a_while())
            await seen(lambda: dcs.value(alarm), 0)
            await seen(lambda: dcs.modbus_value(alarm), 0)
            stop.set()
            await beating
            await seen(lambda: dcs.modbus_value(alarm), 1)
        name = "control_system_silent"
        states = [e.text.partition(":")[0] for e in recorded(site)[0] if e.subject == name]
        assert states[:3] == ["active", "normal", "active"]


def test_the_quality_of_a_test_is_no_plain_good() -> None:
    """UncertainSubstituteValue, 16#40910000 (OPC 10000-4 and its code list)."""
    assert Quality.TEST.value.opcua_code == SUBSTITUTE == 0x40910000


@pytest.mark.slow
async def test_changes_of_access_are_recorded_while_the_gateway_runs(folder: Path) -> None:
    """Made by the commands, in another process: who was changed and how, and no password."""
    async with plant(folder) as larkwater:
        site = checked_site(larkwater.site_path)
        path, password = str(larkwater.site_path), folder / "password"
        password.write_text("quiet-harbour-12\n", "utf-8")
        panel = make("panel 7")
        client, _ = panel.files(folder / "brought")

        def about(kind: EventKind) -> list[tuple[str, str]]:
            return [(e.subject, e.text) for e in recorded(site)[0] if e.kind is kind]

        async with running(site, Gateway(site)):
            word = ("--password-file", str(password))
            done = await command("users", "add", path, "mara", "--role", "operator", *word)
            assert done.returncode == 0, done.stderr
            await until(lambda: about(EventKind.USER_CHANGED), LONG_S)
            done = await command("keys", "trust", path, "--file", str(client))
            assert done.returncode == 0, done.stderr
            await until(lambda: about(EventKind.TRUST_CHANGED), LONG_S)
            done = await command("keys", "renew", path, "--json")
            assert done.returncode == 0, done.stderr
            await until(lambda: about(EventKind.CERTIFICATE_RENEWED), LONG_S)
        assert about(EventKind.USER_CHANGED) == [("mara", "user added as operator")]
        ((subject, _),) = about(EventKind.TRUST_CHANGED)
        assert subject == panel.sha1
        ((subject, _),) = about(EventKind.CERTIFICATE_RENEWED)
        assert subject == json.loads(done.stdout)["sha1"]
        told = await command("events", path)
        assert "user_changed mara (files): user added as operator" in told.stdout
        assert "harbour" not in told.stdout and "argon2" not in told.stdout

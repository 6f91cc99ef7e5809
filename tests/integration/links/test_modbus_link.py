"""The link against real sockets: devices that are late, gone, silent, busy, wrong or torn."""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from time import monotonic
from typing import Any

import pytest
from pymodbus.constants import ExcCodes
from structlog.testing import capture_logs

from edgeflash.config.register_map import Encoding, RegisterMap, RolePlace, Table
from edgeflash.config.site import Analyzer
from edgeflash.links import Mark, ModbusLink
from edgeflash.model import Role, Scan
from edgeflash.publication import LinkState
from edgeflash.service import SYSTEM_CLOCK
from tests.integration.links.peers import (
    HOST,
    Device,
    HangupError,
    Request,
    device,
    image_words,
    never,
    scripted,
)
from tests.ports import free_port
from tests.unit.links.image import AnalyzerImage, analyzer_map, pulse_map
from tests.waiting import until

UP, DOWN = LinkState.UP, LinkState.DOWN
BEYOND_LIVE = [role for role in Role if role.startswith(("trace_", "recent_"))]


def analyzer(port: int, **more: Any) -> Analyzer:
    settings = {
        "id": "cup",
        "number": 1,
        "map": Path("image.toml"),
        "host": HOST,
        "port": port,
        "poll_s": 0.02,
        "timeout_s": 5.0,
        "retries": 0,
        "backoff_first_s": 0.02,
        "backoff_max_s": 0.1,
        "analyzer_corrects_barometer": False,
        **more,
    }
    return Analyzer(**settings)


class Receiver:
    """Takes what a running link hands over."""

    def __init__(self) -> None:
        self.scans: list[Scan] = []
        self.states: list[LinkState] = []
        self.sentences: list[str] = []
        self.on_scan: Callable[[Scan], Awaitable[None]] | None = None
        self.task: asyncio.Task[Any] | None = None

    async def take(self, scan: Scan) -> None:
        self.scans.append(scan)
        if self.on_scan is not None:
            await self.on_scan(scan)

    def state(self, state: LinkState, sentence: str) -> None:
        self.states.append(state)
        self.sentences.append(sentence)

    async def more_scans(self) -> None:
        """At least one scan from now on."""
        seen = len(self.scans)
        await until(lambda: len(self.scans) > seen)

    @property
    def last_state(self) -> LinkState | None:
        return self.states[-1] if self.states else None

    @property
    def bodies(self) -> list[int]:
        return [scan.body.cycle_number for scan in self.scans if scan.body is not None]


@asynccontextmanager
async def running(
    settings: Analyzer,
    register_map: RegisterMap | None = None,
    known: Mark | None = None,
    receiver: Receiver | None = None,
) -> AsyncIterator[Receiver]:
    """A link at work; at the end it is cancelled, and must end without waiting for anything.

    Turns of the loop are counted, not seconds: a busy machine changes the seconds. A few turns
    are far below 100 ms.
    """
    receiver = receiver or Receiver()
    link = ModbusLink(settings, register_map or analyzer_map(), known, SYSTEM_CLOCK)
    receiver.task = asyncio.create_task(link.run(receiver.take, receiver.state))
    try:
        yield receiver
        assert not receiver.task.done()
    finally:
        receiver.task.cancel()
        turns = await turns_to_end(receiver.task)
    assert receiver.task.cancelled()
    assert turns <= 10


async def turns_to_end(task: asyncio.Task[Any]) -> int:
    """Turns of the loop until the task is done; fails after 1000."""
    for turn in range(1000):
        if task.done():
            return turn
        await asyncio.sleep(0)
    raise AssertionError("the task is still running")


async def test_reads_a_device() -> None:
    """Live values, body with trace and ring through a real server; then each new cycle once."""
    image = AnalyzerImage(7)
    async with device(image) as dev, running(analyzer(dev.port)) as got:
        await until(lambda: len(got.scans) >= 3)
        first = got.scans[0]
        assert first.live[Role.FLASH_POINT] == 7 + 6 / 128
        assert first.body is not None
        assert first.body.trace is not None
        assert [r.cycle_number for r in first.recent] == [7]
        image.finish(8)
        await until(lambda: got.bodies == [7, 8])
        assert got.states == [LinkState.CONNECTING, UP]
        assert dev.connections == 1


async def test_link_starts_before_the_device() -> None:
    """A first connect that fails is like any other: data flows once the device is there."""
    dev = Device(AnalyzerImage(7))
    async with running(analyzer(dev.port)) as got:
        await until(lambda: DOWN in got.states)
        assert str(dev.port) in got.sentences[-1]
        await dev.start()
        try:
            await until(lambda: got.bodies == [7])
        finally:
            await dev.stop()
        assert got.states[:3] == [LinkState.CONNECTING, DOWN, UP]


async def test_device_restarts() -> None:
    """After a restart the known cycle does not come again, the ring does, and new ones flow."""
    image = AnalyzerImage(7)
    async with device(image) as dev, running(analyzer(dev.port)) as got:
        for number in (8, 9, 10):
            await until(lambda: got.last_state is UP)
            await dev.stop()
            await until(lambda: got.last_state is DOWN)
            before = len(got.scans)
            await dev.start()
            await got.more_scans()
            assert got.scans[before].body is None
            assert got.scans[before].recent[-1].cycle_number == number - 1
            image.finish(number)
            await until(lambda: got.bodies == list(range(7, image.history[-1][0] + 1)))
        assert got.bodies == [7, 8, 9, 10]
        assert got.states == [LinkState.CONNECTING, UP] + [DOWN, UP] * 3


async def test_known_cycle_is_not_delivered_again() -> None:
    """The journal has cycle 7: only the ring comes, to fill what was missed."""
    image = AnalyzerImage(7)
    known = Mark(7, image.history[-1][1])
    async with device(image) as dev, running(analyzer(dev.port), known=known) as got:
        await until(lambda: len(got.scans) >= 2)
        assert got.bodies == []
        assert got.scans[0].recent


async def test_silent_peer_is_dropped_in_time(caplog: pytest.LogCaptureFixture) -> None:
    """Accepts and never answers: down after timeout × (retries + 1), then tried again.

    The library has a line for each of these; none of them reaches the log.
    """
    async with scripted(never) as peer:
        settings = analyzer(peer.port, timeout_s=0.1, retries=2)
        started = monotonic()
        async with running(settings) as got:
            await until(lambda: DOWN in got.states)
            took = monotonic() - started
            assert 0.3 <= took < 3
            assert "no answer" in got.sentences[-1]
            assert len(peer.requests) == 3
            assert len({r.transaction for r in peer.requests}) == 1
            await until(lambda: peer.connections >= 3)
        assert got.states == [LinkState.CONNECTING, DOWN]
        assert got.scans == []
    assert [r for r in caplog.records if r.name.startswith("pymodbus")] == []


async def test_close_in_mid_request_is_noticed_at_once() -> None:
    """The library would wait timeout × (retries + 1) = 20 s; the link does not."""

    async def hang_up(_: Request) -> bytes:
        raise HangupError

    async with scripted(hang_up) as peer:
        started = monotonic()
        async with running(analyzer(peer.port, timeout_s=5, retries=3)) as got:
            await until(lambda: DOWN in got.states)
            assert monotonic() - started < 2
            assert "closed" in got.sentences[-1]
            await until(lambda: peer.connections >= 3)


async def test_idle_close_is_no_failure() -> None:
    """A peer that closes between polls is read again over a new connection, without a fuss."""
    image = AnalyzerImage(7)
    async with device(image) as dev, running(analyzer(dev.port, poll_s=0.1)) as got:
        for _ in range(3):
            await got.more_scans()
            dev.drop_connections()
        await got.more_scans()
        assert got.states == [LinkState.CONNECTING, UP]
        assert dev.connections >= 3
        assert got.bodies == [7]


@pytest.mark.parametrize("retries", [0, 1])
async def test_late_answers_never_become_values(retries: int) -> None:
    """Answers are delayed past the deadline at random; no value ever shows up elsewhere."""
    image = AnalyzerImage(7)
    source = random.Random(20260301)
    late = 0

    async def answer(request: Request) -> bytes:
        nonlocal late
        if source.random() < 0.3:  # the peer is slow: this is the fault under test, no waiting
            late += 1
            await asyncio.sleep(source.choice([0.06, 0.11, 0.16]))
        return request.reply(image_words(image, request))

    register_map = analyzer_map(without=BEYOND_LIVE, max_gap=0)
    known = Mark(7, image.history[-1][1])
    async with scripted(answer) as peer:
        settings = analyzer(peer.port, timeout_s=0.05, retries=retries, poll_s=0.01)
        async with running(settings, register_map, known) as got:
            await until(lambda: late >= 40 and len(got.scans) >= 20, timeout_s=60)
    for scan in got.scans:
        assert scan.live[Role.CYCLE_NUMBER] == 7
        assert scan.live[Role.ALIVE] == 7
        assert scan.live[Role.FLASH_POINT] == 7 + 6 / 128
        assert scan.live[Role.SAMPLE_TEMPERATURE] == 7 + 8 / 128
        assert scan.live[Role.RESULT_TIME] == image.history[-1][1]


async def test_an_answer_to_a_repeat_renews_the_connection() -> None:
    """The first answer is still to come when the repeat's arrives: that socket is not used on."""
    image = AnalyzerImage(7)
    answers = 0

    async def answer(request: Request) -> bytes:
        nonlocal answers
        answers += 1
        if answers == 1:
            await until(lambda: len(peer.requests) == 2)
        return request.reply(image_words(image, request))

    async with scripted(answer) as peer:
        settings = analyzer(peer.port, timeout_s=0.5, retries=1, poll_s=5.0)
        async with running(settings) as got:
            await until(lambda: len(got.scans) == 1)
        # The request and its repeat came over one connection, the next over another.
        assert peer.requests[0] == peer.requests[1]
        assert peer.connections == 2
        assert got.states == [LinkState.CONNECTING, UP]


async def test_refused_address_is_named_and_not_hammered() -> None:
    """The role and its address are in the sentence; the analyzer is then left alone."""
    image = AnalyzerImage(7)

    def refusal(address: int, count: int) -> ExcCodes | None:
        return ExcCodes.ILLEGAL_ADDRESS if address <= 80 < address + count else None

    async with device(image) as dev:
        dev.refusal = refusal
        async with running(analyzer(dev.port, backoff_max_s=0.6)) as got:
            await until(lambda: LinkState.MISCONFIGURED in got.states)
            sentence = got.sentences[-1]
            assert "heating_rate" in sentence
            assert "input address 80" in sentence
            asked = len(dev.requests)
            await until(lambda: len(dev.requests) > asked)
            assert dev.requests[asked][0] - dev.requests[asked - 1][0] >= 0.59
            dev.refusal = lambda _address, _count: None
            await until(lambda: got.bodies == [7])
        assert got.states == [LinkState.CONNECTING, LinkState.MISCONFIGURED, UP]
        assert dev.connections == 1


@pytest.mark.parametrize("silent", [False, True])
async def test_a_pulse_that_cannot_be_read_costs_no_cycle(silent: bool) -> None:
    """Refused or never answered: each cycle comes once, the link stays up, and it is said once.

    A request without an answer ends its connection, so that no late answer meets another request.
    """
    image = AnalyzerImage(7)
    mended = False

    async def answer(request: Request) -> bytes:
        if request.address >= 2000 and not mended:
            return b"" if silent else request.refuse(2)
        return request.reply(image_words(image, request))

    async with scripted(answer) as peer:
        settings = analyzer(peer.port, timeout_s=0.1)
        with capture_logs() as lines:
            async with running(settings, pulse_map()) as got:
                for number in (8, 9):
                    await until(lambda n=number: got.bodies == [*range(7, n)])
                    image.finish(number)
                await until(lambda: got.bodies == [7, 8, 9])
                mended = True
                image.finish(10)
                await until(lambda: got.bodies == [7, 8, 9, 10])
        assert got.states == [LinkState.CONNECTING, UP]
        pulses = [s.body.pulse is not None for s in got.scans if s.body is not None]
        assert pulses == [False, False, False, True]
        assert peer.connections == (4 if silent else 1)
    events = [line["event"] for line in lines]
    assert events == ["pulse_unreadable", "pulse_readable_again"]
    assert "2000" in lines[0]["why"]


async def test_refused_gap_is_told_from_a_refused_role() -> None:
    """Every role can be read by itself: the sentence speaks of max_gap and forbidden."""

    def refusal(address: int, count: int) -> ExcCodes | None:
        return ExcCodes.ILLEGAL_ADDRESS if address <= 3 < address + count else None

    async with device(AnalyzerImage(7)) as dev:
        dev.refusal = refusal
        async with running(analyzer(dev.port)) as got:
            await until(lambda: LinkState.MISCONFIGURED in got.states)
            assert "max_gap" in got.sentences[-1]
            assert "0..9" in got.sentences[-1]
        settings = analyzer(dev.port)
        async with running(settings, analyzer_map(max_gap=0)) as got:
            await until(lambda: got.bodies == [7])


async def test_busy_analyzer_is_asked_later() -> None:
    """Exception 6 within the allowed retries is no change of state, and no reconnect."""
    image = AnalyzerImage(7)
    async with device(image) as dev, running(analyzer(dev.port, retries=2)) as got:
        await until(lambda: len(got.scans) >= 1)
        busy = 0

        def refusal(_address: int, _count: int) -> ExcCodes | None:
            nonlocal busy
            busy += 1
            return ExcCodes.DEVICE_BUSY if busy <= 2 else None

        dev.refusal = refusal
        await got.more_scans()
        assert busy > 2
        assert got.states == [LinkState.CONNECTING, UP]
        dev.refusal = lambda _address, _count: ExcCodes.DEVICE_BUSY
        await until(lambda: got.last_state is DOWN)
        assert "busy" in got.sentences[-1]
        dev.refusal = lambda _address, _count: None
        await until(lambda: got.last_state is UP)
        assert dev.connections == 1


@pytest.mark.parametrize(
    ("code", "words"),
    [(4, "failed"), (11, "gateway"), (99, "failed")],
)
async def test_other_exceptions_are_down_with_the_reason(code: int, words: str) -> None:
    """The connection stays; the sentence says what the analyzer said."""

    async def refuse(request: Request) -> bytes:
        return request.refuse(code)

    async with scripted(refuse) as peer, running(analyzer(peer.port)) as got:
        await until(lambda: DOWN in got.states and len(peer.requests) >= 4)
        assert f"exception {code}" in got.sentences[-1]
        assert words in got.sentences[-1]
        assert peer.connections == 1


async def test_moving_counter_gives_a_torn_body_over_the_wire() -> None:
    """A counter that moves with every request: the body comes, marked torn."""
    image = AnalyzerImage(7)
    count = 7

    def move(_: int) -> None:
        nonlocal count
        count += 1
        image.finish(count)

    async with device(image) as dev:
        image.before_read = move
        async with running(analyzer(dev.port)) as got:
            await until(lambda: got.bodies)
            torn = next(scan.body for scan in got.scans if scan.body is not None)
            assert torn.torn
            image.before_read = lambda _: None
            await until(lambda: got.bodies[-1:] == [count])
            whole = [scan.body for scan in got.scans if scan.body is not None][-1]
            assert not whole.torn


async def test_short_answer_is_refused() -> None:
    """One register fewer than asked is no answer (the library itself takes it)."""

    async def short(request: Request) -> bytes:
        return request.reply([0] * (request.count - 1))

    async with scripted(short) as peer, running(analyzer(peer.port)) as got:
        await until(lambda: DOWN in got.states)
        assert "9 of 10" in got.sentences[-1]
        assert got.scans == []


@pytest.mark.parametrize(
    "mangle",
    [
        pytest.param(lambda r, f: f[:2] + b"\0\1" + f[4:], id="protocol id"),
        pytest.param(lambda r, f: f[:4] + b"\xff\xff" + f[6:], id="length"),
        pytest.param(lambda r, f: f[:8] + bytes([f[8] - 1]) + f[9:], id="byte count"),
        pytest.param(lambda r, f: f[:7] + b"\x2b" + f[8:], id="function"),
        pytest.param(lambda r, f: f[:7] + b"\x03" + f[8:], id="other table"),
        pytest.param(lambda r, f: b"HTTP/1.1 400 Bad Request\r\n\r\n", id="not modbus"),
    ],
)
async def test_garbled_answers_end_the_connection_at_once(
    mangle: Callable[[Request, bytes], bytes], caplog: pytest.LogCaptureFixture
) -> None:
    """No waiting for the timeout, no traceback in the log, and no value."""
    image = AnalyzerImage(7)

    async def answer(request: Request) -> bytes:
        return mangle(request, request.reply(image_words(image, request)))

    async with scripted(answer) as peer:
        started = monotonic()
        async with running(analyzer(peer.port, timeout_s=5)) as got:
            await until(lambda: DOWN in got.states)
            assert monotonic() - started < 2
            await until(lambda: peer.connections >= 3)
        assert got.scans == []
    assert [r.getMessage() for r in caplog.records if r.levelno >= logging.WARNING] == []


async def test_a_web_server_on_the_port_gives_one_line_and_no_traceback(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Garbage and the close in one segment, again and again: a wrong port at commissioning."""
    attempts = 0

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal attempts
        await reader.read(64)
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        writer.close()
        await writer.wait_closed()
        attempts += 1

    server = await asyncio.start_server(talk, "127.0.0.1", 0)
    async with server, running(analyzer(server.sockets[0].getsockname()[1])) as got:
        await until(lambda: attempts >= 4)
        assert got.states == [LinkState.CONNECTING, DOWN]
    assert [r.getMessage() for r in caplog.records if r.levelno >= logging.WARNING] == []


async def test_answers_may_come_in_any_pieces() -> None:
    """Byte by byte, and glued to a stray frame: only the own answer counts."""
    image = AnalyzerImage(7)

    async def answer(request: Request) -> bytes:
        stray = replace(request, transaction=(request.transaction + 7) % 65536)
        return stray.reply([0xDEAD] * 2) + request.reply(image_words(image, request))

    async with scripted(answer, byte_by_byte=True) as peer, running(analyzer(peer.port)) as got:
        await until(lambda: got.bodies == [7] and len(got.scans) >= 2)
        assert got.scans[0].recent
        assert got.states == [LinkState.CONNECTING, UP]


async def test_all_four_tables() -> None:
    """Coils, discrete inputs, holding and input registers each with their own function."""
    served = {1: [0, 1, 1], 2: [1, 0, 1], 3: [0x0102, 0x0304], 4: [9, 60, 0]}

    async def answer(request: Request) -> bytes:
        values = served[request.function][request.address : request.address + request.count]
        if request.function > 2:
            return request.reply(values)
        bits = sum(bit << i for i, bit in enumerate(values))
        return request.frame(bytes([request.function, 1, bits]))

    def at(table: Table, address: int, encoding: Encoding) -> RolePlace:
        return RolePlace(table=table, address=address, type=encoding)

    roles = {
        Role.IGNITION_SEEN: at(Table.COIL, 1, Encoding.BOOL),
        Role.ALIVE: at(Table.DISCRETE, 2, Encoding.BOOL),
        Role.STREAM: at(Table.HOLDING, 0, Encoding.UINT32),
        Role.CYCLE_NUMBER: at(Table.INPUT, 0, Encoding.UINT16),
        Role.FLASH_POINT: at(Table.INPUT, 1, Encoding.UINT16),
    }
    register_map = analyzer_map().model_copy(update={"roles": roles})
    async with scripted(answer) as peer, running(analyzer(peer.port), register_map) as got:
        await until(lambda: got.scans)
        assert got.scans[0].live == {
            Role.IGNITION_SEEN: True,
            Role.ALIVE: True,
            Role.STREAM: 0x01020304,
            Role.CYCLE_NUMBER: 9,
            Role.FLASH_POINT: 60,
        }


@pytest.mark.parametrize("stage", ["reply", "backoff", "idle", "receiver"])
async def test_cancel_ends_the_link_at_once(stage: str) -> None:
    """Whatever it waits for (`running` asserts the 100 ms)."""
    image = AnalyzerImage(7)
    slow = {"timeout_s": 60, "retries": 5, "backoff_first_s": 60, "backoff_max_s": 60, "poll_s": 60}
    match stage:
        case "reply":
            async with scripted(never) as peer, running(analyzer(peer.port, **slow)):
                await until(lambda: peer.requests)
        case "backoff":
            async with running(analyzer(free_port(), **slow)) as got:
                await until(lambda: DOWN in got.states)
        case "idle":
            async with device(image) as dev, running(analyzer(dev.port, **slow)) as got:
                await until(lambda: got.scans)
        case "receiver":
            receiver = Receiver()

            async def stuck(_: Scan) -> None:
                await asyncio.Event().wait()

            receiver.on_scan = stuck
            async with (
                device(image) as dev,
                running(analyzer(dev.port, **slow), receiver=receiver) as got,
            ):
                await until(lambda: got.scans)


async def test_cancel_at_any_moment() -> None:
    """A cancel that meets an answer or a connect in the same turn of the loop is not lost."""
    image = AnalyzerImage(7)
    async with device(image) as dev:
        for turns in range(0, 300, 4):
            link = ModbusLink(analyzer(dev.port, poll_s=0.01), analyzer_map(), None, SYSTEM_CLOCK)
            receiver = Receiver()
            task = asyncio.create_task(link.run(receiver.take, receiver.state))
            for _ in range(turns):
                await asyncio.sleep(0)
            task.cancel()
            assert await turns_to_end(task) <= 10
            assert task.cancelled()


async def test_slow_receiver_misses_slots_without_a_burst() -> None:
    """After five periods in the receiver, polls go on at the old pace, on the old grid."""
    image = AnalyzerImage(7)
    receiver = Receiver()
    period_s = 0.1

    async def now_and_then_slow(_: Scan) -> None:
        if len(receiver.scans) == 3:
            await asyncio.sleep(5 * period_s)

    receiver.on_scan = now_and_then_slow
    known = Mark(7, image.history[-1][1])
    async with device(image) as dev:
        settings = analyzer(dev.port, poll_s=period_s)
        async with running(settings, known=known, receiver=receiver) as got:
            await until(lambda: len(got.scans) >= 8)
    # Eight polls are seven periods apart; the missed ones come on top, or they were made up for.
    elapsed_s = got.scans[7].taken_mono_s - got.scans[0].taken_mono_s
    assert elapsed_s >= (7 + 4) * period_s - 0.02


async def test_a_failing_receiver_ends_the_run() -> None:
    """Its error is not the link's: it reaches the supervisor, and the socket is closed."""
    receiver = Receiver()

    async def fail(_: Scan) -> None:
        raise RuntimeError("journal is full")

    receiver.on_scan = fail
    async with device(AnalyzerImage(7)) as dev:
        link = ModbusLink(analyzer(dev.port), analyzer_map(), None, SYSTEM_CLOCK)
        with pytest.raises(RuntimeError, match="journal is full"):
            await link.run(receiver.take, receiver.state)


async def test_many_failures_leave_nothing_behind() -> None:
    """Open files and tasks stay level over many reconnects, and the log stays empty."""

    async def hang_up(_: Request) -> bytes:
        raise HangupError

    def open_files() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    async with scripted(hang_up) as peer:
        settings = analyzer(peer.port, backoff_first_s=0.01, backoff_max_s=0.01)
        async with running(settings) as got:
            await until(lambda: peer.connections >= 50)
            files, tasks = open_files(), len(asyncio.all_tasks())
            await until(lambda: peer.connections >= 400, timeout_s=30)
            assert open_files() <= files + 4
            assert len(asyncio.all_tasks()) <= tasks + 4
        assert got.states == [LinkState.CONNECTING, DOWN]

"""A shared line against simulated slaves: good ones, dead ones, late ones, and a bad wire.

Every register of a slave holds a word that names the slave and the register, so that a value under
another tag shows.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from edgeflash.config.register_map import Table
from edgeflash.config.site import Line as LineSettings
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.line import Line
from edgeflash.links.line_unit import LineUnit
from edgeflash.service import SYSTEM_CLOCK
from simulators.errors import UnmappedAddressError
from simulators.serial_face import Heard, Pieces, SerialFace, framed, properly
from tests.waiting import until

WAIT_S = 30.0
UNITS = (1, 2, 3)
DEAD = (8, 9)


def word(unit: int, address: int) -> int:
    """What a slave holds: unit and register in one word."""
    return unit << 12 | address


class Slave:
    """Registers 0 to 4000 that name themselves."""

    def __init__(self, unit: int) -> None:
        self._unit = unit

    def read(self, table: str, address: int, count: int) -> Sequence[int]:
        if address + count > 4000:
            raise UnmappedAddressError(table, address, count)
        return [word(self._unit, at) for at in range(address, address + count)]


class Bench:
    """A line at work, its slaves, and a unit of it for each."""

    def __init__(self, face: SerialFace, line: Line, device: Path) -> None:
        self.face, self.line, self.device = face, line, device
        self.task = asyncio.create_task(line.run())
        self.notes = {unit: LinkDiagnostics() for unit in (*UNITS, *DEAD)}
        self.units: dict[int, LineUnit] = {u: line.unit(u, n) for u, n in self.notes.items()}

    async def read(self, unit: int, address: int, count: int = 3) -> list[int]:
        """A read, checked: the values are those asked for, whatever happened before."""
        words = await self.units[unit].read(Table.HOLDING, address, count)
        assert words == [word(unit, at) for at in range(address, address + count)]
        return words

    async def fails(self, unit: int, address: int = 0, count: int = 3) -> LinkError:
        with pytest.raises(LinkError) as caught:
            await self.read(unit, address, count)
        return caught.value


@asynccontextmanager
async def bench(
    folder: Path, way: str = "device", echo: bool = False, **more: Any
) -> AsyncIterator[Bench]:
    """A line over a pseudo terminal ("device") or a serial server on TCP ("host")."""
    face = SerialFace({unit: Slave(unit) for unit in UNITS}, echo=more.pop("wire_echo", echo))
    device = folder / "line"
    settings: dict[str, Any] = {"id": "test", "retries": 0, "timeout_s": 5.0, "late_s": 0.05}
    if way == "device":
        face.open_terminal(device)
        settings |= {"device": str(device), "baud": 115_200}
    else:
        settings |= {"host": "127.0.0.1", "port": await face.listen(), "framing": "rtu"}
    opening_s = more.pop("opening_s", 0.0)  # nobody had this line before
    line = Line(LineSettings(**(settings | {"echo": echo} | more)), SYSTEM_CLOCK, opening_s)
    made = Bench(face, line, device)
    try:
        await made.units[1].open()
        yield made
        assert not made.task.done()
    finally:
        made.task.cancel()
        await asyncio.gather(made.task, return_exceptions=True)
        await face.close()
    assert made.task.cancelled()


WAYS = pytest.mark.parametrize("way", ["device", "host"])


@WAYS
@pytest.mark.parametrize("echo", [False, True])
async def test_reads_of_several_units(tmp_path: Path, way: str, echo: bool) -> None:
    """Each unit gives its own registers, from one line, also at the same time."""
    async with bench(tmp_path, way, echo=echo) as line:
        async with asyncio.timeout(WAIT_S):
            for start in range(0, 50, 10):
                await asyncio.gather(*(line.read(unit, start, 100 + unit) for unit in UNITS))
        figures = line.notes[2].figures(SYSTEM_CLOCK.mono_s())
    assert (figures.requests, figures.answers, figures.timeouts, figures.garbled) == (5, 5, 0, 0)
    assert figures.round_trip_p50_ms is not None and figures.round_trips == 5


@WAYS
async def test_a_refusal_is_an_answer(tmp_path: Path, way: str) -> None:
    """An exception comes through as what it is, and is counted by its code."""
    async with bench(tmp_path, way) as line:
        error = await line.fails(1, 4000, 1)
        assert error.fault is LinkFault.ILLEGAL_ADDRESS
        await line.read(1, 5)
        assert line.notes[1].figures(0.0).refusals == ((2, 1),)


@WAYS
@pytest.mark.parametrize("gap", ["none", "each byte", "halves"])
async def test_dribbled_answers(tmp_path: Path, way: str, gap: str) -> None:
    """A reply may come byte by byte: adapters and serial servers cut as they like."""
    async with bench(tmp_path, way) as line:

        def say(heard: Heard) -> Pieces:
            answer = heard.answer
            if gap == "halves":
                return [(0.0, answer[:4]), (0.02, answer[4:])]
            return [(0.001 if gap == "each byte" else 0.0, bytes([b])) for b in answer]

        line.face.say = say
        for unit in UNITS:
            await line.read(unit, 7)


def _noise(heard: Heard) -> Pieces:
    return [(0.0, b"\x00\xff" + heard.answer + b"\x00")]


def _wrong_sum(heard: Heard) -> Pieces:
    return [(0.0, heard.answer[:-1] + bytes([heard.answer[-1] ^ 1]))]


def _cut(heard: Heard) -> Pieces:
    return [(0.0, heard.answer[:-3])]


def _wrong_unit(heard: Heard) -> Pieces:
    return [(0.0, framed(bytes([heard.unit + 1]) + heard.answer[1:-2]))]


def _wrong_function(heard: Heard) -> Pieces:
    return [(0.0, framed(bytes([heard.unit, 4]) + heard.answer[2:-2]))]


def _wrong_length(heard: Heard) -> Pieces:
    return [(0.0, framed(bytes([heard.unit, 3, 2]) + heard.answer[3:5]))]


def _twice(heard: Heard) -> Pieces:
    return [(0.0, heard.answer + heard.answer)]


def _silent(_: Heard) -> Pieces:
    return []


BAD = {
    _wrong_sum: LinkFault.BAD_REPLY,
    _cut: LinkFault.BAD_REPLY,
    _wrong_unit: LinkFault.NO_RESPONSE,
    _wrong_function: LinkFault.BAD_REPLY,
    _wrong_length: LinkFault.SHORT_REPLY,
    _twice: LinkFault.BAD_REPLY,
    _silent: LinkFault.NO_RESPONSE,
}


@WAYS
@pytest.mark.parametrize("say", BAD, ids=lambda say: say.__name__)
async def test_a_bad_answer_is_no_value(tmp_path: Path, way: str, say: Any) -> None:
    """It fails as what it is; the next request, to any unit, gives the right value."""
    async with bench(tmp_path, way, timeout_s=0.3) as line:
        line.face.say = say
        error = await line.fails(1, 10)
        assert error.fault is BAD[say]
        line.face.say = properly
        for unit in (2, 1, 3):
            await _until_read(line, unit)
        figures = line.notes[1].figures(0.0)
        assert figures.timeouts + figures.garbled >= 1


async def _until_read(line: Bench, unit: int) -> None:
    """A right value, soon: on a busy machine, a time limit may pass for no fault of the line."""
    async with asyncio.timeout(WAIT_S):
        while True:
            try:
                await line.read(unit, 33)
            except LinkError:
                await asyncio.sleep(0.01)
                continue
            return


async def test_noise_around_an_answer(tmp_path: Path) -> None:
    """The bytes of a turning line do not cost the value."""
    async with bench(tmp_path) as line:
        line.face.say = _noise
        for unit in UNITS:
            await line.read(unit, 4)


async def test_a_lost_request_is_sent_again(tmp_path: Path) -> None:
    """With retries, one lost answer is not seen but in the figures."""
    async with bench(tmp_path, timeout_s=0.3, retries=5) as line:
        await _until_read(line, 1)
        line.notes[1] = line.units[1].diagnostics = LinkDiagnostics()
        line.face.heard.clear()
        line.face.say = lambda heard: properly(heard) if len(line.face.heard) > 1 else []
        await line.read(1, 8)
        figures = line.notes[1].figures(0.0)
        assert figures.retries >= 1 and figures.timeouts == figures.retries
        assert (figures.requests, figures.answers) == (1, 1)


@WAYS
async def test_a_late_answer_never_answers_a_later_request(tmp_path: Path, way: str) -> None:
    """Answers come up to `late_s` after the time limit, of every unit, in a wild mix.

    Each value that is read is of the register asked for: `read` compares. All requests have the
    same shape, so nothing but the silence after a lost request tells them apart.
    """
    rng = random.Random(4)
    async with bench(tmp_path, way, timeout_s=0.1, late_s=0.4, retries=1) as line:

        def say(heard: Heard) -> Pieces:
            return [(rng.choice([0.0, 0.0, 0.02, 0.15, 0.3]), heard.answer)]

        line.face.say = say
        got = dict.fromkeys(UNITS, 0)

        async def ask(unit: int) -> None:
            for address in range(25):
                try:
                    await line.read(unit, 10 * address, 2)
                    got[unit] += 1
                except LinkError:
                    pass

        async with asyncio.timeout(4 * WAIT_S):
            await asyncio.gather(*(ask(unit) for unit in UNITS))
        late = sum(line.notes[unit].figures(0.0).late for unit in UNITS)
    assert late > 5, "the test is about late answers"
    assert min(got.values()) > 5


async def test_a_cancelled_read_leaves_its_answer_to_nobody(tmp_path: Path) -> None:
    """Who gives up a request does not hand its answer to the next one."""
    async with bench(tmp_path) as line:
        line.face.say = lambda heard: [(0.2, heard.answer)]
        given_up = asyncio.create_task(line.read(1, 111))
        await until(lambda: line.face.heard, WAIT_S)
        given_up.cancel()
        await asyncio.gather(given_up, return_exceptions=True)
        assert given_up.cancelled()
        line.face.say = properly
        await line.read(1, 222)
        await line.read(2, 333)


async def test_an_earlier_process_has_asked(tmp_path: Path) -> None:
    """An answer that comes right after the line was opened answers nobody."""
    async with bench(tmp_path, timeout_s=1.0, late_s=0.2, opening_s=None) as line:
        reading = asyncio.create_task(line.read(1, 20))
        line.face.put(framed(bytes([1, 3, 6, 0, 1, 0, 2, 0, 3])))
        await reading
        assert line.notes[1].figures(0.0).late == 1


async def test_an_echo_nobody_told_of_is_said(tmp_path: Path) -> None:
    """The sentence says which key to set; with the key, it reads."""
    async with bench(tmp_path, wire_echo=True) as line:
        error = await line.fails(1)
        assert error.fault is LinkFault.BAD_REPLY
        assert "echo = true" in error.sentence
    async with bench(tmp_path, echo=True, wire_echo=False, timeout_s=0.3) as line:
        assert "hand back" in (await line.fails(1)).sentence


async def test_dead_units_cost_the_others_one_time_limit(tmp_path: Path) -> None:
    """While two units are asked in vain again and again, the others are read all the time.

    Counted, not timed: between two askings of a dead unit, whichever, every other unit had its
    turn, so no poll of theirs meets more than one time limit.
    """
    async with bench(tmp_path, timeout_s=0.1, late_s=0.2, retries=2) as line:

        def asked_dead() -> list[int]:
            return [at for at, heard in enumerate(line.face.heard) if heard.unit in DEAD]

        async def ask_dead(unit: int) -> None:
            while True:
                await line.fails(unit)

        async def poll(unit: int) -> None:
            while len(asked_dead()) < 6:
                with suppress(LinkError):  # a busy machine may pass a time limit
                    await line.read(unit, 10)

        for unit in DEAD:  # until then nobody knows who is dead
            await line.fails(unit)
        line.face.heard.clear()
        dead = [asyncio.create_task(ask_dead(unit)) for unit in DEAD]
        async with asyncio.timeout(4 * WAIT_S):
            await asyncio.gather(*(poll(unit) for unit in UNITS))
        for task in dead:
            task.cancel()
        await asyncio.gather(*dead, return_exceptions=True)
    order = [heard.unit for heard in line.face.heard]
    for before, after in pairwise(asked_dead()):
        between = order[before + 1 : after]
        assert set(between) == set(UNITS), order


async def test_a_long_read_is_interleaved(tmp_path: Path) -> None:
    """A trace of unit 1, many blocks long, does not keep unit 2 waiting for its end."""
    async with bench(tmp_path) as line:

        async def trace() -> None:
            for block in range(40):
                await line.read(1, 100 * block % 3000, 100)

        async def poll() -> None:
            for _ in range(20):
                await line.read(2, 0)

        await asyncio.gather(trace(), poll())
        order = [heard.unit for heard in line.face.heard]
    assert order[:40] == [1, 2] * 20, "turn by turn"


async def test_the_device_vanishes_and_returns(tmp_path: Path) -> None:
    """An adapter pulled out fails what is under way, and is found again under its name."""
    async with bench(tmp_path) as line:
        await line.read(1, 0)
        line.face.say = _silent
        reading = asyncio.create_task(line.fails(1))
        await until(lambda: len(line.face.heard) == 2, WAIT_S)
        line.face.unplug_terminal(line.device)
        assert (await reading).fault is LinkFault.DISCONNECTED
        await until(lambda: line.units[1].is_lost, WAIT_S)
        with pytest.raises(LinkError, match="no such file"):
            await _fails_to_open(line)
        line.face.say = properly
        line.face.open_terminal(line.device)
        await until(lambda: not line.units[1].is_lost, WAIT_S)
        await line.units[1].open()
        await line.read(1, 3)
        assert line.notes[1].figures(0.0).reconnects == 1


async def _fails_to_open(line: Bench) -> None:
    """Opens until the reason is that of a new attempt."""
    async with asyncio.timeout(WAIT_S):
        while True:
            try:
                await line.units[1].open()
            except LinkError as error:
                if error.fault is LinkFault.NOT_CONNECTED:
                    raise
            await asyncio.sleep(0.01)


async def test_a_device_is_opened_for_one_alone(tmp_path: Path) -> None:
    """Two programs on one serial device would take each other's bytes: the second is refused."""
    async with bench(tmp_path) as line:
        settings = LineSettings(id="second", device=str(line.device))
        second = Line(settings, SYSTEM_CLOCK)
        task = asyncio.create_task(second.run())
        try:
            with pytest.raises(LinkError, match="another program has it open"):
                await second.unit(1, LinkDiagnostics()).open()
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        await line.read(1, 0)


async def test_a_line_is_opened_again_by_the_next_process(tmp_path: Path) -> None:
    """What one process set up, another can: also where the device keeps the settings."""
    async with bench(tmp_path) as line:
        await line.read(1, 0)
        settings = line.line._settings
        line.task.cancel()
        await asyncio.gather(line.task, return_exceptions=True)
        second = Line(settings, SYSTEM_CLOCK, 0.0)
        line.task = asyncio.create_task(second.run())
        unit = second.unit(2, LinkDiagnostics())
        await unit.open()
        assert await unit.read(Table.HOLDING, 5, 1) == [word(2, 5)]


async def test_a_dropped_connection_comes_back(tmp_path: Path) -> None:
    """A serial server that restarts is connected again."""
    async with bench(tmp_path, "host") as line:
        await line.read(1, 0)
        line.face.drop_connections()
        await until(lambda: line.face.connections == 2, WAIT_S)
        await until(lambda: not line.units[1].is_lost, WAIT_S)
        await _until_read(line, 1)


async def test_a_mute_connection_is_renewed(tmp_path: Path) -> None:
    """A serial server that went away without a word is noticed by its silence."""
    async with bench(tmp_path, "host", timeout_s=0.1) as line:
        line.face.say = _silent
        async with asyncio.timeout(WAIT_S):
            while line.face.connections < 2:
                await line.fails(1)
                await asyncio.sleep(0.01)


async def test_a_line_is_told_once_for_each_change(tmp_path: Path) -> None:
    """A serial server that accepts and drops again and again is one line in the log; so is its
    return, which is an answer and not a mere connection."""
    with capture_logs() as told:
        async with bench(tmp_path, "host") as line:
            await line.read(1, 0)
            line.face.is_dropping = True
            line.face.drop_connections()
            await until(lambda: line.face.connections >= 4, WAIT_S)
            line.face.is_dropping = False
            await _until_read(line, 1)
    events = [one["event"] for one in told if one.get("line") == "test"]
    assert events == ["line up", "line down", "line up"]


async def test_openings_are_counted_from_the_first(tmp_path: Path) -> None:
    """Whether the analyzer came before the line was open or after, one return is one reconnect."""
    async with bench(tmp_path) as line:
        late = LinkDiagnostics()
        line.line.unit(3, late)
        line.line.unit(3, late)
        line.face.unplug_terminal(line.device)
        await until(lambda: line.units[1].is_lost, WAIT_S)
        line.face.open_terminal(line.device)
        await until(lambda: not line.units[1].is_lost, WAIT_S)
        assert late.figures(0.0).reconnects == line.notes[1].figures(0.0).reconnects == 1


async def test_a_babbling_line_is_said(tmp_path: Path) -> None:
    """A line on which somebody talks without a pause: no request is sent into that."""
    async with bench(tmp_path, quiet_ms=50) as line:
        await line.read(1, 0)
        sent = len(line.face.heard)
        talking = asyncio.create_task(_babble(line.face))
        error = await line.fails(1)
        assert error.fault is LinkFault.BAD_REPLY
        assert "never falls silent" in error.sentence
        assert len(line.face.heard) == sent
        talking.cancel()
        await _until_read(line, 1)


async def _babble(face: SerialFace) -> None:
    while True:
        face.put(b"\x55")
        await asyncio.sleep(0.005)


def _open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


@WAYS
async def test_openings_leave_nothing_behind(
    tmp_path: Path, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Forty losses and returns, each with a read given up: no descriptor, no task stays."""
    monkeypatch.setattr("edgeflash.links.line.REOPEN_MAX_S", 0.002)
    counts = []
    async with bench(tmp_path, way) as line:
        for _ in range(40):
            await until(lambda: not line.units[1].is_lost, WAIT_S, 0.001)
            given_up = asyncio.create_task(line.read(2, 5))
            await _until_read(line, 1)
            given_up.cancel()
            await asyncio.gather(given_up, return_exceptions=True)
            if way == "host":
                connections = line.face.connections
                line.face.drop_connections()
                await until(
                    lambda before=connections: line.face.connections > before, WAIT_S, 0.001
                )
            else:
                line.face.unplug_terminal(line.device)
                await until(lambda: line.units[1].is_lost, WAIT_S, 0.001)
                line.face.open_terminal(line.device)
            counts.append((_open_descriptors(), len(asyncio.all_tasks())))
    assert max(counts[30:]) <= max(counts[:10])

"""Who may do how much: rates, shares, writers by address, units, failures, and no torn block."""

from __future__ import annotations

import asyncio
import random
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from pymodbus.client import AsyncModbusTcpClient

from edgeflash import __version__
from edgeflash.inputs import InputStore
from edgeflash.outlets import ModbusOutlet
from edgeflash.outlets.modbus_image import RegisterImage, empty_images, with_new_views
from edgeflash.outlets.modbus_server import _Connection
from tests.integration.outlets.wire import Wire, frame, request
from tests.unit.outlets.builders import INPUTS, accepted_view, analyzer, modbus, rejected_view
from tests.waiting import until

ANALYZERS = (analyzer("fp-101", 1), analyzer("fp-102", 3))
FAST = 100_000
WAIT_S = 30.0


@asynccontextmanager
async def serving(
    inputs: InputStore | None = None, mono_s: object = lambda: 0.0, **server: object
) -> AsyncIterator[ModbusOutlet]:
    """A running outlet that shows fp-101; by default its clock stands still."""
    outlet = ModbusOutlet(modbus(**server), ANALYZERS, inputs=inputs, mono_s=mono_s)  # type: ignore[arg-type]
    await outlet.start()
    try:
        await outlet.publish([accepted_view()])
        yield outlet
    finally:
        await outlet.stop()


class Wire2(Wire):
    """A client at 127.0.0.2."""

    async def __aenter__(self) -> Wire2:
        self.reader, self.writer = await asyncio.open_connection(
            self._host, self._port, local_addr=("127.0.0.2", 0)
        )
        return self


async def test_over_the_rate_is_busy_and_never_closed() -> None:
    """Five a second: the sixth at once is exception 06, a second later there are five more."""
    now_s = 0.0
    async with (
        serving(mono_s=lambda: now_s, max_requests_per_s=5) as outlet,
        Wire(outlet.port) as wire,
        Wire2(outlet.port) as other,
    ):
        for turn in range(3):
            answers = [await wire.ask(3, 0, 1) for _ in range(8)]
            assert [pdu[0] for pdu in answers] == [3] * 5 + [0x83] * 3
            assert answers[5] == b"\x83\x06"
            assert outlet.refused_busy == 3 * (turn + 1)
            assert (await other.ask(3, 0, 1))[0] == 3, "each address has its own"
            now_s += 1.0
        for _ in range(5):
            await wire.ask(3, 0, 1)
        # Whatever is asked: the rate comes before anything else.
        assert await wire.ask(99, 0, 1) == bytes((99 | 0x80, 6))
        assert outlet.connections == 2


async def test_connections_of_one_address_share_its_rate() -> None:
    """A second connection, or a new one, does not bring new requests."""
    async with serving(max_requests_per_s=4) as outlet:
        async with Wire(outlet.port) as first, Wire(outlet.port) as second:
            seen = [(await wire.ask(4, 0, 1))[0] for wire in (first, second) * 3]
        assert seen == [4, 4, 4, 4, 0x84, 0x84]
        async with Wire(outlet.port) as third:
            assert (await third.ask(4, 0, 1)) == b"\x84\x06"


async def test_a_flood_is_answered_whole_and_the_neighbour_too() -> None:
    """3000 requests at once: each gets an answer, most of them "busy", in order."""
    async with (
        serving(max_requests_per_s=100) as outlet,
        Wire(outlet.port) as flood,
        Wire2(outlet.port) as good,
    ):
        flood.send(b"".join(request(n, 3, 0, 1) for n in range(3000)))
        for n in range(3000):
            transaction, pdu = await flood.answer()
            assert transaction == n
            assert (pdu == b"\x83\x06") is (n >= 100)
            if n % 300 == 0:
                assert (await good.ask(3, 0, 2))[2:] == struct.pack(">f", 62.5)


async def test_a_share_of_the_connections() -> None:
    """Two of one address, whatever is free; another address gets in."""
    async with serving(max_connections=8, max_connections_per_client=2) as outlet:
        async with Wire(outlet.port) as first, Wire(outlet.port) as second:
            assert (await first.ask(3, 0, 1))[0] == (await second.ask(3, 0, 1))[0] == 3
            async with Wire(outlet.port) as third:
                assert await third.is_closed()
            assert outlet.refused == 1
            async with Wire2(outlet.port) as other:
                assert (await other.ask(3, 0, 1))[0] == 3
        await until(lambda: outlet.connections == 0, timeout_s=WAIT_S)
        async with Wire(outlet.port) as again:
            assert (await again.ask(3, 0, 1))[0] == 3


class Far(asyncio.Transport):
    """A connection from an address that this machine does not have. requests: what is sent over it;
    answers: what came back."""

    def __init__(self, outlet: ModbusOutlet, address: str) -> None:
        super().__init__({"peername": (address, 50_000, 0, 0)})
        self.is_aborted = False
        self.answers: list[bytes] = []
        self._protocol = _Connection(outlet)
        self._protocol.connection_made(self)

    def ask(self, request: bytes) -> None:
        """Sends a request, as the network would hand it over."""
        self._protocol.get_buffer(-1)[: len(request)] = request
        self._protocol.buffer_updated(len(request))

    def write(self, data: object) -> None:
        """Keeps an answer."""
        assert isinstance(data, bytes)
        self.answers.append(data)

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        """Nothing is ever full."""

    def pause_reading(self) -> None:
        """Nothing comes by itself."""

    def abort(self) -> None:
        """Gone at once."""
        self.is_aborted = True
        self._protocol.connection_lost(None)

    close = abort


async def test_a_machine_with_many_ipv6_addresses_is_one_client() -> None:
    """It can choose among 2**64 of them (RFC 4291, 2.5.4): shares and rates go by the network."""
    async with serving(
        max_connections=8, max_connections_per_client=2, max_requests_per_s=3
    ) as outlet:
        same = [Far(outlet, f"2001:db8:1:2::{number}") for number in (1, 2, 3)]
        other = Far(outlet, "2001:db8:1:3::1")
        assert [one.is_aborted for one in (*same, other)] == [False, False, True, False]
        for number in range(2):
            for one in (*same[:2], other):
                one.ask(request(number, 3, 0, 1))
        assert [answer[7] for one in same[:2] for answer in one.answers] == [3, 3, 3, 0x83]
        assert [answer[7] for answer in other.answers] == [3, 3]
        for one in (*same[:2], other):
            one.abort()


def write(number: float, place: int = 1) -> bytes:
    """Function 16 of an input's value."""
    address = 50_000 + 4 * (place - 1)
    return struct.pack(">BHHB", 16, address, 2, 4) + struct.pack(">f", number)


async def test_only_named_addresses_write() -> None:
    """127.0.0.2 may write, 127.0.0.1 may read only: its writes are an illegal function."""
    store = InputStore(INPUTS)
    async with (
        serving(store, accept_inputs=True, allow_inputs=["127.0.0.2"]) as outlet,
        Wire(outlet.port) as reader,
        Wire2(outlet.port) as writer,
    ):
        for wire, expected in ((reader, "9001"), (writer, "10C3500002"), (reader, "9001")):
            wire.send(frame(5, write(150.0)))
            assert (await wire.answer())[1] == bytes.fromhex(expected)
        reader.send(frame(6, bytes.fromhex("06C3520001")))
        assert (await reader.answer())[1] == b"\x86\x01"
        assert (await reader.ask(3, 50_000, 2))[2:] == struct.pack(">f", 150.0)
        written = store.written("t10")
        assert written is not None
        assert written.source == "modbus 127.0.0.2"


async def test_without_a_list_of_writers_every_reader_writes() -> None:
    """As before there was a list."""
    async with serving(InputStore(INPUTS), accept_inputs=True) as outlet, Wire(outlet.port) as wire:
        wire.send(frame(5, write(150.0)))
        assert (await wire.answer())[1] == bytes.fromhex("10C3500002")


async def ask_unit(wire: Wire, unit: int, function: int, first: int, second: int) -> bytes:
    """The answer of one unit, in whose name it must come."""
    wire.send(request(9, function, first, second, unit))
    async with asyncio.timeout(WAIT_S):
        head = await wire.reader.readexactly(7)
        assert head[6] == unit
        return await wire.reader.readexactly(int.from_bytes(head[4:6], "big") - 1)


async def test_a_unit_for_each_analyzer() -> None:
    """Units 1 and 3 are the analyzers, 0 and 255 the gateway, all others exception 0B."""
    store = InputStore(INPUTS)
    how = {"unit_ids": "per_analyzer", "accept_inputs": True, "max_requests_per_s": FAST}
    async with serving(store, **how) as outlet, Wire(outlet.port) as wire:
        await outlet.publish([accepted_view("fp-102", 48.25)])
        for unit, value in ((1, 62.5), (3, 48.25)):
            assert (await ask_unit(wire, unit, 3, 0, 2))[2:] == struct.pack(">f", value)
            tenths = await ask_unit(wire, unit, 4, 1000, 1)
            assert tenths[2:] == struct.pack(">h", round(value * 10))
            swapped = await ask_unit(wire, unit, 4, 2600, 2)
            assert swapped[2:] == struct.pack("<f", value)
            assert (await ask_unit(wire, unit, 3, 200, 1)) == b"\x83\x02"
            assert (await ask_unit(wire, unit, 2, 144, 1))[2:] == b"\x01"
            assert (await ask_unit(wire, unit, 1, 200, 1)) == b"\x81\x02"
        for unit in range(256):
            answer = await ask_unit(wire, unit, 3, 65_002, 2)
            if unit in (0, 1, 3, 255):
                assert answer[2:] == struct.pack(">f", 123.456)
            else:
                assert answer == b"\x83\x0b"
        for unit in (0, 255):
            assert await ask_unit(wire, unit, 3, 0, 1) == b"\x83\x02"
            assert await ask_unit(wire, unit, 2, 0, 1) == b"\x82\x02"
        wire.send(frame(1, write(150.0), unit=2))
        assert (await wire.answer())[1] == b"\x90\x0b"
        assert store.written("t10") is None
        wire.send(frame(1, write(150.0), unit=3))
        assert (await wire.answer())[1][0] == 16


async def test_every_unit_is_the_same_by_default() -> None:
    """All 256, with every block."""
    async with serving(max_requests_per_s=FAST) as outlet, Wire(outlet.port) as wire:
        for unit in range(256):
            assert (await ask_unit(wire, unit, 3, 0, 2))[2:] == struct.pack(">f", 62.5)
        assert (await ask_unit(wire, 77, 3, 40_000, 1))[2:] == struct.pack(">h", 625)


@pytest.mark.parametrize("unit_ids", ["any", "per_analyzer"])
@pytest.mark.parametrize("accepts", [True, False])
async def test_all_127_function_codes(unit_ids: str, accepts: bool) -> None:
    """1 to 4 give data, 6 and 16 only where inputs are accepted, all others exception 01.

    Function 43 without its type 14 is an illegal function too; with it, see below.
    """
    store = InputStore(INPUTS)
    how = {"unit_ids": unit_ids, "accept_inputs": accepts, "max_requests_per_s": FAST}
    async with serving(store, **how) as outlet, Wire(outlet.port) as wire:
        for function in range(1, 128):
            pdu = await wire.ask(function, 0, 1)
            if function <= 4:
                assert pdu[0] == function
            elif function == 6 and accepts:
                assert pdu == b"\x86\x02"  # a point cannot be written
            elif function == 16 and accepts:
                assert pdu == b"\x90\x03"  # too short for a write of several
            else:
                assert pdu == bytes((function | 0x80, 1))


REFUSED = {
    "restart communications": "0800010000",
    "force listen only": "0800040000",
    "return query data": "08000012 34",
    "write one coil": "05C350FF00",
    "write coils": "0FC350000801FF",
    "mask write": "16C350FFFF0000",
    "write and read": "17C3500002C35000020442160000",
    "read exception status": "07",
    "report server id": "11",
    "read file record": "1407060004000100 02",
}


@pytest.mark.parametrize("pdu", REFUSED.values(), ids=REFUSED)
async def test_refused_on_purpose(pdu: str) -> None:
    """Exception 01, nothing is written, and the server still answers."""
    store = InputStore(INPUTS)
    async with serving(store, accept_inputs=True) as outlet, Wire(outlet.port) as wire:
        sent = bytes.fromhex(pdu)
        wire.send(frame(3, sent))
        assert (await wire.answer())[1] == bytes((sent[0] | 0x80, 1))
        assert store.written("t10") is None
        assert (await wire.ask(3, 0, 1))[0] == 3


async def test_pymodbus_reads_the_identification() -> None:
    """An independent client gets name and version."""
    async with serving() as outlet:
        client = AsyncModbusTcpClient("127.0.0.1", port=outlet.port, timeout=WAIT_S, retries=0)
        assert await client.connect()
        try:
            read = await client.read_device_information(read_code=2, object_id=0)
            assert read.information[0] == b"edgeflash"
            assert read.information[2] == __version__.encode()
        finally:
            client.close()


class BrokenStore(InputStore):
    """Inputs that fail when they are written, as a full memory would make them."""

    def write(self, *_: object, **__: object) -> None:
        raise MemoryError("no room")


async def test_a_failure_while_answering_is_exception_04() -> None:
    """The client is told, the connection and everyone else go on."""
    async with (
        serving(BrokenStore(INPUTS), accept_inputs=True) as outlet,
        Wire(outlet.port) as wire,
    ):
        for _ in range(3):
            wire.send(frame(8, write(150.0)))
            assert (await wire.answer())[1] == b"\x90\x04"
        assert (await wire.ask(3, 0, 2))[2:] == struct.pack(">f", 62.5)


@pytest.mark.parametrize("unit_ids", ["any", "per_analyzer"])
async def test_no_answer_of_any_block_mixes_two_publishes(unit_ids: str) -> None:
    """Floats, integers, each order and bits: an answer is whole out of one view or the other."""
    server = modbus(unit_ids=unit_ids, order="cdab", max_requests_per_s=FAST)
    numbers = {one.id: one.number for one in ANALYZERS}
    views = [
        [accepted_view(name, value, number) for name in numbers]
        for value, number in ((41.25, 1111), (88.875, 4444))
    ]
    views.append([rejected_view(held=False), accepted_view("fp-102", 52.5, 7777)])
    images = [
        with_new_views(empty_images(numbers.values(), server), each, numbers, server)
        for each in views
    ]
    outlet = ModbusOutlet(server, ANALYZERS)
    await outlet.start()
    stopped = asyncio.Event()

    async def publish() -> None:
        # By chance: in turn, they would keep step with the requests.
        which = random.Random(62)
        while not stopped.is_set():
            await outlet.publish(which.choice(views))
            await asyncio.sleep(0)

    chance = random.Random(20310405)
    starts = [0, 40_000, 52_000, 52_200, 52_400, 52_600] if unit_ids == "any" else []
    starts = starts or [0, 1000, 1200, 2000, 2200, 2400, 2600]
    await outlet.publish(views[0])
    task = asyncio.create_task(publish())
    seen: set[tuple[int, int]] = set()
    try:
        async with Wire(outlet.port) as wire:
            for _ in range(600):
                of_bits = chance.random() < 0.2
                start = 0 if of_bits else chance.choice(starts)
                count = 200 if of_bits else chance.randrange(60, 126)
                pdu = await ask_unit(wire, 1, 2 if of_bits else 3, start, count)

                def whole(image: RegisterImage | None) -> bytes | None:
                    assert image is not None
                    read = image.bits if of_bits else image.registers  # noqa: B023
                    return read(start, count)  # noqa: B023

                of = [n for n, each in enumerate(images) if whole(each.of(1)) == pdu[2:]]
                assert of, f"{start}, {count}: of no single view"
                seen.add((start, of[0]))
    finally:
        stopped.set()
        await task
        await outlet.stop()
    assert {view for _, view in seen} == {0, 1, 2}, "all views were met while they changed"

"""Two independent Modbus stacks read every kind of block and see every exception.

Peers: libmodbus in C (ask_modbus.c), modbus-serial in JavaScript (ask_modbus.js). Both print what
they make of the same steps; what is expected comes from struct and from the protocol (V1.1b3, 6 and
7; from memory). 123.456 in single precision is 42 F6 E9 79 (IEEE 754).
"""

from __future__ import annotations

import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from edgeflash import __version__
from edgeflash.config.register_map import Order
from edgeflash.inputs import InputStore
from edgeflash.outlets import ModbusOutlet
from edgeflash.points import CATALOGUE
from tests.peers.programs import MODBUS_SERIAL, node_modules
from tests.peers.running import HERE, compiled, output_of
from tests.unit.outlets import builders

ANALYZERS = (builders.analyzer("fp-101", 1), builders.analyzer("fp-203", 3))
POINTS = {point.name: point for point in CATALOGUE}
VALUE_C = 123.456
TENTHS, THOUSANDTHS = 1235, 123_456


@pytest.fixture(scope="module")
def ask_modbus(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The libmodbus client."""
    return compiled("ask_modbus.c", tmp_path_factory.mktemp("libmodbus"))


PEERS = [
    pytest.param("libmodbus", marks=pytest.mark.peer("gcc", "libmodbus")),
    pytest.param("modbus-serial", marks=pytest.mark.peer("node", "modbus-serial")),
]


class BrokenStore(InputStore):
    """Inputs that fail when they are written."""

    def write(self, *_: object, **__: object) -> None:
        raise MemoryError("no room")


@asynccontextmanager
async def serving(store: InputStore | None = None, **server: object) -> AsyncIterator[ModbusOutlet]:
    """An outlet that shows a good value of both analyzers; its clock stands still."""
    outlet = ModbusOutlet(
        builders.modbus(**server),
        ANALYZERS,
        inputs=store or InputStore(builders.INPUTS),
        mono_s=lambda: 0.0,
    )
    await outlet.start()
    try:
        await outlet.publish(
            [builders.accepted_view(), builders.accepted_view("fp-203", VALUE_C, 70_000)]
        )
        yield outlet
    finally:
        await outlet.stop()


async def asked(
    peer: str, outlet: ModbusOutlet, steps: list[str], request: pytest.FixtureRequest
) -> list[str]:
    """The lines that a peer prints of these steps."""
    where = ["127.0.0.1", str(outlet.port)]
    if peer == "libmodbus":
        program = request.getfixturevalue("ask_modbus")
        return (await output_of(program, *where, *steps)).splitlines()
    patch = request.getfixturevalue("monkeypatch")
    patch.setenv("NODE_PATH", str(node_modules(MODBUS_SERIAL)))
    script = str(HERE / "ask_modbus.js")
    return (await output_of("node", script, *where, *steps)).splitlines()


def words(raw: bytes) -> str:
    """Registers as both peers print them."""
    return "words " + " ".join(f"{word:04X}" for word in struct.unpack(f">{len(raw) // 2}H", raw))


def sent(big_endian: bytes, order: Order) -> bytes:
    """A number of whole registers in an order."""
    parts = [big_endian[i : i + 2] for i in range(0, len(big_endian), 2)]
    if order in (Order.CDAB, Order.DCBA):
        parts.reverse()
    if order in (Order.BADC, Order.DCBA):
        parts = [part[::-1] for part in parts]
    return b"".join(parts)


@pytest.mark.parametrize("peer", PEERS)
@pytest.mark.parametrize("order", Order)
async def test_every_block(peer: str, order: Order, request: pytest.FixtureRequest) -> None:
    """Analyzer 3: its value in the server's order, in each order, as int16 and int32, as bits."""
    f32, i32 = struct.pack(">f", VALUE_C), struct.pack(">i", THOUSANDTHS)
    number = struct.pack(">I", 70_000)
    seconds = struct.pack(">I", int(builders.START.timestamp()))
    parts = struct.pack(">7H", 2031, 4, 5, 6, 7, 8, 901)
    expected = {
        "3,400,2": words(sent(f32, order)),
        "4,400,2": words(sent(f32, order)),
        "3,406,2": words(sent(number, order)),
        # integers of analyzer 3 begin at 40 000 + 2 × 400
        "3,40800,1": words(struct.pack(">h", TENTHS)),
        "4,41000,2": words(sent(i32, order)),
        "3,40806,1": words(b"\x80\x00"),  # 70 000 does not fit
        "3,41006,2": words(sent(number, order)),
        "3,41012,3": words(sent(seconds, order) + struct.pack(">H", 901)),
        "3,41160,7": words(parts),
        # status word: good and link up, and no alarm known, so these warn
        "3,519,1": words(struct.pack(">H", 1 << 0 | 1 << 4 | 1 << 9 | 1 << 10)),
        "2,544,11": "bits 10001000011",
        "1,544,11": "bits 10001000011",
        "2,405,1": "bits 0",
        "3,65160,2": words(struct.pack(">Hh", 0x1234, -12_345)),
        "3,65162,2": words(sent(f32, order)),
        "3,65166,2": words(sent(struct.pack(">i", -123_456_789), order)),
    }
    for place, each in enumerate(Order):
        # the block of analyzer 3 in each order begins at 52 000 + 2 × 800
        expected[f"3,{53_600 + 200 * place},2"] = words(sent(f32, each))
        expected[f"4,{53_606 + 200 * place},2"] = words(sent(number, each))
        expected[f"3,{65_002 + 40 * place},2"] = words(sent(f32, each))
    async with serving(order=order) as outlet:
        assert await asked(peer, outlet, list(expected), request) == list(expected.values())


@pytest.mark.parametrize("peer", PEERS)
async def test_units(peer: str, request: pytest.FixtureRequest) -> None:
    """Each analyzer at 0 of its unit; exception 11 for a unit that is none."""
    f32 = struct.pack(">f", VALUE_C)
    async with serving(unit_ids="per_analyzer", order="badc") as outlet:
        steps = ["unit,3", "3,0,2", "4,1000,1", "3,2000,2", "3,2600,2", "2,144,2", "3,200,1"]
        steps += ["unit,1", "3,2000,2", "unit,2", "3,0,2", "1,0,1", "6,50000,1"]
        lines = await asked(peer, outlet, steps, request)
    assert lines == [
        words(sent(f32, Order.BADC)),
        words(struct.pack(">h", TENTHS)),
        words(f32),
        words(f32[::-1]),
        "bits 10",
        "exception 2",
        words(struct.pack(">f", 62.5)),
        *["exception 11"] * 3,
    ]


@pytest.mark.parametrize("peer", PEERS)
async def test_exceptions_1_to_3(peer: str, request: pytest.FixtureRequest) -> None:
    """Function, address and value, and that the connection outlives them all."""
    steps = {
        "3,200,1": "exception 2",  # analyzer 2 is not there
        "4,40400,1": "exception 2",
        "3,49999,2": "exception 2",
        "3,65200,1": "exception 2",
        "2,65000,1": "exception 2",
        "3,50012,1": "exception 2",  # input 4 is not declared
        "16,50000,4354": "exception 2",  # half a value
        "16,0,4354,C000": "exception 2",
        "6,50003,0001": "exception 2",  # the age
        "6,50002,0001": "ok",
        "16,50000,4354,C000,0000": "ok",
        "3,50000,3": "words 4354 C000 0000",
    }
    more: dict[str, str]
    if peer == "libmodbus":
        more = {
            "raw,030000007E": "exception 3",
            "raw,0400000000": "exception 3",
            "raw,01000007D1": "exception 3",
            "raw,10C35000020343540000": "exception 3",
            "raw,050000FF00": "exception 1",
            "raw,07": "exception 1",
            "raw,0800000000": "exception 1",
            "raw,0F00000008010F": "exception 1",
            "raw,11": "exception 1",
            "raw,16C350FFFF0000": "exception 1",
            "raw,17000000010000000102ABCD": "exception 1",
            "raw,2B0D0100": "exception 1",
            "raw,2B0E0403": "exception 2",
            "raw,2B0E0500": "exception 3",
        }
    else:
        more = {
            "3,0,126": "exception 3",
            "1,0,2001": "exception 3",
            "5,0": "exception 1",
            "15,0": "exception 1",
            "22,50000,FFFF,0000": "exception 1",
            "43,1,0": f"objects 0=edgeflash; 1=edgeflash; 2={__version__}",
            "43,4,3": "exception 2",
            "43,5,0": "exception 3",
        }
    steps |= more
    steps |= {"3,0,2": words(struct.pack(">f", 62.5))}
    async with serving(accept_inputs=True) as outlet:
        assert await asked(peer, outlet, list(steps), request) == list(steps.values())


@pytest.mark.parametrize("peer", PEERS)
async def test_writes_where_nothing_is_accepted(peer: str, request: pytest.FixtureRequest) -> None:
    """Exception 1, by the site file or because the address is not among the writers."""
    steps = ["6,50002,0001", "16,50000,4354,C000", "6,0,0001", "16,65000,0001"]
    for how in ({}, {"accept_inputs": True, "allow_inputs": ["192.0.2.1"]}):
        async with serving(**how) as outlet:
            assert await asked(peer, outlet, steps, request) == ["exception 1"] * 4


@pytest.mark.parametrize("peer", PEERS)
async def test_failure_and_busy(peer: str, request: pytest.FixtureRequest) -> None:
    """4 while the gateway fails to take a value, 6 over the rate; then it still answers."""
    async with serving(BrokenStore(builders.INPUTS), accept_inputs=True) as outlet:
        steps = ["16,50000,4354,C000", "3,0,2"]
        value = words(struct.pack(">f", 62.5))
        assert await asked(peer, outlet, steps, request) == ["exception 4", value]
    async with serving(max_requests_per_s=3) as outlet:
        lines = await asked(peer, outlet, ["3,0,2"] * 5, request)
        assert lines == [value] * 3 + ["exception 6"] * 2


@pytest.mark.peer("mbpoll")
async def test_mbpoll_reads_scaled_integers_and_bits() -> None:
    """A third program: int16, int32 in big-endian words, and a discrete input."""
    async with serving() as outlet:
        how = ["-m", "tcp", "-0", "-1", "-o", "10", "-p", str(outlet.port)]
        found = []
        for kind, address in ((["-t", "4"], 40_800), (["-t", "4:int", "-B"], 41_000)):
            printed = await output_of("mbpoll", *how, *kind, "-r", str(address), "127.0.0.1")
            found += [line.split()[-1] for line in printed.splitlines() if line.startswith("[")]
        bit = await output_of("mbpoll", *how, "-t", "1", "-r", "544", "127.0.0.1")
        found += [line.split()[-1] for line in bit.splitlines() if line.startswith("[")]
    assert found == [str(TENTHS), str(THOUSANDTHS), "1"]

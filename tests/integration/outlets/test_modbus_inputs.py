"""Inputs on the wire: written by pymodbus's client, and held against pymodbus's server.

The differential covers the writes that ours takes: what it refuses (half a value, the age), a plain
store of registers takes, so there the protocol's text decides; see test_modbus_inputs of the unit
tests.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from edgeflash.config.register_map import Order
from edgeflash.inputs import InputStore
from edgeflash.outlets import ModbusOutlet
from edgeflash.trust import Trust
from tests.integration.outlets.wire import Wire
from tests.unit.outlets.builders import INPUTS, accepted_view, analyzer, modbus

BASE = 50_000


@asynccontextmanager
async def serving(store: InputStore, **server: object) -> AsyncIterator[ModbusOutlet]:
    """A running outlet of one analyzer and the inputs; its clock of the ages stands at 0."""
    outlet = ModbusOutlet(
        modbus(**server), (analyzer("fp-101", 1),), inputs=store, mono_s=lambda: 0.0
    )
    await outlet.start()
    try:
        yield outlet
    finally:
        await outlet.stop()


@asynccontextmanager
async def client_of(port: int) -> AsyncIterator[AsyncModbusTcpClient]:
    """A connected pymodbus client."""
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=5, retries=0)
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


@pytest.mark.parametrize(("order", "word_order"), [(Order.ABCD, "big"), (Order.CDAB, "little")])
async def test_pymodbus_writes_and_reads_back(order: Order, word_order: str) -> None:
    """Value, then quality, by an independent client, in both word orders it knows."""
    store = InputStore(INPUTS)
    async with (
        serving(store, order=order, accept_inputs=True) as outlet,
        client_of(outlet.port) as client,
    ):
        kinds = client.DATATYPE
        words = client.convert_to_registers(212.75, kinds.FLOAT32, word_order=word_order)
        assert not (await client.write_registers(BASE, words)).isError()
        assert not (await client.write_register(BASE + 2, 1)).isError()
        back = (await client.read_holding_registers(BASE, count=4)).registers
    value = client.convert_from_registers(back[:2], kinds.FLOAT32, word_order=word_order)
    assert (value, back[2:]) == (212.75, [1, 0])
    written = store.written("t10")
    assert written is not None
    assert (written.value, written.trust) == (212.75, Trust.UNCERTAIN)
    assert written.source == "modbus 127.0.0.1"


async def test_refusals_reach_the_client() -> None:
    """Half a value: exception 2. A server that does not accept inputs: exception 1."""
    store = InputStore(INPUTS)
    for accept, code in ((True, 2), (False, 1)):
        async with (
            serving(store, accept_inputs=accept) as outlet,
            client_of(outlet.port) as client,
        ):
            answer = await client.write_register(BASE, 1)
            assert answer.isError()
            assert answer.exception_code == code
    assert store.written("t10") is None


async def test_a_write_is_seen_by_the_next_request_and_by_every_server() -> None:
    """Pipelined in one stream, and on a second server with another order."""
    store = InputStore(INPUTS)
    async with (
        serving(store, accept_inputs=True) as one,
        serving(store, order=Order.DCBA) as other,
        Wire(one.port) as writer,
        Wire(other.port) as reader,
    ):
        await one.publish([accepted_view()])
        for value in (110.0, 120.0, 130.0):
            data = struct.pack(">f", value)
            pdu = struct.pack(">BHHB", 16, BASE, 2, 4) + data
            head = struct.pack(">HHHB", 1, 0, len(pdu) + 1, 1)
            read = struct.pack(">HHHBBHH", 2, 0, 6, 1, 3, BASE, 3)
            writer.send(head + pdu + read)
            assert await writer.answer() == (1, pdu[:5])
            assert await writer.answer() == (2, b"\x03\x06" + data + b"\x00\x00")
            assert await reader.ask(3, BASE, 2) == b"\x03\x04" + data[::-1]
        assert await writer.ask(4, 0, 2) == b"\x04\x04" + struct.pack(">f", 62.5)


def _reference() -> ModbusTcpServer:
    """pymodbus's server over three inputs' registers."""
    words = SimData(BASE, values=[0] * 12, datatype=DataType.REGISTERS)
    bits = SimData(0, values=[False] * 16, datatype=DataType.BITS)
    return ModbusTcpServer(
        SimDevice(id=1, simdata=([bits], [bits], [words], [words])), address=("127.0.0.1", 0)
    )


async def test_the_same_bytes_as_pymodbus() -> None:
    """The answers to every write that is taken, and all registers after each, byte for byte."""
    store = InputStore(INPUTS)
    reference = _reference()
    await reference.serve_forever(background=True)
    port = reference.transport.sockets[0].getsockname()[1]
    try:
        async with (
            serving(store, accept_inputs=True) as outlet,
            Wire(outlet.port) as ours,
            Wire(port) as theirs,
        ):
            compared = 0
            for number, value in enumerate((0.0, -40.0, 1e-30, 3.0e38, 61.25)):
                for place in range(3):
                    address = BASE + 4 * place
                    data = struct.pack(">f", value + place)
                    quality = (number + place) % 3
                    requests = [
                        struct.pack(">BHHB", 16, address, 3, 6) + data + bytes(2),
                        struct.pack(">BHHB", 16, address, 3, 6) + data + bytes((0, quality)),
                        struct.pack(">BHHB", 16, address + 2, 1, 2) + bytes((0, 2 - quality)),
                        struct.pack(">BHH", 6, address + 2, quality),
                    ]
                    for pdu in requests:
                        answers = [await _send(wire, pdu) for wire in (ours, theirs)]
                        assert answers[0] == answers[1]
                        if number:  # from then on every register was written
                            reads = [await w.ask(3, BASE, 12) for w in (ours, theirs)]
                            assert reads[0] == reads[1]
                        compared += 1
            assert compared == 60
    finally:
        async with asyncio.timeout(5.0):
            await reference.shutdown()


async def _send(wire: Wire, pdu: bytes) -> bytes:
    """The answer's PDU."""
    wire.send(struct.pack(">HHHB", 9, 0, len(pdu) + 1, 1) + pdu)
    transaction, answer = await wire.answer()
    assert transaction == 9
    return answer

"""The Modbus TCP server on the wire: read by pymodbus, pipelined, misused, refused, bounded."""

from __future__ import annotations

import asyncio
import math
import random
import socket
import struct
from collections.abc import AsyncIterator

import pytest
from pymodbus.client import AsyncModbusTcpClient

from edgeflash.config.register_map import Order
from edgeflash.outlets import ModbusOutlet, OutletError
from edgeflash.outlets.modbus_server import RECEIVE_BYTES, SEND_HIGH_WATER_BYTES
from tests.integration.outlets.wire import Wire, frame, request
from tests.unit.outlets.builders import (
    START,
    accepted_view,
    analyzer,
    modbus,
    rejected_view,
    with_heartbeat,
)
from tests.waiting import until

ANALYZERS = (analyzer("fp-101", 1), analyzer("fp-102", 3))


@pytest.fixture
async def outlet() -> AsyncIterator[ModbusOutlet]:
    """A running outlet that shows a good value of fp-101 and nothing of fp-102."""
    one = ModbusOutlet(modbus(), ANALYZERS)
    await one.start()
    await one.publish([accepted_view()])
    yield one
    await one.stop()
    await until(lambda: one.connections == 0)


async def _client(outlet: ModbusOutlet) -> AsyncModbusTcpClient:
    client = AsyncModbusTcpClient("127.0.0.1", port=outlet.port, timeout=2, retries=0)
    assert await client.connect()
    return client


async def test_pymodbus_reads_every_kind_of_point(outlet: ModbusOutlet) -> None:
    """An independent client decodes float, code, integer, time and text."""
    client = await _client(outlet)
    kinds = client.DATATYPE
    try:
        for read in (client.read_holding_registers, client.read_input_registers):
            answer = await read(0, count=70)
            words = answer.registers
            assert len(words) == 70
            assert client.convert_from_registers(words[0:2], kinds.FLOAT32) == 62.5
            assert words[2:4] == [0, 0]
            assert client.convert_from_registers(words[6:8], kinds.UINT32) == 17
            micros = client.convert_from_registers(words[12:16], kinds.UINT64)
            assert micros == int(START.timestamp()) * 1_000_000 + START.microsecond
            assert client.convert_from_registers(words[54:70], kinds.STRING) == ""
        bits = await client.read_discrete_inputs(0, count=16)
        assert bits.bits == [False] * 16
    finally:
        client.close()


@pytest.mark.parametrize(("order", "word_order"), [(Order.ABCD, "big"), (Order.CDAB, "little")])
async def test_pymodbus_agrees_on_the_order(order: Order, word_order: str) -> None:
    """Both word orders pymodbus knows give the value back, 32 and 64 bits wide."""
    one = ModbusOutlet(modbus(order=order), ANALYZERS)
    await one.start()
    await one.publish([accepted_view(value_c=123.456)])
    client = await _client(one)
    try:
        words = (await client.read_input_registers(0, count=16)).registers
        kinds = client.DATATYPE
        number = client.convert_from_registers(words[0:2], kinds.FLOAT32, word_order=word_order)
        assert number == pytest.approx(123.456, rel=1e-7)
        time = client.convert_from_registers(words[12:16], kinds.UINT64, word_order=word_order)
        assert time == int(START.timestamp()) * 1_000_000 + START.microsecond
    finally:
        client.close()
        await one.stop()


async def test_a_client_sees_each_publish(outlet: ModbusOutlet) -> None:
    """Good, then held, then bad: value and quality change together."""
    async with Wire(outlet.port) as wire:
        seen = []
        for view in (accepted_view(), rejected_view(held=True), rejected_view(held=False)):
            await outlet.publish([view])
            pdu = await wire.ask(4, 0, 3)
            seen.append(struct.unpack(">fH", pdu[2:]))
    assert seen[0] == (62.5, 0)
    assert seen[1] == (62.5, 1)
    assert math.isnan(seen[2][0])
    assert seen[2][1] >= 10


async def test_pipelined_requests_split_anywhere_are_all_answered(outlet: ModbusOutlet) -> None:
    """25 requests in one stream, cut at every place of a frame, answered in order."""
    stream = b"".join(request(n, 4, n, 1) for n in range(25))
    async with Wire(outlet.port) as wire:
        for cut in range(1, 13):
            for start in range(0, len(stream), cut):
                wire.send(stream[start : start + cut])
                await wire.writer.drain()
            for n in range(25):
                transaction, pdu = await wire.answer()
                assert transaction == n
                assert pdu == b"\x04\x02" + (outlet.image.registers(n, 1) or b"")


async def test_no_answer_mixes_two_publishes(outlet: ModbusOutlet) -> None:
    """Value and cycle number of one answer always belong together, while both change."""
    views = [accepted_view(value_c=float(n), cycle_number=n) for n in range(20, 60)]
    stopped = asyncio.Event()

    async def publish() -> None:
        while not stopped.is_set():
            for view in views:
                await outlet.publish([view])
                await asyncio.sleep(0)

    task = asyncio.create_task(publish())
    seen = set()
    async with Wire(outlet.port) as wire:
        for _ in range(300):
            pdu = await wire.ask(3, 0, 8)
            value, number = struct.unpack(">f8xI", pdu[2:])
            if number != 17:
                assert value == number
                seen.add(number)
    stopped.set()
    await task
    assert len(seen) > 5


async def test_all_function_codes_on_the_wire(outlet: ModbusOutlet) -> None:
    """Of 1..127 only 1 to 4 are answered with data; the connection outlives all others."""
    async with Wire(outlet.port) as wire:
        for function in range(1, 128):
            pdu = await wire.ask(function, 0, 1)
            if function <= 4:
                assert pdu[0] == function
            else:
                assert pdu == bytes([function | 0x80, 1])


async def test_writes_by_pymodbus_are_refused_and_change_nothing(outlet: ModbusOutlet) -> None:
    """Every write the client knows gets exception 01, and the registers stay."""
    client = await _client(outlet)
    before = (await client.read_holding_registers(0, count=100)).registers
    try:
        answers = [
            await client.write_coil(5, True),
            await client.write_register(0, 1),
            await client.write_coils(0, [True] * 8),
            await client.write_registers(0, [1, 2]),
            await client.mask_write_register(address=0, and_mask=0, or_mask=1),
            await client.readwrite_registers(read_address=0, read_count=1, address=0, values=[1]),
        ]
        assert [answer.exception_code for answer in answers] == [1] * 6
        assert (await client.read_holding_registers(0, count=100)).registers == before
    finally:
        client.close()


async def test_addresses_of_no_analyzer(outlet: ModbusOutlet) -> None:
    """Number 2 is not configured: exception 02; number 3 is, without a value yet."""
    client = await _client(outlet)
    try:
        assert (await client.read_input_registers(200, count=2)).exception_code == 2
        assert (await client.read_input_registers(199, count=2)).exception_code == 2
        words = (await client.read_input_registers(400, count=3)).registers
        assert words == [0x7FC0, 0, 0xFFFF]
    finally:
        client.close()


@pytest.mark.parametrize("start", ["000100010006010300000001", "0001000000FF01", "00010000000001"])
async def test_another_protocol_is_closed(outlet: ModbusOutlet, start: str) -> None:
    """Not Modbus TCP: the connection is closed, nothing is answered, others go on."""
    async with Wire(outlet.port) as good, Wire(outlet.port) as bad:
        bad.send(bytes.fromhex(start))
        assert await bad.is_closed()
        assert (await good.ask(3, 0, 1))[0] == 3


async def test_random_bytes_never_wedge_another_connection(outlet: ModbusOutlet) -> None:
    """200 connections of random bytes, some looking like frames; a good one is always served."""
    chance = random.Random(20310405)
    async with Wire(outlet.port) as good:
        for _ in range(200):
            async with Wire(outlet.port) as bad:
                noise = chance.randbytes(chance.randrange(1, 600))
                if chance.random() < 0.5:
                    noise = frame(9, noise[:250]) + noise
                bad.send(noise)
                await bad.writer.drain()
                assert (await good.ask(4, 0, 2))[2:] == struct.pack(">f", 62.5)
    await until(lambda: outlet.connections <= 1)


async def test_allow_list() -> None:
    """127.0.0.2 is in the list, 127.0.0.1 is not: one is served, the other closed and counted."""
    one = ModbusOutlet(modbus(allow=["127.0.0.2", "192.0.2.0/24"], host="127.0.0.1"), ANALYZERS)
    await one.start()
    try:
        async with Wire(one.port) as wire:
            assert await wire.is_closed()
        assert one.refused == 1
        reader, writer = await asyncio.open_connection(
            "127.0.0.1", one.port, local_addr=("127.0.0.2", 0)
        )
        writer.write(request(1, 3, 0, 1))
        async with asyncio.timeout(5.0):
            assert (await reader.readexactly(11))[7] == 3
        writer.close()
    finally:
        await one.stop()


async def test_connection_limit() -> None:
    """With two connected the third is closed at once; when one goes there is room again."""
    one = ModbusOutlet(modbus(max_connections=2), ANALYZERS)
    await one.start()
    try:
        async with Wire(one.port) as first:
            async with Wire(one.port) as second, Wire(one.port) as third:
                assert await third.is_closed()
                assert one.refused == 1
                assert (await second.ask(3, 0, 1))[0] == 3
            await until(lambda: one.connections == 1)
            async with Wire(one.port) as again:
                assert (await again.ask(3, 0, 1))[0] == 3
            assert (await first.ask(3, 0, 1))[0] == 3
    finally:
        await one.stop()


async def test_idle_connections_are_closed() -> None:
    """Silence and half a frame are both idle, once the clock says so; a client that asks stays."""
    now_s = 0.0
    one = ModbusOutlet(modbus(), ANALYZERS, mono_s=lambda: now_s, idle_timeout_s=100.0)
    await one.start()
    try:
        async with Wire(one.port) as silent, Wire(one.port) as half, Wire(one.port) as busy:
            half.send(b"\x00\x01\x00\x00\x00")
            await until(lambda: one.connections == 3, timeout_s=30.0)
            now_s = 60.0
            assert (await busy.ask(3, 0, 1))[0] == 3
            assert one.connections == 3
            now_s = 101.0
            await until(lambda: one.connections == 1, timeout_s=30.0)
            assert await silent.is_closed()
            assert await half.is_closed()
            assert (await busy.ask(3, 0, 1))[0] == 3
    finally:
        await one.stop()


async def test_a_client_that_does_not_read_cannot_grow_memory() -> None:
    """It is not read from any more once its answers pile up, and closed as idle in the end."""
    one = ModbusOutlet(modbus(max_requests_per_s=100_000), ANALYZERS, idle_timeout_s=1.0)
    await one.start()
    loop = asyncio.get_running_loop()
    slow = socket.socket()
    slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    slow.setblocking(False)
    await loop.sock_connect(slow, ("127.0.0.1", one.port))
    asked = request(1, 3, 0, 125) * 100
    sent = 0

    async def ask_for_ever() -> None:
        nonlocal sent
        while True:
            await loop.sock_sendall(slow, asked)
            sent += len(asked)

    task = asyncio.create_task(ask_for_ever())
    try:
        (connection,) = await _connections(one)
        most = 0

        def closed() -> bool:
            nonlocal most
            transport = connection._transport
            if transport is not None:
                most = max(most, transport.get_write_buffer_size())
            return one.connections == 0

        async with Wire(one.port) as good:
            assert (await good.ask(3, 0, 1))[0] == 3
        await until(closed, timeout_s=20.0)
        answers_of_one_buffer = RECEIVE_BYTES // 12 * 259
        assert 0 < most <= SEND_HIGH_WATER_BYTES + answers_of_one_buffer
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        slow.close()
        await one.stop()


async def _connections(outlet: ModbusOutlet) -> tuple[object, ...]:
    await until(lambda: outlet.connections > 0)
    return tuple(outlet._connections)


async def test_a_port_in_use_is_said_with_its_number(outlet: ModbusOutlet) -> None:
    """The error names the port; the first server goes on."""
    second = ModbusOutlet(modbus(port=outlet.port), ANALYZERS)
    with pytest.raises(OutletError, match=rf"port {outlet.port}.*another program"):
        await second.start()
    await second.stop()
    async with Wire(outlet.port) as wire:
        assert (await wire.ask(3, 0, 1))[0] == 3


async def test_it_starts_again_after_a_stop_and_keeps_what_it_shows() -> None:
    """stop closes clients and the port; a new start serves the last image."""
    one = ModbusOutlet(modbus(), ANALYZERS)
    await one.start()
    await one.publish([with_heartbeat(accepted_view(), 99)])
    async with Wire(one.port) as wire:
        assert (await wire.ask(3, 16, 1))[2:] == b"\x00\x63"
        await one.stop()
        assert await wire.is_closed()
    await one.start()
    try:
        assert one.endpoint == f"127.0.0.1:{one.port}"
        async with Wire(one.port) as wire:
            assert (await wire.ask(3, 16, 1))[2:] == b"\x00\x63"
    finally:
        await one.stop()


async def test_localhost_with_any_port_is_one_port() -> None:
    """A name with two addresses and port 0 must not become two ports."""
    one = ModbusOutlet(modbus(host="localhost"), ANALYZERS)
    await one.start()
    try:
        async with Wire(one.port, "localhost") as wire:
            assert (await wire.ask(3, 0, 1))[0] == 3
    finally:
        await one.stop()


def test_a_wrong_allow_list_is_said_at_once() -> None:
    """A typing error in the list is an error, not an empty list that admits everyone."""
    with pytest.raises(OutletError, match=r"192\.0\.2\.300"):
        ModbusOutlet(modbus(allow=["192.0.2.300"]), ANALYZERS)

"""The Modbus server seen by a client that shares no code with it but the protocol library."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from simulators.analyzer import SimulatedAnalyzer
from simulators.errors import ServerNotStartedError
from simulators.modbus_server import AnalyzerServer


@pytest.fixture
async def served() -> AsyncIterator[tuple[SimulatedAnalyzer, AnalyzerServer]]:
    """An analyzer with one result behind a server on a free port."""
    analyzer = SimulatedAnalyzer(seed=4)
    analyzer.advance_to_next_result()
    server = AnalyzerServer(analyzer.image)
    await server.start()
    yield analyzer, server
    await server.stop()


async def connected(server: AnalyzerServer) -> AsyncModbusTcpClient:
    """A connected client without retries of its own."""
    client = AsyncModbusTcpClient(
        "127.0.0.1", port=server.port, timeout=0.5, retries=0, reconnect_delay=0
    )
    assert await client.connect()
    return client


async def test_every_readable_block_is_served(
    served: tuple[SimulatedAnalyzer, AnalyzerServer],
) -> None:
    """Reads of up to 125 registers equal the image, in both tables."""
    analyzer, server = served
    client = await connected(server)
    for address, count in ((0, 64), (20, 16), (1000, 8), (1100, 125), (2224, 125), (3300, 124)):
        reply = await client.read_input_registers(address, count=count, device_id=1)
        assert reply.registers == analyzer.image.read("input", address, count)
    reply = await client.read_holding_registers(400, count=125, device_id=1)
    assert reply.registers == analyzer.image.read("holding", 400, 125)
    client.close()


async def test_new_result_is_served_at_once(
    served: tuple[SimulatedAnalyzer, AnalyzerServer],
) -> None:
    """The next read after a cycle shows its number."""
    analyzer, server = served
    client = await connected(server)
    before = await client.read_input_registers(20, count=1, device_id=1)
    truth = analyzer.advance_to_next_result()
    after = await client.read_input_registers(20, count=1, device_id=1)
    assert before.registers == [truth.cycle_number - 1]
    assert after.registers == [truth.cycle_number]
    client.close()


async def test_writes_gaps_and_strangers_are_refused(
    served: tuple[SimulatedAnalyzer, AnalyzerServer],
) -> None:
    """Exceptions of the Modbus application protocol: 1 function, 2 address, 11 no such unit."""
    analyzer, server = served
    client = await connected(server)
    held = analyzer.image.read("holding", 0, 16)
    write_one = await client.write_register(0, 7, device_id=1)
    write_more = await client.write_registers(400, [1, 2], device_id=1)
    coil = await client.write_coil(0, True, device_id=1)
    gap = await client.read_input_registers(64, count=1, device_id=1)
    end = await client.read_input_registers(4323, count=4, device_id=1)
    stranger = await client.read_input_registers(0, count=1, device_id=9)
    codes = [one.exception_code for one in (write_one, write_more, coil, gap, end, stranger)]
    assert codes == [1, 1, 1, 2, 2, 11]
    assert analyzer.image.read("holding", 0, 16) == held
    client.close()


async def test_unplugged_server_comes_back_on_its_port(
    served: tuple[SimulatedAnalyzer, AnalyzerServer],
) -> None:
    """Stopped: the client is cut off and cannot connect. Started: same port, newer result."""
    analyzer, server = served
    client = await connected(server)
    port = server.port
    await server.stop()
    assert not server.running
    with pytest.raises(ModbusException):
        await client.read_input_registers(20, count=1, device_id=1)
    assert not await client.connect()
    truth = analyzer.advance_to_next_result()
    assert await server.start() == port
    assert await server.start() == port  # a second start changes nothing
    assert await client.connect()
    reply = await client.read_input_registers(20, count=1, device_id=1)
    assert reply.registers == [truth.cycle_number]
    client.close()


async def test_port_in_use_is_said_so(served: tuple[SimulatedAnalyzer, AnalyzerServer]) -> None:
    """A second server on the same port names address and way out; a port is unknown before."""
    analyzer, server = served
    other = AnalyzerServer(analyzer.image, port=server.port)
    with pytest.raises(ServerNotStartedError, match=f"{server.port}.*choose another port"):
        await other.start()
    with pytest.raises(ServerNotStartedError, match="after the first start"):
        _ = AnalyzerServer(analyzer.image).port

"""Coverage-guided fuzzing of the Modbus server and of the reading of replies. Not a test.

    python tests/bench/fuzz_coverage.py server -runs=100000
    python tests/bench/fuzz_coverage.py replies -runs=100000

Every other option is libFuzzer's, for example -max_total_time=600 or a folder for the corpus. It
needs the package atheris, which is no dependency of the project: make an environment for it beside
the project's, with the same Python, and let it see the project's packages:

    python3.11 -m venv /somewhere/fuzz && /somewhere/fuzz/bin/pip install atheris
    PYTHONPATH=$PWD:$PWD/.venv/lib/python3.11/site-packages \\
        /somewhere/fuzz/bin/python tests/bench/fuzz_coverage.py server -runs=100000

The judges are those of tests/hostile: an input that crashes, or that gives a wrong answer or a
wrong value, ends the run and is written to a file.
"""

from __future__ import annotations

import asyncio
import random
import struct
import sys
from collections.abc import Callable

import atheris

with atheris.instrument_imports(include=["edgeflash.outlets", "edgeflash.links", "pymodbus"]):
    import structlog

    from edgeflash.config.register_map import Table
    from edgeflash.inputs import InputStore
    from edgeflash.links.connection import ModbusConnection
    from edgeflash.links.errors import LinkError
    from edgeflash.outlets import ModbusOutlet
    from tests.hostile.frames import Frames
    from tests.hostile.test_link_replies import UNIT, Exchange, decode_all, fitting
    from tests.hostile.test_modbus_frames import (
        ANALYZERS,
        NUMBERS,
        Ticking,
        in_memory,
        judge,
        opinion_of,
    )
    from tests.unit.outlets.builders import INPUTS, accepted_view, modbus

# How often the loop turns before the peer closes: a reply that fits is taken long before.
TURNS = 20
TIMEOUT_S = 60.0


def server_target(loop: asyncio.AbstractEventLoop) -> Callable[[bytes], None]:
    """A stream of bytes for the server; each answer is held against the second opinion."""
    server = modbus(unit_ids="per_analyzer", accept_inputs=True, max_requests_per_s=100_000)
    outlet = ModbusOutlet(server, ANALYZERS, inputs=InputStore(INPUTS), mono_s=Ticking())

    async def start() -> None:
        await outlet.start()
        await outlet.publish([accepted_view(name, 40.25 + n, n) for name, n in NUMBERS.items()])

    loop.run_until_complete(start())
    opinion, chance = opinion_of(outlet), random.Random(1)

    def one(data: bytes) -> None:
        async def run() -> None:
            judge(opinion, data, in_memory(outlet, data, chance))

        loop.run_until_complete(run())

    return one


def replies_target(loop: asyncio.AbstractEventLoop) -> Callable[[bytes], None]:
    """First what is asked, then the bytes that come for it; only fitting words may be taken."""
    exchange = Exchange()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            exchange.request = await reader.readexactly(12)
            writer.write(exchange.sent)
            await writer.drain()
            for _ in range(TURNS):
                await asyncio.sleep(0)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = loop.run_until_complete(asyncio.start_server(serve, "127.0.0.1", 0))
    port = server.sockets[0].getsockname()[1]
    tables, chance = list(Table), random.Random(1)

    def one(data: bytes) -> None:
        if len(data) < 2:
            return
        table, count, exchange.sent = tables[data[0] % 4], data[1] % 40 + 1, data[2:]

        async def run() -> None:
            connection = ModbusConnection("127.0.0.1", port, UNIT, TIMEOUT_S, retries=0)
            try:
                await connection.open()
                words = await connection.read(table, 100, count)
                assert tuple(words) in fitting(exchange), words
                if table in (Table.HOLDING, Table.INPUT):
                    decode_all(words, chance)
            except LinkError:
                pass
            finally:
                connection.close()

        loop.run_until_complete(run())

    return one


def seeds(target: str, size: int, seed: int) -> bytes:
    """A good input to begin with, so that not every run starts from nothing."""
    chance = random.Random(seed)
    if target == "server":
        return Frames(chance).stream(4)[:size]
    count = chance.randrange(1, 40)
    function = chance.randrange(1, 5)
    body = chance.randbytes(2 * count if function > 2 else (count + 7) // 8)
    pdu = bytes((function, len(body))) + body
    asked = bytes((list(Table).index(_TABLES[function]), count - 1))
    return (asked + struct.pack(">HHHB", 1, 0, len(pdu) + 1, UNIT) + pdu)[:size]


_TABLES = {1: Table.COIL, 2: Table.DISCRETE, 3: Table.HOLDING, 4: Table.INPUT}
TARGETS = {"server": server_target, "replies": replies_target}


def main() -> None:
    """Runs one target until libFuzzer is done."""
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.exit(__doc__)
    name = sys.argv.pop(1)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    loop = asyncio.new_event_loop()
    loop.set_exception_handler(_escaped)

    def mutate(data: bytes, size: int, seed: int) -> bytes:
        # One in eight starts anew from something good.
        return seeds(name, size, seed) if seed % 8 == 0 else atheris.Mutate(data, size)

    atheris.Setup(sys.argv, TARGETS[name](loop), custom_mutator=mutate)
    atheris.Fuzz()


def _escaped(_: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
    raise AssertionError(f"an error that nobody waits for: {context}")


if __name__ == "__main__":
    main()

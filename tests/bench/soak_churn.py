"""Clients that come and go, and links that break: the unrest of `soak`, in a process of its own.

Prints the ports of its relays as JSON, one for each analyzer; then reads a line of JSON with the
outlets (`modbus` a port, `opcua` a URL), and works until standard input closes.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import random
import struct
import sys
from collections import Counter

from asyncua import Client

LIVES_S = (0.2, 6.0)
"""How long a client stays, and a relayed connection lives at least and at most, in tens."""

Made = Counter[str]


class Relay:
    """Hands bytes through to one analyzer, until it breaks the connection."""

    def __init__(self, target: int, made: Made) -> None:
        self._target, self._made = target, made

    async def start(self) -> int:
        """Listens on a free port, which it returns."""
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        return int(server.sockets[0].getsockname()[1])

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._made["links"] += 1
        with contextlib.suppress(OSError):
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
            hands = [
                asyncio.create_task(_pass_on(reader, far_writer)),
                asyncio.create_task(_pass_on(far_reader, writer)),
            ]
            await asyncio.wait(hands, timeout=10 * random.uniform(*LIVES_S))
            for hand in hands:
                hand.cancel()
            await asyncio.gather(*hands, return_exceptions=True)
            far_writer.close()
        writer.close()


async def _pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while data := await reader.read(4096):
            writer.write(data)
            await writer.drain()


async def _modbus_clients(port: int, made: Made) -> None:
    """Connect, read blocks for a while, then vanish; every fifth in the middle of a request."""
    request = struct.pack(">HHHBBHH", 1, 0, 6, 1, 3, 0, 100)
    while True:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError, TimeoutError):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            made["modbus"] += 1
            ends_s = asyncio.get_running_loop().time() + random.uniform(*LIVES_S)
            while asyncio.get_running_loop().time() < ends_s:
                writer.write(request)
                async with asyncio.timeout(5):
                    await reader.readexactly(9 + 200)
                await asyncio.sleep(0.1)
            if random.random() < 0.2:
                writer.write(request[:5])
            writer.transport.abort()
        await asyncio.sleep(0.05)


async def _opcua_clients(url: str, made: Made) -> None:
    """Connect, subscribe to some nodes, and leave: in order, or by a dead socket."""
    while True:
        client = Client(url, timeout=10)
        with contextlib.suppress(Exception):
            await client.connect()
            made["opcua"] += 1
            folder = await client.nodes.objects.get_child(
                [f"{await client.get_namespace_index('urn:edgeflash:points')}:Edgeflash"]
            )
            analyzers = await folder.get_children()
            variables = await random.choice(analyzers).get_variables()
            subscription = await client.create_subscription(200, _Taker(made))
            await subscription.subscribe_data_change(variables[:20])
            await asyncio.sleep(random.uniform(*LIVES_S))
        with contextlib.suppress(Exception):
            if random.random() < 0.5:
                await client.disconnect()
            else:
                client.uaclient.protocol.transport.abort()
                await client.disconnect()
        await asyncio.sleep(0.05)


class _Taker:
    def __init__(self, made: Made) -> None:
        self._made = made

    def datachange_notification(self, node: object, value: object, data: object) -> None:
        self._made["changes"] += 1


async def _work(targets: list[int]) -> None:
    made: Made = Counter()
    loop = asyncio.get_running_loop()
    print(json.dumps([await Relay(target, made).start() for target in targets]), flush=True)
    outlets = json.loads(await loop.run_in_executor(None, sys.stdin.readline))
    ended = loop.run_in_executor(None, sys.stdin.read)
    modbus, url = outlets["modbus"], outlets["opcua"]
    clients = [
        *(asyncio.create_task(_modbus_clients(modbus, made)) for _ in range(5)),
        *(asyncio.create_task(_opcua_clients(url, made)) for _ in range(3)),
    ]
    await ended
    for client in clients:
        client.cancel()
    await asyncio.gather(*clients, return_exceptions=True)
    print(json.dumps(made), flush=True)


def main() -> None:
    """Works until standard input closes."""
    made = argparse.ArgumentParser(description=__doc__)
    made.add_argument("--targets", required=True, help="the analyzers' ports, by commas")
    options = made.parse_args()
    logging.disable(logging.CRITICAL)
    asyncio.run(_work([int(port) for port in options.targets.split(",")]))


if __name__ == "__main__":
    main()

"""The other ends of a Sparkplug node: a real broker, a listener, a primary host, a decoder."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from tests.peers.broker import Broker
from tests.peers.programs import SPARKPLUG_PAYLOAD, node_modules
from tests.peers.running import HERE, RUN_TIMEOUT_S
from tests.sparkplug_reading import ReadPayload, read
from tests.waiting import until

LONG_S = 30.0
PATH = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"))


async def _started(*command: str, **streams: Any) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        *command, env={**os.environ, "PATH": PATH}, stdin=asyncio.subprocess.DEVNULL, **streams
    )


SETTINGS = ("allow_anonymous true", "persistence false", "max_queued_messages 100000")
"""Of a broker that drops nothing for a listener that is slow."""


async def publish(broker: Broker, topic: str, payload: bytes, *flags: str) -> None:
    """Publishes as another client; a payload that is empty too."""
    source = "-s" if payload else "-n"
    done = await asyncio.create_subprocess_exec(
        "mosquitto_pub",
        *("-h", "127.0.0.1", "-p", str(broker.port), "-t", topic, source, "-q", "1", *flags),
        stdin=asyncio.subprocess.PIPE,
    )
    async with asyncio.timeout(LONG_S):
        await done.communicate(payload)
    assert done.returncode == 0


@dataclass(frozen=True)
class Heard:
    """One message as a subscriber has it. at_s: monotonic receipt."""

    topic: str
    qos: int
    retain: bool
    data: bytes
    at_s: float

    @cached_property
    def kind(self) -> str:
        """Kind and device, as `DBIRTH kestrel-1`."""
        parts = self.topic.split("/")
        return " ".join((parts[2], *parts[4:]))

    @cached_property
    def payload(self) -> ReadPayload:
        """What it carries."""
        return read(self.data)


@dataclass
class Watch:
    """A subscriber to everything of Sparkplug; what it has heard, STATE left out."""

    heard: list[Heard] = field(default_factory=list)
    process: asyncio.subprocess.Process | None = None

    def kinds(self) -> list[str]:
        """Of all messages so far."""
        return [one.kind for one in self.heard]

    def of(self, kind: str) -> list[Heard]:
        """The messages of one kind and device."""
        return [one for one in self.heard if one.kind == kind]

    async def until_heard(self, kind: str, count: int = 1) -> list[Heard]:
        """The messages of this kind, once there are so many."""
        await until(lambda: len(self.of(kind)) >= count, LONG_S)
        return self.of(kind)


@asynccontextmanager
async def watching(broker: Broker, *filters: str) -> AsyncIterator[Watch]:
    """Hears everything from now on, or what some filters let through; it is subscribed when the
    block begins."""
    probe = "spBv1.0/probe/NDATA/probe"
    process = await _started(
        "mosquitto_sub",
        *("-h", "127.0.0.1", "-p", str(broker.port), "-q", "1", "-t", probe),
        *(part for one in filters or ("spBv1.0/#",) for part in ("-t", one)),
        *("-F", "%q %r %x %t"),
        stdout=asyncio.subprocess.PIPE,
        limit=2**24,
    )
    watch, subscribed = Watch(process=process), asyncio.Event()

    async def listen() -> None:
        assert process.stdout is not None
        while line := await process.stdout.readline():
            if not line.endswith(b"\n"):
                break  # it was ended within a line
            qos, retain, data, topic = line.decode().rstrip("\n").split(" ", 3)
            if topic == probe:
                subscribed.set()
            elif "/STATE/" not in topic and "/NCMD/" not in topic:
                heard = Heard(topic, int(qos), retain == "1", bytes.fromhex(data), time.monotonic())
                watch.heard.append(heard)

    listening = asyncio.create_task(listen())
    try:
        async with asyncio.timeout(LONG_S):
            while not subscribed.is_set():
                await publish(broker, probe, b"probe")
        yield watch
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()
        await listening


class PrimaryHost:
    """A host application's presence: a session whose will says that it is gone."""

    def __init__(self, broker: Broker, name: str) -> None:
        self._broker = broker
        self._topic = f"spBv1.0/STATE/{name}"
        self._process: asyncio.subprocess.Process | None = None

    async def arrive(self, timestamp_ms: int) -> None:
        """Begins a session, and says so. The will has the time of the birth."""
        ready = f"probe/{timestamp_ms}"
        self._process = await _started(
            "mosquitto_sub",
            *("-h", "127.0.0.1", "-p", str(self._broker.port), "-q", "1", "-t", ready),
            *("--will-topic", self._topic, "--will-retain", "--will-qos", "1"),
            *("--will-payload", json.dumps({"online": False, "timestamp": timestamp_ms})),
            stdout=asyncio.subprocess.PIPE,
        )
        await publish(self._broker, ready, b"ready\n", "-r")
        assert self._process.stdout is not None
        async with asyncio.timeout(LONG_S):
            assert await self._process.stdout.readline() == b"ready\n"
        await self.say(True, timestamp_ms)

    async def say(self, online: bool, timestamp_ms: int) -> None:
        """Publishes its STATE, retained."""
        text = json.dumps({"online": online, "timestamp": timestamp_ms})
        await publish(self._broker, self._topic, text.encode(), "-r")

    async def vanish(self) -> None:
        """SIGKILL: the broker publishes the will."""
        if self._process is not None and self._process.returncode is None:
            self._process.send_signal(signal.SIGKILL)
            await self._process.wait()


async def _node(script: Sequence[str | Path], stdin: str) -> str:
    process = await asyncio.create_subprocess_exec(
        "node",
        *map(str, script),
        env={**os.environ, "NODE_PATH": str(node_modules(SPARKPLUG_PAYLOAD))},
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    async with asyncio.timeout(RUN_TIMEOUT_S):
        out, err = await process.communicate(stdin.encode())
    assert process.returncode == 0, err.decode()
    return out.decode()


async def decoded(messages: Sequence[tuple[str, bytes]]) -> list[dict[str, Any]]:
    """What the independent decoder makes of messages, given as kind and payload, in their order."""
    lines = ("+" * (kind[1:5] == "DATA") + data.hex() + "\n" for kind, data in messages)
    out = await _node([HERE / "sparkplug_decode.js"], "".join(lines))
    found = [json.loads(line) for line in out.splitlines()]
    assert len(found) == len(messages)
    return found


async def foreign_rebirth() -> bytes:
    """The command for a rebirth, as the independent program writes it."""
    program = """
        const sparkplug = require("sparkplug-payload").get("spBv1.0");
        const metric = { name: "Node Control/Rebirth", type: "Boolean", value: true };
        const payload = { timestamp: Date.now(), metrics: [metric] };
        process.stdout.write(Buffer.from(sparkplug.encodePayload(payload)).toString("hex"));
    """
    return bytes.fromhex(await _node(["-e", program], ""))

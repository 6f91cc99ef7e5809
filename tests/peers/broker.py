"""A real broker (mosquitto) and a real subscriber (mosquitto_sub), as the test's own processes."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic
from typing import Any

from tests.ports import free_port
from tests.waiting import until

WAIT_S = 120.0
SBIN = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"))


@dataclass
class Broker:
    """mosquitto on a port of loopback, with the settings given; its log tells that it is ours."""

    folder: Path
    settings: Sequence[str] = ("allow_anonymous true",)
    port: int = 0
    process: subprocess.Popen[bytes] | None = None
    _runs: int = 0

    @property
    def log(self) -> str:
        """What it said since it was started last."""
        return (self.folder / f"broker-{self._runs}.log").read_text("utf-8", "replace")

    async def start(self) -> None:
        """Starts it, on the same port as before where there was one."""
        deadline_s = monotonic() + WAIT_S
        first = self.port == 0
        while True:
            if first:
                self.port = free_port()
            self._spawn()
            await until(
                lambda: (
                    self.process is None
                    or self.process.poll() is not None
                    or " running" in self.log
                ),
                WAIT_S,
            )
            assert self.process is not None
            if self.process.poll() is None:
                return
            assert monotonic() < deadline_s, self.log
            await asyncio.sleep(0.05)  # the port is not free, or not free yet

    def _spawn(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self._runs += 1
        lines = ["log_type all", "user root" if os.geteuid() == 0 else ""]
        lines += [f"listener {self.port} 127.0.0.1", *self.settings]
        config = self.folder / "broker.conf"
        config.write_text("\n".join(lines) + "\n", "utf-8")
        program = shutil.which("mosquitto", path=SBIN)
        assert program is not None
        with (self.folder / f"broker-{self._runs}.log").open("wb") as log:
            self.process = subprocess.Popen([program, "-c", str(config)], stdout=log, stderr=log)

    def kill(self) -> None:
        """SIGKILL: what it held only in memory is gone."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()

    async def terminate(self) -> None:
        """SIGTERM: it says goodbye and saves what it is set to save."""
        assert self.process is not None
        self.process.terminate()
        await until(lambda: self.process is not None and self.process.poll() is not None, WAIT_S)


@contextmanager
def broker(folder: Path, *settings: str) -> Iterator[Broker]:
    """A broker that is not started yet; nothing of it stays behind."""
    made = Broker(folder, settings or ("allow_anonymous true",))
    try:
        yield made
    finally:
        made.kill()


@dataclass
class Heard:
    """One message as mosquitto_sub heard it; document: its payload, read as JSON."""

    topic: str
    document: Any
    qos: int
    is_retained: bool


@dataclass
class Subscriber:
    """mosquitto_sub; it connects again by itself and, with an id, is remembered by the broker."""

    file: Path
    process: subprocess.Popen[bytes]
    _read: int = 0
    _heard: list[Heard] = field(default_factory=list)
    _documents: dict[str, list[Any]] = field(default_factory=dict)

    @property
    def heard(self) -> list[Heard]:
        """All messages so far, in the order of arrival."""
        with self.file.open("rb") as file:
            file.seek(self._read)
            data = file.read()
        whole = data[: data.rfind(b"\n") + 1]
        self._read += len(whole)
        for line in whole.decode("utf-8").splitlines():
            told = json.loads(line)
            document = json.loads(told["payload"] or "null")  # empty: what was retained is gone
            topic = told["topic"]
            self._heard.append(Heard(topic, document, told["qos"], bool(told["retain"])))
            if document is not None:
                self._documents.setdefault(topic.rpartition("/")[2], []).append(document)
        return self._heard

    def documents(self, last_level: str) -> list[Any]:
        """The documents heard on topics that end so."""
        assert self.heard is self._heard
        return self._documents.get(last_level, [])

    def end(self) -> None:
        """Ends it."""
        self.process.terminate()
        self.process.wait()


@contextmanager
def subscriber(port: int, file: Path, *more: str, topic: str = "#") -> Iterator[Subscriber]:
    """A subscriber with QoS 1 to everything, or to a topic."""
    program = shutil.which("mosquitto_sub", path=SBIN)
    assert program is not None
    with file.open("wb") as out:
        process = subprocess.Popen(
            [
                *(program, "-h", "127.0.0.1", "-p", str(port), "-t", topic, "-q", "1"),
                *("-F", "%j", *more),
            ],
            stdout=out,
            stderr=subprocess.DEVNULL,
        )
    made = Subscriber(file, process)
    try:
        yield made
    finally:
        if process.poll() is None:
            made.end()

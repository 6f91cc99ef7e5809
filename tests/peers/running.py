"""Builds and runs the programs at the other end of a peer test."""

from __future__ import annotations

import asyncio
import os
import subprocess
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

HERE = Path(__file__).parent

# Generous: a peer of a second or two must not fail for a busy machine.
RUN_TIMEOUT_S = 60.0


def compiled(source: str, folder: Path) -> Path:
    """The program that a C file of this folder makes with libmodbus. Any warning is an error."""
    program = folder / Path(source).stem
    strict = ["-std=gnu11", "-O1", "-Wall", "-Wextra", "-Werror"]
    subprocess.run(
        ["gcc", *strict, "-o", str(program), str(HERE / source), "-lmodbus"],
        check=True,
        timeout=RUN_TIMEOUT_S,
    )
    return program


class Peer:
    """A running program that is spoken to and heard line by line."""

    def __init__(self, process: asyncio.subprocess.Process, name: str) -> None:
        self._process = process
        self._name = name

    def say(self, line: str) -> None:
        """Writes one line to its standard input."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n".encode())

    async def hear(self, start: str, timeout_s: float = RUN_TIMEOUT_S) -> str:
        """The rest of its next line that begins with `start`; others are passed over."""
        assert self._process.stdout is not None
        async with asyncio.timeout(timeout_s):
            while line := (await self._process.stdout.readline()).decode():
                if line.startswith(start):
                    return line.removeprefix(start).rstrip("\n")
        raise AssertionError(f"{self._name} ended without a line that begins with {start!r}")


@asynccontextmanager
async def running(
    command: Sequence[str | Path], environment: Mapping[str, str] | None = None
) -> AsyncIterator[Peer]:
    """The command's process. Its input is closed at the end, upon which it must end well."""
    process = await asyncio.create_subprocess_exec(
        *map(str, command),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        env={**os.environ, **(environment or {})},
        limit=2**20,
    )
    assert process.stdin is not None and process.stdout is not None
    try:
        yield Peer(process, Path(command[0]).name)
        process.stdin.close()
        async with asyncio.timeout(RUN_TIMEOUT_S):
            await process.stdout.read()
            assert await process.wait() == 0
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


async def output_of(*command: str | Path) -> str:
    """What a program prints that ends by itself and well."""
    process = await asyncio.create_subprocess_exec(
        *map(str, command),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        async with asyncio.timeout(RUN_TIMEOUT_S):
            out, err = await process.communicate()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    assert process.returncode == 0, f"{command[0]}: {out.decode()}{err.decode()}"
    return out.decode()

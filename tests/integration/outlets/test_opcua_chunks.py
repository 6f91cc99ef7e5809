"""Chunks that come together: each waits by itself, and one that is too large is never taken.

Source: OPC 10000-6, 7.1.2 (message header; no chunk is larger than the receiver's buffer).
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from tests.integration.outlets.secured import Plant, secured

WAITING = 90
CHUNK = b"MSGC" + struct.pack("<I", 1000) + bytes(992)


class Memory(asyncio.Transport):
    """A transport to nobody."""

    def __init__(self) -> None:
        super().__init__({"peername": ("198.51.100.7", 40_000)})
        self.is_aborted = False

    def is_closing(self) -> bool:
        return self.is_aborted

    def abort(self) -> None:
        self.is_aborted = True

    def close(self) -> None:
        self.is_aborted = True

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        pass


@pytest.fixture
async def plant(tmp_path: Path) -> AsyncIterator[Plant]:
    """A running server."""
    async with secured(tmp_path) as made:
        yield made


async def received(plant: Plant, *parts: bytes) -> tuple[list[int], bool]:
    """Bytes kept for each chunk that waits after these parts, and whether the connection ended."""
    transport = Memory()
    connection: Any = plant.server.bserver._make_protocol()
    connection.connection_made(transport)
    for part in parts:
        if not transport.is_aborted:
            connection.data_received(part)
    ended = transport.is_aborted
    kept = [len(buffer._data) for _, buffer in connection.messages._queue]
    connection.connection_lost(None)
    return kept, ended


async def test_each_waits_by_itself(plant: Plant) -> None:
    """Together, cut anywhere, and byte by byte: no more is kept than was sent."""
    whole = CHUNK * WAITING
    assert await received(plant, whole) == ([len(CHUNK)] * WAITING, False)
    parts = [whole[at : at + 777] for at in range(0, len(whole), 777)]
    assert await received(plant, *parts) == ([len(CHUNK)] * WAITING, False)
    assert await received(plant, *(bytes([one]) for one in CHUNK)) == ([len(CHUNK)], False)


@pytest.mark.parametrize("size", [65_536, 70_000, 0xFFFFFFFF])
async def test_one_too_large_is_never_taken(plant: Plant, size: int) -> None:
    """Also when all of it is there, and behind one that is sound."""
    large = b"MSGF" + struct.pack("<I", size) + bytes(min(size, 70_000) - 8)
    assert await received(plant, large) == ([], True)
    kept, ended = await received(plant, CHUNK + large)
    assert (kept, ended) == ([len(CHUNK)], True)


@pytest.mark.parametrize("size", [0, 7, 8, 11])
async def test_one_without_room_for_its_header_ends_the_connection(plant: Plant, size: int) -> None:
    """Its size says less than its header takes."""
    small = b"MSGF" + struct.pack("<I", size) + bytes(20)
    kept, ended = await received(plant, small)
    assert (kept, ended) == ([], True)

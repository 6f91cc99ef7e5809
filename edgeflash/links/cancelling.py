"""Waiting for a library that can lose a cancel."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from typing import TypeVar

T = TypeVar("T")


async def uncancelled(work: Awaitable[T]) -> T:
    """The result of a library call, unless this task was told to end meanwhile.

    The libraries use asyncio.wait_for, which on 3.11 can swallow a cancel that meets the result
    (cpython#86296); the task's own count of cancel requests cannot be missed. A time limit of
    ours that expires in that same instant is taken back by asyncio.timeout when it sees it here.
    """
    task = asyncio.current_task()
    before = task.cancelling() if task else 0
    result = await work
    if task and task.cancelling() > before:
        raise asyncio.CancelledError
    return result

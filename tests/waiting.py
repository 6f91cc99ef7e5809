"""Waiting for a condition in a test, with a deadline."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from time import monotonic


async def until(
    predicate: Callable[[], object], timeout_s: float = 5.0, every_s: float = 0.01
) -> None:
    """Return as soon as predicate() is true; fail the test when it is not within timeout_s."""
    deadline_s = monotonic() + timeout_s
    while not predicate():
        if monotonic() > deadline_s:
            name = getattr(predicate, "__qualname__", repr(predicate))
            code = getattr(predicate, "__code__", None)
            where = f" ({code.co_filename}:{code.co_firstlineno})" if code else ""
            raise AssertionError(f"still not true after {timeout_s:g} s: {name}{where}")
        await asyncio.sleep(every_s)

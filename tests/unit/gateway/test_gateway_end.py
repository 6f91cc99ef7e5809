"""What the gateway tells of its tasks at the end."""

from __future__ import annotations

import asyncio
import contextlib

from edgeflash.gateway.gateway import _failure_of


async def test_a_task_that_does_not_end_hides_no_failure() -> None:
    """It has no result to ask for; the failure that ended the gateway is told all the same."""

    async def fails() -> None:
        raise ValueError("the cause")

    async def works() -> None:
        return

    endless = asyncio.create_task(asyncio.Event().wait(), name="endless")
    others = [asyncio.create_task(one()) for one in (works, fails)]
    await asyncio.wait(others)
    failure = _failure_of([endless, *others])  # type: ignore[list-item]  # of another result
    assert str(failure) == "the cause"
    assert _failure_of([endless, others[0]]) is None  # type: ignore[list-item]
    endless.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await endless
    assert _failure_of([endless]) is None  # type: ignore[list-item]

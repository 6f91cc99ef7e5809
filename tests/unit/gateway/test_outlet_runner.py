"""Keeping an outlet served: what it says of one that fails, and how often."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import pytest
from structlog.testing import capture_logs

from edgeflash.gateway import outlet_runner
from edgeflash.gateway.outlet_runner import OutletRunner
from edgeflash.publication import View
from tests.unit.outlets.builders import accepted_view
from tests.waiting import until


class Spoilt:
    """An outlet that starts, and fails with the first news."""

    endpoint = "nowhere"

    def __init__(self) -> None:
        self.starts = 0

    async def start(self) -> None:
        """Begins."""
        self.starts += 1

    async def publish(self, views: Sequence[View]) -> None:
        """Takes what there is at the start, nothing later."""
        if self.starts and len(views) == 1:
            raise KeyError(3)

    async def stop(self) -> None:
        """Ends."""


async def test_a_fault_of_ours_is_told_once_with_its_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bare "3" says nothing, and the same words every five seconds hide all else."""
    monkeypatch.setattr(outlet_runner, "RETRY_S", 0.0)
    outlet = Spoilt()
    runner = OutletRunner(outlet, "spoilt")
    runner.offer([accepted_view("fp-101"), accepted_view("fp-102")])
    with capture_logs() as lines:
        work = asyncio.create_task(runner.run())

        def again() -> bool:
            runner.offer([accepted_view("fp-101")])
            return outlet.starts >= 4

        await until(again)
        work.cancel()
        await asyncio.wait([work])
    (told,) = (line for line in lines if line["event"].startswith("outlet failed"))
    assert told["why"] == "KeyError(3)"
    assert isinstance(told["exc_info"], KeyError)

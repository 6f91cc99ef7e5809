"""What the gateway tells of its tasks at the end, and what it still writes."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path

from edgeflash.access import UserRole, Who
from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import free_port, write_demo_site
from edgeflash.gateway.gateway import Gateway, _failure_of
from edgeflash.gateway.site import checked_site
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import Declared
from edgeflash.service import SYSTEM_CLOCK

MARA = Who("mara", UserRole.OPERATOR, "operator socket")


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


async def test_what_is_put_in_the_last_moment_is_kept(tmp_path: Path) -> None:
    """States and the order to end in one turn of the loop: the tasks that write them end first."""
    site = checked_site(
        write_demo_site(tmp_path, [Endpoint("kestrel-1", "127.0.0.1", free_port())], 1.0)
    )
    gateway, stop = Gateway(site), asyncio.Event()
    wanted = {f"a test/{n}": f"state {n}" for n in range(20)}

    def put_and_end() -> None:
        (worker,) = gateway._workers
        now, mono_s = SYSTEM_CLOCK.utc_now(), SYSTEM_CLOCK.mono_s()
        worker.declared.declare(Declared.MAINTENANCE, 60.0, MARA, "", now, mono_s)
        for key, text in wanted.items():
            worker.alarms.saver.put(key, text)
        stop.set()

    await gateway.run(stop, put_and_end)
    with Journal.open_readonly(site.state_dir / JOURNAL_NAME) as journal:
        states = journal.states()
    assert "maintenance" in states["declared/kestrel-1"]
    assert wanted.items() <= states.items()

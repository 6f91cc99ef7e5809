"""Driving test values through a real socket, real operations and a real journal."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from edgeflash.access import UserRole, Who
from edgeflash.alarms.acknowledging import OperatorSocket, Reply, Request
from edgeflash.alarms.asking import GatewayError, GatewayRefusedError
from edgeflash.gateway.operator_requests import OperatorRequests
from edgeflash.outlets.values import OutletUnits
from edgeflash.publication import TestSignal
from edgeflash.service import SYSTEM_CLOCK
from edgeflash.signal_check.driving import Driver
from edgeflash.signal_check.plan import Step, plan
from edgeflash.trust import Quality
from tests.unit.gateway.test_operations import Bench, bench
from tests.waiting import until

ORLA = Who("orla", UserRole.ENGINEER, "opcua 192.0.2.7:50112")


def steps(*points: str) -> tuple[Step, ...]:
    """The first step of each point."""
    planned = plan(OutletUnits("degC", "kPa"), points)
    return tuple(next(s for s in planned if s.point == point) for point in points)


@asynccontextmanager
async def socket_of(role: UserRole) -> AsyncIterator[tuple[Path, Bench]]:
    """A socket at which whoever asks has that role."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "operator.sock"
        async with bench(Path(folder)) as made:
            requests = OperatorRequests(made.operations)

            async def answer(request: Request, who: Who) -> Reply:
                return await requests.answer(request, replace(who, role=role))

            serving = asyncio.create_task(OperatorSocket(path, answer).run())
            await until(path.exists)
            try:
                yield path, made
            finally:
                serving.cancel()
                await asyncio.wait([serving])


def shown(made: Bench) -> set[str]:
    """The points under test."""
    return set(made.served.tests.shown(SYSTEM_CLOCK.mono_s()))


async def test_only_the_own_test_ends_with_the_check() -> None:
    """One after the other is shown; another person's stays, also one of the same point."""
    first, second = steps("stream", "margin_c")
    async with socket_of(UserRole.ENGINEER) as (path, made):
        test = made.operations.test_signal
        await test("kestrel-1", "epoch", TestSignal(50, Quality.TEST), 600.0, ORLA)

        def drive() -> Driver:
            driver = Driver(path, "kestrel-1", 600.0)
            driver.demand()
            with driver:
                driver.show(first)
                assert (shown(made), driver.ended()) == ({"epoch", "stream"}, "")
                driver.show(second)
                assert (shown(made), driver.ended()) == ({"epoch", "margin_c"}, "")
            return driver

        assert (await asyncio.to_thread(drive)).restored.startswith("Every test value was taken")
        assert shown(made) == {"epoch"}


async def test_another_persons_test_of_the_point_is_in_the_way() -> None:
    """It is refused in words, stays, and no value of ours is said to have been shown."""
    (step,) = steps("stream")
    async with socket_of(UserRole.ENGINEER) as (path, made):
        signal = TestSignal(7, Quality.TEST)
        await made.operations.test_signal("kestrel-1", "stream", signal, 600.0, ORLA)

        def drive() -> Driver:
            driver = Driver(path, "kestrel-1", 600.0)
            with driver, pytest.raises(GatewayRefusedError, match="orla has a test of it"):
                driver.show(step)
            return driver

        assert (await asyncio.to_thread(drive)).restored == "No test value was shown."
        assert dict(made.served.tests.shown(SYSTEM_CLOCK.mono_s())) == {"stream": signal}


async def test_who_may_not_is_refused_before_anything_is_shown() -> None:
    """An operator; and without a gateway nothing is said of values that never were."""
    async with socket_of(UserRole.OPERATOR) as (path, _):
        driver = Driver(path, "kestrel-1", 60.0)
        with pytest.raises(GatewayRefusedError, match="needs the role engineer"):
            await asyncio.to_thread(driver.demand)
    gone = Driver(path, "kestrel-1", 60.0)
    with gone, pytest.raises(GatewayError, match="no gateway runs here"):
        gone.show(steps("stream")[0])
    assert gone.restored == "No test value was shown."

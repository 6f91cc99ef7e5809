"""A client that closes its session and is gone at once leaves nothing behind.

Source: OPC 10000-4, 5.6.4 (CloseSession deletes the session's subscriptions). The bytes are made by
asyncua's client side.
"""

from __future__ import annotations

from pathlib import Path

from asyncua import ua

from tests.hostile.opcua_frames import Caller
from tests.integration.outlets.secured import secured
from tests.waiting import until

TIMES, EACH = 5, 4


async def test_subscriptions_of_a_lost_connection_end(tmp_path: Path) -> None:
    """Several subscriptions of a session, CloseSession, and a reset without waiting for it."""
    async with secured(tmp_path, allow_open_endpoint=True) as plant:
        inner = plant.server.iserver
        port = plant.server.bserver.port
        for _ in range(TIMES):
            caller = Caller(port, "127.0.0.1")
            assert await caller.activated()
            for _ in range(EACH):
                caller.writer.write(caller.request(ua.CreateSubscriptionRequest()))
                assert await caller.answer() is not None
            caller.writer.write(caller.request(ua.CloseSessionRequest()))
            await caller.close(rudely=True)
        # A session whose end did not get through lives on until its timeout of some seconds.
        await until(lambda: not inner._external_sessions, timeout_s=60.0)
        await until(lambda: not inner.subscription_service.subscriptions, timeout_s=30.0)

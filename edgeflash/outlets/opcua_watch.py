"""What changes while the server runs: its own certificate, whom it trusts, and its users."""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import Any

import structlog
from asyncua.ua.status_codes import StatusCodes

from edgeflash.errors import EdgeflashError
from edgeflash.outlets.opcua_channel import GuardedProcessor
from edgeflash.outlets.opcua_identity import ANONYMOUS
from edgeflash.outlets.opcua_security import ServerSecurity
from edgeflash.service.expiry import Reminder, Stage, stage_of, state_text

LOOK_EVERY_S = 2.0

_log = structlog.get_logger(__name__)


class SecurityWatch:
    """Looks every LOOK_EVERY_S while it runs; nothing it finds stops the server."""

    def __init__(self, security: ServerSecurity) -> None:
        self._security = security
        self._turn = asyncio.Lock()
        self._reminder = Reminder()
        self._told: frozenset[str] = frozenset()
        self.own_state = ""
        """How the own certificate stands, in words; "" without one."""
        self.own_stage = Stage.FINE

    async def run(self, server: Any) -> None:
        """Looks until cancelled. server: the BoundedServer."""
        while self._security.own is not None:
            await self.look(server)
            await asyncio.sleep(LOOK_EVERY_S)

    async def look(self, server: Any) -> None:
        """Takes over what has changed. What cannot be looked at is said once, and keeps nothing
        else from being looked at: a spoiled list of certificates must not keep a user signed in."""
        faults = []
        async with self._turn:
            now = self._security.now()
            self._remind(now)
            for look in (self._take_over_renewed, self._end_distrusted, self._end_removed):
                try:
                    await look(server, now)
                except Exception as error:
                    is_known = isinstance(error, EdgeflashError | OSError)
                    faults.append(str(error) if is_known else repr(error))
                    if faults[-1] not in self._told:
                        trace = None if is_known else error
                        why = faults[-1]
                        _log.error("opcua_security_not_looked_at", why=why, exc_info=trace)
        self._told = frozenset(faults)

    async def _take_over_renewed(self, server: Any, now: datetime) -> None:
        """Offers a renewed own certificate."""
        if not await asyncio.to_thread(self._security.is_renewed):
            return
        await asyncio.to_thread(self._security.reload_own)
        self._security.take_over_own(server)
        own = self._security.own
        assert own is not None
        _log.warning(
            "own_certificate_taken_over",
            thumbprint=own.facts.thumbprint,
            until=f"{own.facts.not_after:%Y-%m-%d}",
        )

    def _remind(self, now: datetime) -> None:
        own = self._security.own
        assert own is not None
        validity = (own.facts.not_before, own.facts.not_after, now)
        self.own_state, self.own_stage = state_text(*validity), stage_of(*validity)
        if self._reminder.due(self.own_stage, now):
            say = _log.error if self.own_stage >= Stage.EXPIRED else _log.warning
            say("own_certificate_ends", state=self.own_state, remedy="edgeflash keys renew")

    async def _end_distrusted(self, server: Any, now: datetime) -> None:
        """Ends the channels whose certificate is not accepted any more."""
        trust = self._security.trust
        if trust is None:
            return
        for processor in _processors(server):
            der = processor.certificate
            if not der:
                continue
            refusal = await asyncio.to_thread(trust.check, der, now)
            if refusal is not None:
                _log.warning("opcua_client_ended", peer=processor.client, why=refusal.why)
                await _end(processor)

    async def _end_removed(self, server: Any, now: datetime) -> None:
        """Ends the sessions of users that are gone, or have another password or role by now."""
        if self._security.users is None:
            return
        users = await asyncio.to_thread(self._security.users.users)
        for session in list(server.iserver._external_sessions.values()):
            who = session.who
            if who is None or who.name == ANONYMOUS:
                continue
            known = users.get(who.name)
            if session.user_as_signed_in is None:
                session.user_as_signed_in = known
            if known is None or known != session.user_as_signed_in or known.role != who.role:
                _log.warning("opcua_user_ended", user=who.name, peer=session.client)
                for processor in _processors(server):
                    if processor.session is session:
                        await _end(processor)
                await session.close_session()


def _processors(server: Any) -> list[GuardedProcessor]:
    clients = server.bserver.clients if server.bserver is not None else []
    return [c.processor for c in list(clients) if isinstance(c.processor, GuardedProcessor)]


async def _end(processor: GuardedProcessor) -> None:
    if processor.session is not None:
        await processor.session.close_session()
    processor.end(StatusCodes.BadSecurityChecksFailed)

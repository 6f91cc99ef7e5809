"""The OPC UA link of one analyzer: connects, polls or is told, hands over scans, comes back."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Never

import structlog

from edgeflash.config.node_map import NodeMap
from edgeflash.config.site import Analyzer
from edgeflash.link_figures import LinkFigures
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.link import OnScan, OnState
from edgeflash.links.node_reading import prepare_nodes
from edgeflash.links.opcua_connection import OpcUaConnection
from edgeflash.links.opcua_security import LinkKeys
from edgeflash.links.reading import Mark, ReadingState, scan_steps
from edgeflash.links.source import played
from edgeflash.links.stamp_habit import StampHabit
from edgeflash.links.upkeep import Upkeep
from edgeflash.publication import LinkState
from edgeflash.service.backoff import next_slot_s
from edgeflash.service.clock import Clock

CLOSE_S = 2.0
"""How long the farewell to a server may take before the connection is simply dropped."""
SHORT_S = 5.0
"""A connection that did not last so long is not opened again at once: its server has a reason."""
LEAST_GAP_S = 0.05
"""Between two polls, however fast the analyzer's numbers move."""

_log = structlog.get_logger(__name__)


class OpcUaLink:
    """Reads one analyzer over OPC UA until it is cancelled.

    known: the last cycle the journal has, so that a restart does not deliver it again.
    """

    def __init__(
        self,
        analyzer: Analyzer,
        node_map: NodeMap,
        known: Mark | None,
        clock: Clock,
        keys: LinkKeys,
    ) -> None:
        assert analyzer.opcua is not None  # the site's checks choose the link by it
        self._analyzer, self._peer = analyzer, analyzer.opcua.url
        self._map, self._clock, self._keys = node_map, clock, keys
        self._reading = prepare_nodes(analyzer.id, node_map)
        self._state = ReadingState(known)
        self._upkeep = Upkeep(analyzer)
        self._woken = asyncio.Event()
        self._habit = StampHabit()
        self._diagnostics = LinkDiagnostics()
        self.answered_mono_s: float | None = None
        """When the analyzer last answered anything, on the monotonic clock."""

    def _note_answer(self) -> None:
        self.answered_mono_s = self._clock.mono_s()

    @property
    def figures(self) -> LinkFigures:
        """What its reads came to so far; what the server tells by itself is not counted."""
        return self._diagnostics.figures(self._clock.mono_s())

    async def run(self, on_scan: OnScan, on_state: OnState) -> Never:
        """Read for ever. on_state is called before the scan it is for, as Link says.

        Each scan is awaited before the next poll: a slow receiver slows this analyzer only. What
        on_scan raises ends the run.
        """
        self._upkeep.show(on_state, LinkState.CONNECTING, f"connecting to {self._peer}")
        while True:
            connection = OpcUaConnection(
                self._analyzer,
                self._map,
                self._keys,
                self._clock,
                self._note_answer,
                self._woken.set,
                self._diagnostics,
                self._habit,
            )
            delay_s, began_s = 0.0, self._clock.mono_s()
            try:
                await connection.open()
                await self._poll(connection, on_scan, on_state)
            except LinkError as error:
                self._diagnostics.note_fault(error.fault)
                delay_s = self._failed(error, on_state)
            finally:
                await self._part(connection)
            if self._clock.mono_s() - began_s < SHORT_S:
                delay_s = max(delay_s, self._analyzer.backoff_first_s)
            await asyncio.sleep(delay_s)

    async def _part(self, connection: OpcUaConnection) -> None:
        try:
            async with asyncio.timeout(CLOSE_S):
                await connection.close()
        except TimeoutError:
            _log.debug("farewell_unanswered", analyzer=self._analyzer.id)

    async def _poll(self, connection: OpcUaConnection, on_scan: OnScan, on_state: OnState) -> None:
        """Poll one connection on a fixed grid, and at once when told, until it fails.

        Raises LinkError. Returns when the server has closed between two polls: that alone is no
        failure. The next poll then comes on a new connection.
        """
        self._state = replace(self._state, ring_due=True)
        slot_s = self._clock.mono_s()
        while True:
            self._woken.clear()
            steps = scan_steps(
                self._reading, self._state, self._clock.utc_now(), self._clock.mono_s()
            )
            scan, after = await played(steps, connection.read)
            self._upkeep.works(on_state, f"reading {self._peer}")
            await on_scan(replace(scan, server_zero_mono_s=connection.server_zero_mono_s))
            self._upkeep.tell_pulse(self._state, after)
            self._state = after
            slot_s = next_slot_s(slot_s, self._analyzer.poll_s, self._clock.mono_s())
            await self._wait_until(slot_s, connection)
            if connection.is_lost:
                return

    async def _wait_until(self, slot_s: float, connection: OpcUaConnection) -> None:
        """Until the slot, or the moment a subscribed number moves, but never at once: a server that
        does not stop telling of changes must not take the loop from the other analyzers."""
        await asyncio.sleep(max(0.0, min(LEAST_GAP_S, slot_s - self._clock.mono_s())))
        while (left_s := slot_s - self._clock.mono_s()) > 0 and not connection.is_lost:
            until_renewal_s = connection.renew_at_mono_s - self._clock.mono_s()
            try:
                async with asyncio.timeout(max(0.0, min(left_s, until_renewal_s))):
                    await self._woken.wait()
            except TimeoutError:
                await connection.renew_if_due()
            else:
                return

    def _failed(self, error: LinkError, on_state: OnState) -> float:
        """Shows a failure; seconds until the next attempt.

        A session that was dropped is opened anew at once, the first time. Who is not let in asks
        again at backoff_max_s only: some servers lock out who asks too often.
        """
        if error.fault is LinkFault.SESSION_LOST and not self._upkeep.failures:
            self._upkeep.failures += 1
            return 0.0
        is_ours = error.fault.is_misconfiguration
        state = LinkState.MISCONFIGURED if is_ours else LinkState.DOWN
        self._upkeep.show(on_state, state, error.sentence, error.fault)
        if error.fault is LinkFault.NOT_ADMITTED:
            return self._analyzer.backoff_max_s
        return self._upkeep.next_backoff_s()

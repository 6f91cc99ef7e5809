"""The Modbus link of one analyzer: connects, polls, hands over scans, comes back by itself.

Alone on a TCP connection, or as one unit of a line that others share: the polling is the same.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import Never, Protocol, TypeAlias

from edgeflash.config.register_map import RegisterMap
from edgeflash.config.site import Analyzer
from edgeflash.link_figures import LinkFigures
from edgeflash.links.connection import ModbusConnection
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.link import OnScan, OnState
from edgeflash.links.plan import plan_reads
from edgeflash.links.reading import Mark, ReadingState, prepare
from edgeflash.links.source import RegisterSource, read_scan
from edgeflash.links.upkeep import Upkeep
from edgeflash.publication import LinkState
from edgeflash.service.backoff import next_slot_s
from edgeflash.service.clock import Clock


class Connection(RegisterSource, Protocol):
    """What a link reads through. Any of its methods that waits raises LinkError."""

    @property
    def is_lost(self) -> bool:
        """True when it must be opened anew."""

    async def open(self) -> None:
        """Returns when it can be read through."""

    def close(self) -> None:
        """Gives it up at once."""


Connect: TypeAlias = Callable[[LinkDiagnostics, Callable[[], None]], Connection]
"""Makes a connection. The function is to be called for every answer, refusals included."""


class ModbusLink:
    """Reads one analyzer until it is cancelled.

    known: the last cycle the journal has, so that a restart does not deliver it again. connect,
    peer: how it is reached, and that in words; by default Modbus TCP at the analyzer's host.
    Raises PlanError when the map cannot be read.
    """

    def __init__(
        self,
        analyzer: Analyzer,
        register_map: RegisterMap,
        known: Mark | None,
        clock: Clock,
        connect: Connect | None = None,
        peer: str = "",
    ) -> None:
        self._analyzer = analyzer
        self._map = register_map
        self._clock = clock
        self._reading = prepare(analyzer.id, register_map)
        self._state = ReadingState(known)
        self._upkeep = Upkeep(analyzer)
        self._diagnostics = LinkDiagnostics()
        self._connect = connect or self._over_tcp
        self._peer = peer or f"{analyzer.host}:{analyzer.port}"
        self.answered_mono_s: float | None = None
        """When the analyzer last answered anything, on the monotonic clock."""

    def _note_answer(self) -> None:
        self.answered_mono_s = self._clock.mono_s()

    @property
    def figures(self) -> LinkFigures:
        """What the requests came to so far."""
        return self._diagnostics.figures(self._clock.mono_s())

    def _over_tcp(
        self, diagnostics: LinkDiagnostics, on_answer: Callable[[], None]
    ) -> ModbusConnection:
        analyzer = self._analyzer
        assert analyzer.host is not None  # the site's checks choose the link by it
        return ModbusConnection(
            analyzer.host,
            analyzer.port,
            analyzer.unit_id,
            analyzer.timeout_s,
            analyzer.retries,
            on_answer,
            diagnostics,
            self._clock.mono_s,
        )

    async def run(self, on_scan: OnScan, on_state: OnState) -> Never:
        """Poll for ever. on_state is called before the scan it is for, as Link says.

        Each scan is awaited before the next poll: a slow receiver slows this analyzer only, and
        missed slots are left out. What on_scan raises ends the run.
        """
        self._upkeep.show(on_state, LinkState.CONNECTING, f"connecting to {self._peer}")
        while True:
            connection = self._connect(self._diagnostics, self._note_answer)
            try:
                await connection.open()
                await self._poll(connection, on_scan, on_state)
            except LinkError as error:
                self._upkeep.show(on_state, LinkState.DOWN, error.sentence, error.fault)
                delay_s = self._upkeep.next_backoff_s()
            else:
                delay_s = 0.0
            finally:
                connection.close()
            await asyncio.sleep(delay_s)

    async def _poll(self, connection: Connection, on_scan: OnScan, on_state: OnState) -> None:
        """Poll one connection on a fixed grid until it fails. Raises LinkError.

        Returns when the peer has closed between two polls: some close idle connections as a
        habit, so that alone is no failure. The next poll then comes on a new connection.
        """
        self._state = replace(self._state, ring_due=True)
        slot_s = self._clock.mono_s()
        while True:
            wait_s = 0.0
            try:
                scan, after = await read_scan(
                    connection,
                    self._reading,
                    self._state,
                    self._clock.utc_now(),
                    self._clock.mono_s(),
                )
            except LinkError as error:
                if not error.fault.answered:
                    raise
                wait_s = await self._refused(connection, error, on_state)
            else:
                self._upkeep.works(on_state, f"reading {self._peer}")
                await on_scan(scan)
                self._upkeep.tell_pulse(self._state, after)
                self._state = after
            # A refusal moves the grid: the next slot comes at the earliest after its wait.
            now_s = self._clock.mono_s()
            slot_s = next_slot_s(slot_s, self._analyzer.poll_s, now_s + wait_s)
            await asyncio.sleep(slot_s - now_s)
            if connection.is_lost:
                return

    async def _refused(self, connection: Connection, error: LinkError, on_state: OnState) -> float:
        """Show an orderly refusal and give the seconds to leave the analyzer alone.

        A busy analyzer gets `retries` further polls at the usual pace before the link counts as
        down. A misconfigured one is asked again at backoff_max_s only: its firmware or its map
        must change first.
        """
        if error.fault.is_misconfiguration:
            if not self._upkeep.is_told(LinkState.MISCONFIGURED, error.fault):
                sentence = await self._name_refused_role(connection, error)
                self._upkeep.show(on_state, LinkState.MISCONFIGURED, sentence, error.fault)
            return self._analyzer.backoff_max_s
        if error.fault is LinkFault.BUSY and self._upkeep.failures < self._analyzer.retries:
            self._upkeep.failures += 1
            return 0.0
        self._upkeep.show(on_state, LinkState.DOWN, error.sentence, error.fault)
        return self._upkeep.next_backoff_s()

    async def _name_refused_role(self, source: RegisterSource, error: LinkError) -> str:
        """Which role's addresses are refused. Raises LinkError when the connection fails.

        A device refuses a whole block for one missing register, so each role is read by itself.
        """
        for role, place in self._map.roles.items():
            plan = plan_reads({role: place}, self._map, max_gap=0)
            for block in plan.blocks:
                try:
                    await source.read(block.table, block.address, block.count)
                except LinkError as refusal:
                    if not refusal.fault.is_misconfiguration:
                        raise
                    return (
                        f"{self._peer} refuses {place.table} address {place.address} "
                        f"(protocol address {block.address}, {block.count} long) of role {role}: "
                        f"{refusal.fault.value}; correct the register map"
                    )
        return (
            f"{error.sentence}; every role can be read by itself, so the addresses between them "
            "are missing: set max_gap = 0 in the register map or list them under forbidden"
        )

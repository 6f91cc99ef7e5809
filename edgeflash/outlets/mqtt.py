"""The MQTT outlet: a connection, and who speaks over it, as the gateway runs its outlets."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.errors import StorageError
from edgeflash.outlets.mqtt_aside import SetAside
from edgeflash.outlets.mqtt_connection import MqttConnection, Speaker
from edgeflash.outlets.mqtt_figures import MqttFigures, Owed
from edgeflash.publication import View
from edgeflash.service import SYSTEM_CLOCK, Clock

COUNT_EVERY_S = 10.0
"""How often what is owed is counted."""


class OutletSpeaker(Speaker, Protocol):
    """A speaker with what the gateway gives and asks."""

    @property
    def fault(self) -> str:
        """What a session that stands does not bring to the broker; empty when it brings all."""

    def offer(self, views: Sequence[View]) -> None:
        """Takes the newest views of these analyzers; never waits."""

    @property
    def aside(self) -> tuple[SetAside, ...]:
        """Messages that are set aside."""

    def try_again(self) -> int:
        """Offers what is set aside once more; how many messages."""

    async def give_up(self) -> tuple[SetAside, ...]:
        """Lets go of what is set aside. Raises StorageError."""

    async def owed(self) -> tuple[Owed, ...]:
        """What is owed of each stream, the results first. Raises StorageError."""


class MqttOutlet:
    """One [[mqtt]] entry at work. It serves from its start, whether there is a broker or not:
    what it owes waits in the journal."""

    def __init__(
        self,
        entry: MqttEntry,
        site_name: str,
        site_dir: Path,
        speaker: OutletSpeaker,
        clock: Clock = SYSTEM_CLOCK,
    ) -> None:
        self._connection = MqttConnection(entry, site_name, site_dir, clock)
        self._speaker = speaker
        self._owed: tuple[Owed, ...] = ()
        self._tasks: list[asyncio.Task[None]] = []

    @property
    def endpoint(self) -> str:
        """The broker."""
        return self._connection.entry.broker

    @property
    def figures(self) -> MqttFigures:
        """How it fares now."""
        figures = self._connection.figures
        fault = figures.fault or self._speaker.fault
        waiting = self._owed[0].waiting if self._owed else 0
        aside = len(self._speaker.aside)
        return replace(figures, waiting=waiting, owed=self._owed, aside=aside, fault=fault)

    @property
    def speaker(self) -> OutletSpeaker:
        """Who speaks over it."""
        return self._speaker

    async def start(self) -> None:
        """Begins to connect; returns at once."""
        self._tasks = [
            asyncio.create_task(self._connection.run(self._speaker), name="mqtt connection"),
            asyncio.create_task(self._count_for_ever(), name="mqtt counting"),
        ]

    async def publish(self, views: Sequence[View]) -> None:
        """Hands over the newest views. Raises what ended the connection's task, if anything did."""
        for task in self._tasks:
            if task.done():
                task.result()
        self._speaker.offer(views)

    async def stop(self) -> None:
        """Says the last words and goodbye."""
        tasks, self._tasks = self._tasks, []
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)

    async def _count_for_ever(self) -> None:
        while True:
            with contextlib.suppress(StorageError):
                self._owed = await self._speaker.owed()
            await asyncio.sleep(COUNT_EVERY_S)

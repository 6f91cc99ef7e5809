"""The site's MQTT outlets: how each is made, and what the journal owes to whom."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, assert_never

import structlog

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.site import Site, SiteFile
from edgeflash.errors import StorageError
from edgeflash.journal import Journal
from edgeflash.model import EventEntry
from edgeflash.outlets import MqttOutlet
from edgeflash.outlets.mqtt_aside import let_go
from edgeflash.service import Clock

if TYPE_CHECKING:
    from edgeflash.outlets.mqtt import OutletSpeaker

PREFIXES = ("mqtt:", "events:mqtt:")
"""With which the names of MQTT outlets begin among the journal's consumers."""

log = structlog.get_logger("edgeflash.mqtt")


def made_mqtt_outlet(
    entry: MqttEntry,
    site: Site,
    journal: Journal,
    clock: Clock,
    note: Callable[[EventEntry], None] = lambda entry: None,
) -> MqttOutlet:
    """The outlet of one entry. note: takes lines for the event record."""
    from edgeflash.outlets.mqtt_speech import JsonSpeaker
    from edgeflash.outlets.sparkplug_speech import SparkplugSpeaker

    name = site.file.site.name
    numbers = {analyzer.id: analyzer.number for analyzer in site.file.analyzers}
    speaker: OutletSpeaker
    match entry.form:
        case "json":
            speaker = JsonSpeaker(entry, name, list(numbers), journal, clock, note)
        case "sparkplug":
            speaker = SparkplugSpeaker(entry, name, numbers, journal, clock)
        case _:
            assert_never(entry.form)
    return MqttOutlet(entry, name, site.path.absolute().parent, speaker, clock)


def result_consumers(file: SiteFile) -> tuple[str, ...]:
    """Outlets that must have every result, by their names in the journal."""
    return tuple(entry.consumer for entry in file.mqtt)


def event_consumers(file: SiteFile) -> tuple[str, ...]:
    """Outlets that must have every line of the event record, by their names in the journal."""
    return tuple(entry.event_consumer for entry in file.mqtt if entry.form == "json")


def settle_consumers(file: SiteFile, journal: Journal) -> None:
    """Gives a new outlet its beginning in the journal, and lets go of those that are no more.

    To be done before anything new is journaled. Blocks. A disk that refuses is told, and lets a new
    outlet begin with all that the journal holds.
    """
    try:
        known = journal.positions()
        in_force = (*result_consumers(file), *event_consumers(file))
        for entry in file.mqtt:
            for consumer, last in (
                (entry.consumer, journal.newest),
                (entry.event_consumer, journal.last_event),
            ):
                if consumer in in_force and consumer not in known:
                    begin = last() if entry.start_from == "now" else 0
                    journal.advance(consumer, begin)
                    log.info(
                        "an mqtt outlet is new to the journal",
                        consumer=consumer,
                        sends="all it holds" if begin == 0 else "what comes from now on",
                    )
        for consumer in known:
            if consumer.startswith(PREFIXES) and consumer not in in_force:
                is_result = consumer.startswith(PREFIXES[0])
                owed = journal.pending(consumer) if is_result else journal.pending_events(consumer)
                journal.retire(consumer)
                log.warning(
                    "an mqtt outlet is no longer in the site file; what it was owed is let go",
                    consumer=consumer,
                    owed=owed,
                )
        if gone := let_go(journal, in_force):
            log.warning("messages set aside for outlets that are no more are let go", owed=gone)
    except StorageError as error:
        log.error("the places of the mqtt outlets in the journal cannot be set", why=str(error))

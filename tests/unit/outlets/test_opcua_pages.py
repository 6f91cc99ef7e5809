"""The limits that the pages on OPC UA name are those in force."""

from __future__ import annotations

from pathlib import Path

from edgeflash.config.site import OpcUaServer
from edgeflash.outlets import (
    continuations,
    opcua_bounds,
    opcua_history,
    opcua_history_tasks,
    opcua_limits,
    opcua_monitored_items,
    opcua_monitoring,
    opcua_subscriber,
)

DOCS = Path(__file__).parents[3] / "docs"


def page(name: str) -> str:
    return " ".join((DOCS / name).read_text("utf-8").split())


def test_limits_of_subscriptions() -> None:
    text, share = page("opcua-subscriptions.md"), opcua_limits.Limits.of_each(OpcUaServer())
    for line in (
        f"| publishing interval | {opcua_monitoring.LEAST_PUBLISHING_MS:g} ms to "
        f"{opcua_monitoring.MOST_PUBLISHING_MS / 3_600_000:g} h |",
        f"| sampling interval | 0, or {opcua_monitored_items.LEAST_SAMPLING_MS:g} ms to "
        f"{opcua_monitored_items.MOST_SAMPLING_MS / 3_600_000:g} h |",
        f"| queue of an item | {opcua_monitored_items.MAX_QUEUED_VALUES:,} |",
        f"together | {opcua_limits.PLACES_OF_AN_ITEM} places for each monitored item it may have "
        f"({share.places:,} by default);",
        f"one for each {opcua_limits.ITEMS_FOR_AN_EVENT_ITEM} monitored items it may have "
        f"({share.event_items:,} by default)",
        f"| notifications in a message | {opcua_subscriber.MAX_NOTIFICATIONS:,} |",
        f"the last {opcua_bounds.MAX_UNACKNOWLEDGED} messages and "
        f"{opcua_subscriber.MAX_KEPT_NOTIFICATIONS:,} notifications",
    ):
        assert line in text, line


def test_limits_of_the_history() -> None:
    text = page("opcua-history.md")
    for words in (
        f"Pages: {opcua_history.MAX_VALUES:,} values in an answer",
        f"serves once, for {continuations.KEPT_S / 60:g} minutes;",
        f"a session has at most {continuations.MAX_KEPT}.",
        f"At most {opcua_history.MAX_NODES} nodes and {opcua_history_tasks.MAX_TIMES:,} times",
        f"keep at most {continuations.MAX_HELD:,} times",
    ):
        assert words in text, words
    assert opcua_history.MAX_AT_ONCE == 2

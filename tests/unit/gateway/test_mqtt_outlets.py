"""What the journal owes to MQTT outlets: a beginning, nothing deleted too early, an end."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.site import SiteFile, SiteHeader
from edgeflash.gateway.mqtt_outlets import event_consumers, result_consumers, settle_consumers
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind
from tests.unit.outlets.builders import START, analyzer, result

LATER = START + timedelta(days=365)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


def file_of(*ids: str, **more: object) -> SiteFile:
    """A site with an MQTT outlet for each id."""
    entries = tuple(
        MqttEntry.model_validate({"id": one, "host": "10.20.0.40"} | more) for one in ids
    )
    return SiteFile(site=SiteHeader(name="Invented Bend"), mqtt=entries, analyzers=(analyzer(),))


def fill(journal: Journal, first: int, count: int) -> None:
    """Results and as many events."""
    for number in range(first, first + count):
        journal.append(result(cycle_number=number)).result()
        journal.append_event(EventEntry(START, EventKind.COMMENT, text=str(number))).result()


def test_a_new_outlet_begins_with_what_comes(journal: Journal) -> None:
    """A consumer that is set up today must not take last month's cycles for news."""
    fill(journal, 1, 5)
    settle_consumers(file_of("panel"), journal)
    assert journal.pending("mqtt:panel") == 0
    assert journal.pending_events("events:mqtt:panel") == 0
    fill(journal, 6, 2)
    settle_consumers(file_of("panel"), journal)
    assert journal.pending("mqtt:panel") == 2, "the second start is no beginning"
    assert journal.pending_events("events:mqtt:panel") == 2


def test_a_new_outlet_begins_with_all_where_the_site_says_so(journal: Journal) -> None:
    """start_from = "journal"."""
    fill(journal, 1, 5)
    settle_consumers(file_of("panel", start_from="journal"), journal)
    assert journal.pending("mqtt:panel") == 5
    assert journal.pending_events("events:mqtt:panel") == 5


def test_an_outlet_of_a_new_journal_misses_nothing(journal: Journal) -> None:
    """Its beginning is noted before the first result, so that a kill in between loses none."""
    settle_consumers(file_of("panel"), journal)
    assert journal.positions() == {"events:mqtt:panel": 0, "mqtt:panel": 0}
    fill(journal, 1, 1)
    settle_consumers(file_of("panel"), journal)
    assert journal.pending("mqtt:panel") == 1


def test_what_is_owed_is_not_trimmed(journal: Journal) -> None:
    """However old it is; what has gone is."""
    file = file_of("panel", "office")
    settle_consumers(file, journal)
    fill(journal, 1, 200)
    journal.advance("mqtt:panel", journal.newest())
    journal.advance("mqtt:office", 150)
    journal.advance("history", journal.newest())
    journal.advance("events:mqtt:panel", journal.last_event())
    journal.advance("events:mqtt:office", 150)
    journal.trim(LATER, ("history", *result_consumers(file)))
    journal.trim_events(LATER, event_consumers(file))
    assert journal.pending("mqtt:office") == 50
    assert journal.count() < 200, "nothing was trimmed at all"
    assert journal.pending_events("events:mqtt:office") == 50
    assert len(journal.events_after(0, 1000)) == 50


def test_an_outlet_that_is_gone_holds_nothing(journal: Journal) -> None:
    """Taken out of the site file, it is let go, and the log says how much it was owed."""
    settle_consumers(file_of("panel", "office"), journal)
    fill(journal, 1, 7)
    journal.advance("history", 3)
    with capture_logs() as logs:
        settle_consumers(file_of("panel"), journal)
    gone = {line["consumer"]: line["owed"] for line in logs if line["log_level"] == "warning"}
    assert gone == {"mqtt:office": 7, "events:mqtt:office": 7}
    assert set(journal.positions()) == {"mqtt:panel", "events:mqtt:panel", "history"}


def test_sparkplug_takes_no_events(journal: Journal) -> None:
    """So the event record must not wait for it."""
    file = file_of("hosts", form="sparkplug", group_id="g", node_id="n")
    settle_consumers(file, journal)
    assert set(journal.positions()) == {"mqtt:hosts"}
    assert event_consumers(file) == ()

"""LocalTime of an event. Source: OPC 10000-5, 6.4.2 and OPC 10000-8, 6.2.4 (TimeZoneDataType),
from memory: the offset holds the correction exactly when DaylightSavingInOffset is true. Zones are
written as POSIX has them (IEEE Std 1003.1, 8.3), so that no zone database is needed."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from asyncua import ua

from edgeflash.outlets.opcua_event import base_fields, name

CENTRAL_EUROPE = "CET-1CEST,M3.5.0,M10.5.0/3"
WINTER = datetime(2031, 1, 15, 12, tzinfo=UTC)
SUMMER = datetime(2031, 7, 15, 12, tzinfo=UTC)
CHANGE = datetime(2031, 3, 30, 1, tzinfo=UTC)


@pytest.fixture
def zone(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The machine's time zone."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", request.param)
        time.tzset()
        yield
    time.tzset()


@pytest.mark.parametrize(
    ("zone", "at", "minutes", "in_effect"),
    [
        (CENTRAL_EUROPE, WINTER, 60, False),
        (CENTRAL_EUROPE, SUMMER, 120, True),
        (CENTRAL_EUROPE, CHANGE - timedelta(seconds=1), 60, False),
        (CENTRAL_EUROPE, CHANGE, 120, True),
        ("<+0545>-5:45", SUMMER, 345, False),
        ("NST3:30NDT,M3.2.0,M11.1.0", SUMMER, -150, True),
        ("UTC0", SUMMER, 0, False),
    ],
    indirect=["zone"],
)
@pytest.mark.usefixtures("zone")
def test_it_is_of_the_events_own_time(at: datetime, minutes: int, in_effect: bool) -> None:
    """Whenever the event is told: one of summer keeps its offset in winter."""
    fields = base_fields(
        event_id=b"1",
        type_id=ua.NodeId(ua.ObjectIds.BaseEventType),
        source=ua.NodeId(ua.ObjectIds.Server),
        source_name="kestrel-1",
        at=at,
        received_at=WINTER,
        message="",
        severity=200,
    )
    told = fields[name("LocalTime")].Value
    assert (told.Offset, told.DaylightSavingInOffset) == (minutes, in_effect)

"""Histories in memory, for tests of what reads them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from edgeflash.outlets.history_rows import Place, Query, Reader, Row

NOON = datetime(2024, 1, 1, 12, tzinfo=UTC)
NOW = datetime(2030, 1, 1, tzinfo=UTC)
GOOD, UNCERTAIN, BAD = 0, 0x40950000, 0x80310000
FOR_EVER = timedelta(days=3650)


def second(s: float) -> datetime:
    """So many seconds after noon."""
    return NOON + timedelta(seconds=s)


def row(
    s: float, value: float | None, status: int = GOOD, number: int = 0, stands: timedelta = FOR_EVER
) -> Row:
    """A row so many seconds after noon."""
    at = second(s)
    value = None if status >> 31 else value
    return Row(Place(at, 0, number), value, status, at, at + stands)


def reader(rows: Sequence[Row]) -> Reader:
    """Reads these rows, in whatever order they are given."""
    ordered = sorted(rows, key=lambda r: r.place)

    def read(query: Query) -> list[Row]:
        found = [r for r in ordered if query.takes(r.place)]
        return (found if query.forward else found[::-1])[: query.limit]

    return read

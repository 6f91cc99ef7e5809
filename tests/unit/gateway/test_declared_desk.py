"""What is declared of one analyzer: recorded at its beginning and its end, kept over a restart."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from math import inf
from pathlib import Path

from edgeflash.access import UserRole, Who
from edgeflash.gateway.declared_desk import DeclaredDesk
from edgeflash.journal import Journal
from edgeflash.model import Declared, EventEntry, EventKind

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
MARA = Who("mara", UserRole.OPERATOR, "operator socket")
CHECK = Declared.CHECK_SAMPLE


def at(mono_s: float) -> datetime:
    """The wall clock at an instant of the monotonic one."""
    return AT + timedelta(seconds=mono_s)


async def test_the_end_by_itself_is_recorded_when_it_was(tmp_path: Path) -> None:
    """Once, in nobody's name, with the time at which it ended, however late the look."""
    events: list[EventEntry] = []
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        desk = DeclaredDesk("kestrel-1", journal, AT, 0.0, -inf, events.append)
        desk.declare(CHECK, 10.0, MARA, "fluid 12-B", at(60.0), 60.0)
        desk.look(at(659.0), 659.0)
        assert len(events) == 1
        desk.look(at(700.0), 700.0)
        desk.look(at(701.0), 701.0)
    on, off = events
    assert (on.kind, on.who, on.until) == (EventKind.CHECK_SAMPLE_ON, "mara", at(660.0))
    assert (off.kind, off.who, off.at) == (EventKind.CHECK_SAMPLE_OFF, "", at(660.0))


async def test_one_that_ended_while_nobody_was_there_is_recorded_at_the_start(
    tmp_path: Path,
) -> None:
    """By the new gateway, with the time at which it ended."""
    events: list[EventEntry] = []
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        desk = DeclaredDesk("kestrel-1", journal, AT, 0.0, -inf)
        saving = asyncio.create_task(desk.saver.save_for_ever())
        desk.declare(CHECK, 10.0, MARA, "", at(60.0), 60.0)
        await desk.saver.saved()
        saving.cancel()
        again = DeclaredDesk("kestrel-1", journal, at(9000.0), 5.0, -inf, events.append)
        again.look(at(9001.0), 6.0)
    assert [(e.kind, e.at) for e in events] == [(EventKind.CHECK_SAMPLE_OFF, at(660.0))]
    assert again.running(6.0) == ()

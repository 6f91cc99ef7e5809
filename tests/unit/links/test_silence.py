"""When a subscription counts as lost."""

from __future__ import annotations

import math

from edgeflash.links.opcua_values import NodeValue
from edgeflash.links.silence import SilenceWatch
from edgeflash.model import Role

OLD, NEW = NodeValue(1.0), NodeValue(2.0)


def watch() -> SilenceWatch:
    return SilenceWatch(limit_s=10.0, notice_s=3.0, heard_mono_s=0.0)


def test_nothing_at_all_for_too_long() -> None:
    """Keep-alives count as much as values."""
    watching = watch()
    assert not watching.why_lost(10.0)
    assert "nothing was heard" in watching.why_lost(10.1)
    watching.note_heard(9.0)
    assert not watching.why_lost(19.0)
    assert "nothing was heard" in watching.why_lost(19.1)


def test_a_change_that_is_seen_but_never_notified() -> None:
    """Found when it is read once more, and still differs, after the time for notice."""
    watching = watch()
    watching.note_read(Role.PHASE, NEW, OLD, 0.0)
    watching.note_heard(3.5)
    assert not watching.why_lost(3.5)
    watching.note_read(Role.PHASE, NEW, OLD, 3.5)
    assert "a change of phase" in watching.why_lost(3.5)


def test_a_change_that_is_notified_in_time_or_taken_back() -> None:
    """Either way nothing was missed."""
    for mend in ("notified", "taken back"):
        watching = watch()
        watching.note_read(Role.PHASE, NEW, OLD, 0.0)
        if mend == "notified":
            watching.note_notified(Role.PHASE)
        else:
            watching.note_read(Role.PHASE, OLD, OLD, 1.0)
        watching.note_read(Role.PHASE, NEW, OLD, 4.0)
        assert not watching.why_lost(4.0)


def test_not_a_number_equals_itself_and_a_status_is_a_change() -> None:
    """NaN read and NaN notified is no change; a value that went bad is one."""
    watching = watch()
    nan = NodeValue(math.nan)
    for at_s in (0.0, 5.0):
        watching.note_read(Role.FLASH_POINT, nan, NodeValue(math.nan), at_s)
    assert not watching.why_lost(5.0)
    bad = NodeValue(1.0, 0x80000000, "Bad")
    for at_s in (0.0, 5.0):
        watching.note_read(Role.FLASH_POINT, bad, OLD, at_s)
    assert watching.why_lost(5.0)

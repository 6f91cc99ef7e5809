"""For how long shipping has been behind: over passes, restarts and clocks that are set."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from edgeflash.gateway.ship_record import ShipRecord, UnreadableShipRecordError, as_text, of_text

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
DAY = date(2031, 4, 4)
HOUR_S = 3600.0


def kept_by(record: ShipRecord) -> str:
    """What survives."""
    text = as_text(record.kept)
    assert of_text(text) == record.kept
    return text


def test_behind_is_the_time_since_a_pass_brought_all() -> None:
    """Passes that fail, or leave days behind, do not count."""
    record = ShipRecord.begun("s3://depot", None, AT, 100.0)
    assert record.behind_s(160.0) == 60.0
    record = record.after_pass(DAY, True, AT, 200.0)
    record = record.after_pass(None, False, AT, 300.0)
    record = record.after_pass(DAY - timedelta(days=3), False, AT, 400.0)
    assert record.behind_s(500.0) == 300.0
    assert record.days_not_shipped(DAY + timedelta(days=1)) == 4


def test_nobody_knows_the_days_before_a_pass_has_told() -> None:
    """Then a day that is past is one more until the next pass."""
    record = ShipRecord.begun("s3://depot", None, AT, 0.0)
    assert record.days_not_shipped(DAY) is None
    record = record.after_pass(DAY, True, AT, 10.0)
    assert [record.days_not_shipped(DAY + timedelta(days=n)) for n in range(3)] == [0, 1, 2]


def test_a_restart_hides_nothing_and_cries_no_wolf() -> None:
    """The time before counts as soon as this process has tried: the first pass may mend all."""
    text = kept_by(ShipRecord.begun("s3://depot", None, AT, 0.0).after_pass(DAY, True, AT, 5.0))
    later = AT + timedelta(hours=40)
    record = ShipRecord.begun("s3://depot", text, later, 1000.0)
    assert record.behind_s(1060.0) == 60.0
    assert record.after_pass(None, False, later, 1060.0).behind_s(1060.0) == 40 * HOUR_S + 60.0
    assert record.after_pass(DAY, True, later, 1060.0).behind_s(1061.0) == 1.0


def test_another_store_begins_anew_and_a_clock_set_back_says_nothing() -> None:
    """Neither makes an alarm by itself."""
    text = kept_by(ShipRecord.begun("s3://depot", None, AT, 0.0).after_pass(DAY, True, AT, 5.0))
    later = AT + timedelta(hours=40)
    other = ShipRecord.begun("/mnt/share", text, later, 0.0).after_pass(None, False, later, 9.0)
    assert (other.behind_s(10.0), other.days_not_shipped(DAY)) == (10.0, None)
    earlier = AT - timedelta(days=400)
    back = ShipRecord.begun("s3://depot", text, earlier, 0.0).after_pass(None, False, earlier, 9.0)
    assert back.behind_s(10.0) == 10.0


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"url": 1, "complete_at": 2, "through": 3}'])
def test_what_is_no_record_is_told(text: str) -> None:
    """Whatever the disk gives back."""
    with pytest.raises(UnreadableShipRecordError):
        of_text(text)

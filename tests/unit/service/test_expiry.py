"""When the end of a certificate is told: 60, 30 and 7 days before, behind it, then daily."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from edgeflash.service.expiry import Reminder, Stage, stage_of, state_text

BEGIN = datetime(2031, 1, 1, tzinfo=UTC)
END = datetime(2036, 1, 1, tzinfo=UTC)
DAY, SECOND = timedelta(days=1), timedelta(seconds=1)


@pytest.mark.parametrize(
    ("now", "stage"),
    [
        (BEGIN - SECOND, Stage.NOT_YET_VALID),
        (BEGIN, Stage.FINE),
        (END - 60 * DAY - SECOND, Stage.FINE),
        (END - 60 * DAY, Stage.WITHIN_60_DAYS),
        (END - 30 * DAY, Stage.WITHIN_30_DAYS),
        (END - 7 * DAY, Stage.WITHIN_7_DAYS),
        (END, Stage.WITHIN_7_DAYS),
        (END + SECOND, Stage.EXPIRED),
    ],
)
def test_stages(now: datetime, stage: Stage) -> None:
    """Each begins at its day."""
    assert stage_of(BEGIN, END, now) is stage


def test_words() -> None:
    """What people read."""
    assert state_text(BEGIN, END, END - 1.5 * DAY) == "valid until 2036-01-01, 1 day left"
    assert state_text(BEGIN, END, END - 40 * DAY) == "valid until 2036-01-01, 40 days left"
    assert state_text(BEGIN, END, END + DAY) == "expired on 2036-01-01"
    assert "clock" in state_text(BEGIN, END, BEGIN - DAY)


def test_said_at_each_stage_and_once_a_day() -> None:
    """Looked at every hour for 70 days: nothing, then once, then daily."""
    reminder, told = Reminder(), []
    for hour in range(24 * 70):
        now = END - 62 * DAY + hour * timedelta(hours=1)
        stage = stage_of(BEGIN, END, now)
        if reminder.due(stage, now):
            told.append((now, stage))
    assert told[0] == (END - 60 * DAY, Stage.WITHIN_60_DAYS)
    gaps = {later[0] - earlier[0] for earlier, later in pairwise(told)}
    assert max(gaps) <= DAY
    assert len(told) <= 70
    assert [stage for _, stage in told] == sorted(stage for _, stage in told)
    assert told[-1][1] is Stage.EXPIRED


def test_a_clock_set_back_does_not_silence_it() -> None:
    """Nor does a renewed certificate leave a reminder behind."""
    reminder = Reminder()
    assert reminder.due(Stage.EXPIRED, END)
    assert not reminder.due(Stage.EXPIRED, END + SECOND)
    assert reminder.due(Stage.EXPIRED, END - 2 * DAY)
    assert not reminder.due(Stage.FINE, END)
    assert reminder.due(Stage.EXPIRED, END)

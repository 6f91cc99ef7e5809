"""The analyzer unplugged and back: uncertain, bad and good again on time, nobody else disturbed."""

from __future__ import annotations

import pytest

from tests.faults.unplugged import (
    BACKOFF_S,
    HOLD_S,
    POLL_S,
    RETRIES,
    TICK_S,
    TIMEOUT_S,
    Seen,
    start_server,
    stop_server,
    unplug,
)

SLACK_S = 1.0
"""What a busy machine may add; the promises themselves come from the site file."""

CYCLE_S = 6.0
"""A little more than one simulated cycle (about 200 s) at the speed of the story."""

AFTER_SAMPLE_S = 3.0
"""The hold time counts from the result; its sample is older by the rest of the trace."""


def assert_promises(seen: Seen) -> None:
    """What the site file promises for a lost link."""
    noticed_s = POLL_S + TIMEOUT_S * (RETRIES + 1)
    assert seen.uncertain_after_s <= noticed_s + SLACK_S
    assert HOLD_S <= seen.bad_at_age_s <= HOLD_S + AFTER_SAMPLE_S + TICK_S + SLACK_S
    back_s = max(POLL_S, BACKOFF_S + TIMEOUT_S)
    assert seen.back_after_s <= back_s + SLACK_S, seen.judged
    # A result that nobody watched is uncertain; the first whole cycle after the return is good.
    assert seen.good_after_s <= back_s + 2 * CYCLE_S + SLACK_S, seen.judged
    trusts = [status[:3] for status in seen.statuses]
    order = [t for i, t in enumerate(trusts) if i == 0 or t != trusts[i - 1]]
    unwatched = ["Unc"] if seen.good_after_s - seen.back_after_s > TICK_S else []
    # A client that is slow to connect finds the first good value there already.
    before = [] if order[0] == "Goo" else order[:1]
    assert order == [*before, "Goo", "Unc", "Bad", *unwatched, "Goo"], seen.statuses
    assert "UncertainNoCommunicationLastUsableValue" in seen.statuses
    assert "BadNoCommunication" in seen.statuses
    assert seen.spared_statuses == ["Good"]
    assert seen.spared_cycles >= 1
    # Once, and once more where the cause is another one: no answer, then no connection.
    assert seen.link_lines in (["link down", "link up"], ["link down", "link down", "link up"])


@pytest.mark.slow
async def test_server_stopped() -> None:
    """The analyzer's server is stopped and started again."""
    assert_promises(await unplug(stop_server, start_server))

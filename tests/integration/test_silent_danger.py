"""No silent danger: a product that is truly too low is never shown as good for long.

Thousands of contaminations, as a step or a ramp, from a thousandth to a third of octane, half of
them with other faults of the device, the sensor, the cell or the sampling. What counts and what
does not is said in tests/bench/faults_danger.py. EDGEFLASH_CONTAMINATIONS enlarges the run.
"""

from __future__ import annotations

import os

import pytest

from tests.bench.faults_danger import Account, many, watched
from tests.bench.faults_run import over_cores

CONTAMINATIONS = int(os.environ.get("EDGEFLASH_CONTAMINATIONS", "5000"))
FIRST_SEED = int(os.environ.get("EDGEFLASH_SEED", "0"))
CHUNK = 50


@pytest.fixture(scope="module")
def account() -> Account:
    """What came of them, over all cores."""
    last = FIRST_SEED + CONTAMINATIONS
    jobs = [(seed, min(seed + CHUNK, last)) for seed in range(FIRST_SEED, last, CHUNK)]
    total = Account()
    for part in over_cores(many, jobs, min(os.cpu_count() or 1, 8), "contaminations"):
        total.add(part)
    print(
        f"\n{total.contaminations} contaminations, {total.good} good results,"
        f" {total.low} truly low beyond the margin,"
        f" {total.near} within it; shown good above the limit after the first affected cycle:"
        f" {total.first_cycle}, after more: {len(total.silent)};"
        f" alarm stood at {total.alarmed} results, not at {sum(total.no_alarm.values())}"
        f" {dict(total.no_alarm)}, nor where nothing was seen: {dict(total.blind)}\n"
        f"worst after the first cycle: {total.worst_first}"
    )
    return total


@pytest.mark.slow
def test_a_low_flash_point_is_never_shown_good_for_longer_than_a_cycle(account: Account) -> None:
    """After the second affected cycle nothing above the limit is good."""
    assert account.low > account.contaminations / 5, "too few of them test anything"
    assert account.good > account.contaminations / 5, "where nothing is good, nothing is tested"
    assert account.silent == []


@pytest.mark.slow
def test_the_low_flash_alarm_stands(account: Account) -> None:
    """At every result from the second affected cycle on that shows anything of its sample."""
    assert account.alarmed > account.contaminations / 5
    assert account.no_alarm == {}, f"seeds {account.no_alarm_seeds[:20]}"


def test_a_few_contaminations_at_once() -> None:
    """The same for forty, in every quick run of the tests."""
    total = Account()
    for seed in range(40):
        total.add(watched(seed))
    assert total.low > 8
    assert total.good > 8
    assert total.silent == []

"""What judging remembers: a function of the last results, field by field."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from edgeflash.model import (
    Assessment,
    Computed,
    Finding,
    Phase,
    Result,
    Role,
    Severity,
    Verdict,
)
from edgeflash.rules.catalogue import BY_NAME
from edgeflash.rules.memory import (
    EMPTY,
    LOW_FLASH_STANDS,
    PAST_CYCLES,
    Memory,
    Remembered,
    is_check_sample,
    remembered,
)
from tests.unit.rules.contexts import AT, spoiled
from tests.unit.rules.pasts import UNSOUND, Line

NOTED = Finding(205, "counter_reset", Severity.NOTE, "the counter started again")

RESULT = Result(
    cycle=spoiled(trace=None, epoch=3),
    computed=Computed(
        reported_c=61.0,
        recomputed_c=61.5,
        corrected_c=62.0,
        uncertainty_c=0.1,
        trace_digest=77,
    ),
    findings=(*UNSOUND, NOTED),
    verdict=Verdict.DOUBTFUL,
    published_c=62.0,
    low_flash=False,
    low_flash_alarm=True,
    sampled_at=AT - timedelta(seconds=90),
    judged_at=AT,
    product="gas-oil",
    rules_version="2",
    assessment=Assessment(stream=4, predicted_c=60.0),
)


def test_what_is_kept_of_a_result() -> None:
    """Each field from its own place."""
    assert remembered(RESULT) == Remembered(
        epoch=3,
        cycle_number=42,
        finished_at=AT,
        sampled_at=AT - timedelta(seconds=90),
        stream=4,
        product="gas-oil",
        verdict=Verdict.DOUBTFUL,
        reasons=("cycle_too_long",),
        notes=("counter_reset",),
        value_c=62.0,
        reported_c=61.0,
        uncertainty_c=0.1,
        predicted_c=60.0,
        zero_kpa=0.1,
        trace_digest=77,
        is_check=False,
        was_cleaned=True,
        was_zeroed=True,
        duration_s=172.0,
    )


@pytest.mark.parametrize(
    ("phases", "beside", "check", "cleaned", "zeroed"),
    [
        ((Phase.CHECK_SAMPLE, Phase.HEAT), None, True, False, False),
        ((Phase.CLEAN, Phase.HEAT), Phase.CHECK_SAMPLE, False, True, False),
        ((Phase.ZERO, Phase.HEAT), None, False, False, True),
        ((), Phase.CHECK_SAMPLE, True, False, False),
        ((), Phase.CLEAN, False, True, False),
        ((), None, False, False, False),
    ],
)
def test_the_phases_seen_count_and_without_scans_the_one_beside_the_result(
    phases: tuple[Phase, ...], beside: Phase | None, check: bool, cleaned: bool, zeroed: bool
) -> None:
    """What was watched goes before what one reading showed."""
    cycle = spoiled({Role.PHASE: beside}, phases=phases)
    kept = remembered(replace(RESULT, cycle=cycle))
    assert (kept.is_check, kept.was_cleaned, kept.was_zeroed) == (check, cleaned, zeroed)
    assert is_check_sample(cycle) is check


def test_the_past_is_bounded_and_oldest_first() -> None:
    """The last 64 cycles, believed or not."""
    line = Line()
    for i in range(PAST_CYCLES + 6):
        line.judge(62.0, own=UNSOUND if i % 2 else ())
    assert PAST_CYCLES == 64
    assert [r.cycle_number for r in line.memory.past] == list(range(7, 71))


def test_the_memory_is_that_of_the_last_results() -> None:
    """One by one, all at once, or the last 64 only: the same."""
    line = Line()
    for i in range(100):
        line.judge(62.0 + (i % 7) / 4, own=UNSOUND if i % 5 == 0 else ())
    assert Memory.of(line.results) == line.memory
    assert Memory.of(line.results[-64:]) == line.memory
    assert Memory.of([]) == EMPTY == Memory((), (), False)


def test_alarm_and_checks_are_those_of_the_last_result() -> None:
    """Neither is worked out a second time."""
    assert Memory.of([RESULT]).low_flash_alarm
    assert not Memory.of([RESULT, replace(RESULT, low_flash_alarm=False)]).low_flash_alarm
    assert Memory.of([RESULT]).checks == RESULT.checks
    assert Memory.of([RESULT]).low_flash_streams == ()
    stands = Finding(605, "low_flash_stands", Severity.NOTE, "it stands", 4.0)
    standing = replace(RESULT, findings=(*UNSOUND, stands, replace(stands, measured=7.0)))
    assert Memory.of([standing]).low_flash_streams == (4, 7)
    assert Memory.of([standing, RESULT]).low_flash_streams == ()


def test_only_the_note_of_a_standing_alarm_names_its_streams() -> None:
    """A figure that another rule measured is no number of a stream."""
    notes = (
        Finding(309, "second_ignition", Severity.DOUBT, "", measured=2.0),
        Finding(BY_NAME[LOW_FLASH_STANDS].code, LOW_FLASH_STANDS, Severity.NOTE, "", measured=1.0),
    )
    after = Memory().after(replace(RESULT, findings=notes))
    assert after.low_flash_streams == (1,)

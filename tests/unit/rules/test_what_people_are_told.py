"""Sentences on which somebody acts, to the letter, and what stands when our own judging fails."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from edgeflash.config.site import Product
from edgeflash.model import Role, Severity
from edgeflash.rules.catalogue import BY_NAME
from edgeflash.rules.judge import present_unjudged
from edgeflash.rules.tuning import tuning_mistakes
from edgeflash.trust import Quality
from tests.simulated_line import bench_analyzer
from tests.unit.flash.traces import trace
from tests.unit.rules.contexts import BEFORE, asked, spoiled


def test_no_ignition_says_both_what_it_may_be() -> None:
    """The flash point may be high, or the igniter dead; nobody may take it for the first alone."""
    breach = asked("no_ignition", spoiled({Role.IGNITION_SEEN: False}), {"ignition_count": 0})
    assert breach is not None
    assert breach.sentence == (
        "no ignition by the end of the ramp: the flash point may lie above the range, "
        "or the igniter may be dead"
    )


def test_an_older_time_is_an_old_result_or_a_clock_that_was_set() -> None:
    """A doubt only: the value itself may be right."""
    older = (BEFORE.result_time or BEFORE.finished_at) - timedelta(seconds=1)
    breach = asked("counter_repeated", spoiled({Role.RESULT_TIME: older}, previous=BEFORE))
    assert breach is not None
    assert breach.severity is Severity.DOUBT
    assert breach.sentence == (
        "the result's time lies before the last one's: an old result, or its clock was set"
    )


@pytest.mark.parametrize(("name", "end"), [("", ""), ("gas-oil", "; judged as gas-oil")])
def test_a_missing_product_says_as_what_was_judged_if_as_anything(name: str, end: str) -> None:
    """Without any product there is nothing to name."""
    seen = {"inputs": (), "product": Product(minimum_c=55.0), "product_name": name}
    breach = asked("product_unknown", seen=seen, product_input="grade")
    assert breach is not None
    assert breach.sentence == (f"the input grade, which names the product, was never written{end}")


@pytest.mark.parametrize(("left_kpa", "speaks"), [(45.0, False), (45.1, True)])
def test_a_half_of_the_rise_itself_may_be_left(left_kpa: float, speaks: bool) -> None:
    """Of 90 kPa over a cell at 0: 45 kPa are half (the limit; common practice, no source)."""
    whole = trace(flash_s=None, length_s=122.5, start_c=42.0)
    pressure = np.where(whole.time_s < 120.0, 0.0, left_kpa)
    pressure[np.searchsorted(whole.time_s, 120.0)] = 90.0
    cycle = spoiled({Role.PEAK_PRESSURE: None}, trace=replace(whole, pressure_kpa=pressure))
    assert (asked("not_a_flash", cycle) is not None) is speaks


def test_what_we_cannot_judge_is_bad_and_says_so() -> None:
    """A fault of ours while the present is judged: nothing that is shown is known."""
    (standing,) = present_unjudged("ZeroDivisionError()")
    assert standing.quality_when_held is standing.quality_when_bad is Quality.BAD
    finding = standing.finding
    assert (finding.code, finding.rule) == (BY_NAME["judging_failed"].code, "judging_failed")
    assert finding.severity is Severity.REJECT
    assert finding.sentence == ("the gateway failed while judging the present: ZeroDivisionError()")


def test_a_name_like_no_other_is_refused_without_a_guess() -> None:
    """64 rules are too many to list; a rule's few parameters are not."""
    wrong = bench_analyzer(
        rules={
            "zzzzzz": {"enabled": True},
            "ramp_rate": {"parameters": {"qqqqqq": 1.0}},
        }
    )
    told = [sentence for _, sentence in tuning_mistakes(wrong)]
    assert told == [
        "there is no rule 'zzzzzz'",
        "rule 'ramp_rate' has no parameter 'qqqqqq'; "
        "there are: doubt_fraction, reject_fraction, least_c_per_min",
    ]

"""Sentences on which somebody acts, to the letter, and what stands when our own judging fails."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from edgeflash.config.site import Product
from edgeflash.model import Cycle, CycleSource, Role, Severity
from edgeflash.rules.catalogue import BY_NAME
from edgeflash.rules.judge import present_unjudged
from edgeflash.rules.tuning import tuning_mistakes
from edgeflash.trust import Quality
from tests.simulated_line import bench_analyzer
from tests.unit.flash.traces import trace
from tests.unit.rules.contexts import BEFORE, asked, moment, spoiled


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


STREAMS = ({"number": 1, "product": "gas-oil"}, {"number": 2, "product": "gas-oil"})
BAD, DOUBTED = "BadSensorFailure", "UncertainSensorNotAccurate"


@pytest.mark.parametrize(
    ("rule", "cycle", "figures", "sentence"),
    [
        (
            "stream_unknown",
            spoiled({Role.STREAM: None}, streams=()),
            {},
            "the analyzer does not say which stream it measured",
        ),
        (
            "caught_up",
            spoiled(source=CycleSource.RING),
            {},
            "read afterwards from the analyzer's recent results, without its trace",
        ),
        (
            "ignition_flag_disagrees",
            spoiled({Role.IGNITION_SEEN: False}),
            {"ignition_count": 1},
            "the trace shows an ignition that the analyzer did not see",
        ),
        (
            "ignition_flag_disagrees",
            spoiled({Role.IGNITION_SEEN: True}),
            {"ignition_count": 0},
            "the analyzer saw an ignition that its trace does not show",
        ),
        (
            "outside_range",
            spoiled(),
            {"reported_c": 20.0, "recomputed_c": 60.0},
            "the reported flash point 20.0 °C lies outside the instrument's range 25 to 125 °C",
        ),
        (
            "outside_range",
            spoiled(),
            {"reported_c": 60.0, "recomputed_c": 130.0},
            "the recomputed flash point 130.0 °C lies outside the instrument's range 25 to 125 °C",
        ),
        (
            "value_uncertain",
            spoiled(statuses={Role.FLASH_POINT: DOUBTED, Role.SAMPLE_FLOW: BAD}),
            {},
            f"the analyzer's server does not vouch for: flash point ({DOUBTED})",
        ),
    ],
)
def test_a_sentence_says_what_was_seen(
    rule: str, cycle: Cycle, figures: dict[str, Any], sentence: str
) -> None:
    """To the letter: an operator reads it in the control system."""
    breach = asked(rule, cycle, figures, streams=STREAMS)
    assert breach is not None
    assert breach.sentence == sentence


def test_what_a_server_calls_bad_is_not_only_uncertain() -> None:
    """It is no value (OPC 10000-4, StatusCode, from memory): rules on what is missing speak."""
    assert asked("value_uncertain", spoiled(statuses={Role.SAMPLE_FLOW: BAD})) is None


def test_a_connection_that_stands_and_gives_nothing_is_said() -> None:
    """A link that is down has a rule of its own."""
    declared = BY_NAME["scans_stale"]
    assert declared.on_live is not None
    breach = declared.on_live(moment(since_scan_s=99.04), declared.defaults)
    assert breach is not None
    assert breach.sentence == "no reading for 99.0 s although the connection stands"

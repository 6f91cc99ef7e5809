"""What the limits alone do not say: exemptions, sentences, severities, and who is silent when.

Limits: the catalogue's defaults; common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from edgeflash.config.site import Product
from edgeflash.model import (
    Continuity,
    Cycle,
    CycleSource,
    InputReading,
    Phase,
    Pulse,
    Role,
    Severity,
    Span,
    Trace,
    TraceSource,
    Verdict,
)
from edgeflash.publication import LinkState
from edgeflash.rules.catalogue import BY_NAME
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import EMPTY, Memory, Remembered, remembered
from edgeflash.rules.rule import Breach
from tests.simulated_line import BENCH_CUP, bench_analyzer
from tests.unit.flash.pulses import pulse
from tests.unit.flash.traces import trace
from tests.unit.rules.contexts import AT, BEFORE, SOUND, asked, judged, moment, spoiled

DOUBT, REJECT, NOTE = Severity.DOUBT, Severity.REJECT, Severity.NOTE
NAN = float("nan")


def traced(**changes: Any) -> Cycle:
    """The sound cycle with another trace, without noise."""
    usual: dict[str, Any] = {"flash_s": 120.0, "length_s": 122.5, "start_c": 42.0, "lag_s": 3.0}
    return spoiled(trace=trace(**{**usual, **changes}))


def lost(cycle: Cycle, where: Any, *of: str) -> Cycle:
    """The cycle with no number there."""
    assert cycle.trace is not None
    arrays = {name: getattr(cycle.trace, name).copy() for name in of}
    for array in arrays.values():
        array[where(cycle.trace.time_s)] = NAN
    return replace(cycle, trace=replace(cycle.trace, **arrays))


def between(from_s: float, to_s: float) -> Any:
    """Samples strictly between two times."""
    return lambda time: (time > from_s) & (time < to_s)


# trace_gaps


@pytest.mark.parametrize(
    ("from_s", "to_s", "speaks"),
    [
        (110.0, 111.25, False),
        (110.0, 111.5, True),
        (98.0, 99.75, False),
        (98.0, 100.25, True),
        (120.75, 122.25, False),
    ],
)
@pytest.mark.parametrize("of", ["pressure_kpa", "temperature_c"])
def test_a_gap_counts_from_five_samples_near_the_ignition(
    from_s: float, to_s: float, speaks: bool, of: str
) -> None:
    """1.25 s at 0.25 s a sample, in the 20 s before the ignition; not after it."""
    breach = asked("trace_gaps", lost(traced(), between(from_s, to_s), of))
    assert (breach is not None) is speaks
    if breach is not None:
        assert breach.severity is DOUBT
        assert breach.measured == pytest.approx(to_s - from_s)
        assert (breach.limit, breach.unit) == (1.25, "s")
        assert of.split("_")[0] in breach.sentence
        assert "before the ignition" in breach.sentence


@pytest.mark.parametrize("of", ["pressure_kpa", "temperature_c"])
def test_a_gap_over_the_ignition_rejects(of: str) -> None:
    """Even when a longer one lies before it."""
    slow = traced(decay_s=1.0)
    breach = asked("trace_gaps", lost(slow, between(118.5, 120.5), of))
    assert breach is not None
    assert breach.severity is REJECT
    assert breach.measured == pytest.approx(2.0)
    assert "over the ignition" in breach.sentence
    both = lost(lost(slow, between(118.5, 120.5), of), between(105.0, 109.0), of)
    worst = asked("trace_gaps", both)
    assert worst is not None
    assert (worst.severity, worst.measured) == (REJECT, pytest.approx(2.0))


def test_a_short_gap_of_a_fine_trace_is_none() -> None:
    """Nine samples of 0.1 s are 0.9 s: under a second, however many samples that is."""
    fine = traced(interval_s=0.1)
    assert asked("trace_gaps", lost(fine, between(110.0, 110.91), "pressure_kpa")) is None
    assert asked("trace_gaps", lost(fine, between(110.0, 111.11), "pressure_kpa")) is not None


@pytest.mark.parametrize(("step", "speaks"), [(21, False), (20, False), (19, True)])
def test_a_twentieth_of_the_samples_may_be_no_number(step: int, speaks: bool) -> None:
    """Every 21st, 20th, 19th sample of a trace with 380."""
    whole = traced(length_s=95.0, flash_s=90.0)
    assert whole.trace is not None
    assert len(whole.trace) == 380
    index = np.arange(380)
    cycle = lost(whole, lambda _: index % step == 1, "temperature_c")
    breach = asked("trace_gaps", cycle)
    assert (breach is not None) is speaks
    if breach is not None:
        assert breach.severity is DOUBT
        assert breach.measured == pytest.approx(20 / 380)
        assert (breach.limit, breach.unit) == (0.05, "of samples")
        assert "5% of the trace" in breach.sentence


def test_a_trace_of_nothing_is_said_and_a_torn_or_missing_one_is_not() -> None:
    """Torn cycles have a rule of their own, and without a trace this one is blind."""
    nothing = lost(traced(), lambda t: t >= 0.0, "time_s", "temperature_c", "pressure_kpa")
    breach = asked("trace_gaps", nothing)
    assert breach is not None
    assert breach.measured == 1.0
    assert asked("trace_gaps", replace(nothing, torn=True)) is None
    assert asked("trace_gaps", spoiled(trace=None)) is None


# not_alive, scans_stale, result_overdue: the present


def live(rule: str, **changes: Any) -> Breach | None:
    """What one rule says of a moment."""
    declared = BY_NAME[rule]
    assert declared.on_live is not None
    return declared.on_live(moment(**changes), declared.defaults)


@pytest.mark.parametrize(
    ("poll_s", "limit_s"), [(1.0, 30.0), (6.0, 30.0), (6.5, 32.5), (60.0, 300.0)]
)
def test_a_sign_of_life_may_stand_for_30_s_or_five_polls(poll_s: float, limit_s: float) -> None:
    """The longer of the two."""
    analyzer = moment().analyzer.model_copy(update={"poll_s": poll_s})
    assert live("not_alive", analyzer=analyzer, alive_still_s=limit_s) is None
    breach = live("not_alive", analyzer=analyzer, alive_still_s=limit_s + 0.4)
    assert breach is not None
    assert (breach.measured, breach.limit, breach.unit) == (limit_s + 0.4, limit_s, "s")
    assert f"stands for {limit_s + 0.4:.0f} s" in breach.sentence


def test_a_sign_of_life_says_nothing_without_a_link_or_without_one() -> None:
    """The link's own rule speaks then."""
    assert live("not_alive", link=LinkState.DOWN, alive_still_s=99.0) is None
    assert live("not_alive", alive_still_s=None) is None


def test_the_limits_of_the_present() -> None:
    """Five polls and every try of a request; the longest ordinary cycle."""
    analyzer = moment().analyzer.model_copy(update={"poll_s": 2.0, "timeout_s": 1.5, "retries": 3})
    limit_s = 5 * 2.0 + 1.5 * 4
    assert live("scans_stale", analyzer=analyzer, since_scan_s=limit_s) is None
    breach = live("scans_stale", analyzer=analyzer, since_scan_s=limit_s + 0.1)
    assert breach is not None
    assert (breach.measured, breach.limit) == (limit_s + 0.1, limit_s)
    assert live("scans_stale", since_scan_s=None) is None
    assert live("scans_stale", since_scan_s=99.0, link=LinkState.DOWN) is None
    assert live("result_overdue", since_result_s=600.0) is None
    overdue = live("result_overdue", since_result_s=600.1)
    assert overdue is not None
    assert (overdue.measured, overdue.limit, overdue.unit) == (600.1, 600.0, "s")
    assert live("result_overdue", since_result_s=601.0, link=LinkState.DOWN) is None


# clock_off, barometers


@pytest.mark.parametrize(
    ("ahead_s", "words"), [(7200.0, "7200 s ahead of"), (-400.0, "400 s behind")]
)
def test_a_wrong_clock_costs_no_value(ahead_s: float, words: str) -> None:
    """A note: the cycle stays accepted."""
    result = judged(spoiled(clock_ahead_s=ahead_s))
    (finding,) = result.findings
    assert (finding.rule, finding.severity) == ("clock_off", NOTE)
    assert words in finding.sentence
    assert result.published_c is not None


NOT_SHOWN = {
    "register_map": BENCH_CUP.model_copy(
        update={
            "roles": {
                role: place
                for role, place in BENCH_CUP.roles.items()
                if role is not Role.BAROMETRIC_PRESSURE
            }
        }
    )
}
NOT_USED: list[dict[str, Any]] = [
    {"correction": "none"},
    {"correction": "none", "basis": "reported"},
    {"basis": "reported", "analyzer_corrects_barometer": True, "seen": NOT_SHOWN},
]
USED: list[dict[str, Any]] = [
    {"basis": "reported", "analyzer_corrects_barometer": False},
    {"basis": "recomputed", "analyzer_corrects_barometer": True},
    {"basis": "reported", "analyzer_corrects_barometer": True},
    {"basis": "reported", "analyzer_corrects_barometer": True, "correction": "none"},
    {"basis": "recomputed", "analyzer_corrects_barometer": True, "correction": "none"},
]


@pytest.mark.parametrize("rule", ["barometer_implausible", "barometer_jump"])
def test_a_barometer_matters_where_it_is_used(rule: str) -> None:
    """Whoever corrects with it, the gateway or the analyzer; where nobody does, neither speaks."""
    cycle = spoiled({Role.BAROMETRIC_PRESSURE: 80.0}, previous=replace(BEFORE, barometer_kpa=100.0))
    for changes in NOT_USED:
        assert asked(rule, cycle, **changes) is None
    for changes in USED:
        assert asked(rule, cycle, **changes) is not None


@pytest.mark.parametrize(
    ("before_kpa", "ago_s", "speaks"),
    [
        (98.0, 3600.0, True),
        (98.0, 3601.0, False),
        (82.0, 60.0, True),
        (81.9, 60.0, False),
        (106.0, 60.0, True),
        (106.1, 60.0, False),
        (None, 60.0, False),
    ],
)
def test_a_barometer_is_compared_with_a_recent_plausible_one(
    before_kpa: float | None, ago_s: float, speaks: bool
) -> None:
    """Weather needs hours for 1 kPa; what was implausible has been rejected for it."""
    finished_at = AT - timedelta(seconds=ago_s)
    before = replace(BEFORE, barometer_kpa=before_kpa, finished_at=finished_at)
    assert (asked("barometer_jump", spoiled(previous=before)) is not None) is speaks


def test_an_analyzer_that_corrects_must_show_its_barometer() -> None:
    """No reading where there is a place for one is a broken barometer, whatever is usual here.

    A result from the ring comes without it, and what the gateway corrects falls back on the usual.
    """
    unread = spoiled({Role.BAROMETRIC_PRESSURE: None})
    theirs = {"basis": "reported", "analyzer_corrects_barometer": True}
    for usual_kpa in (None, 100.5):
        breach = asked("barometer_implausible", unread, **theirs, barometer_kpa=usual_kpa)
        assert breach is not None and breach.sentence.endswith("gives no reading")
    for other in ({"source": CycleSource.RING}, {"torn": True}):
        assert asked("barometer_implausible", replace(unread, **other), **theirs) is None
    ours = {"basis": "recomputed", "analyzer_corrects_barometer": True, "barometer_kpa": 100.5}
    assert asked("barometer_implausible", unread, **ours) is None


def test_only_a_barometer_that_was_read_can_jump() -> None:
    """The site's usual pressure stands in for none; the mean of the scans goes before the body."""
    before = replace(BEFORE, barometer_kpa=98.0)
    unread = spoiled({Role.BAROMETRIC_PRESSURE: None}, previous=before)
    assert asked("barometer_jump", unread, barometer_kpa=100.5) is None
    assert asked("barometer_jump", spoiled(torn=True, previous=before)) is None
    assert asked("barometer_jump", spoiled(previous=None)) is None
    near = spoiled(
        previous=before, spans={Role.BAROMETRIC_PRESSURE: Span(98.0, 98.3, 98.2, 98.1, 9)}
    )
    assert asked("barometer_jump", near) is None
    breach = asked("barometer_jump", spoiled(previous=before))
    assert breach is not None
    assert "+2.50 kPa" in breach.sentence


# streams and products


def test_a_stream_that_is_not_declared_is_doubted() -> None:
    """By its number; without one too, where streams are declared."""
    two = [{"number": 1}, {"number": 2}]
    breach = asked("stream_unknown", spoiled({Role.STREAM: 3}), streams=two)
    assert breach is not None
    assert breach.measured == 3.0
    assert "stream 3" in breach.sentence
    unsaid = asked("stream_unknown", SOUND, streams=two)
    assert unsaid is not None
    assert unsaid.measured is None
    for number in (1, 2):
        assert asked("stream_unknown", spoiled({Role.STREAM: number}), streams=two) is None
    assert asked("stream_unknown", spoiled({Role.STREAM: 3})) is None
    ring = spoiled({Role.STREAM: 3}, source=CycleSource.RING)
    assert asked("stream_unknown", ring, streams=two) is None
    assert asked("stream_unknown", spoiled({Role.STREAM: 3}, torn=True), streams=two) is None
    unmapped = {role: place for role, place in BENCH_CUP.roles.items() if role is not Role.STREAM}
    blind = {"register_map": BENCH_CUP.model_copy(update={"roles": unmapped})}
    assert asked("stream_unknown", spoiled({Role.STREAM: 3}), seen=blind, streams=two) is None


def told(number: float, is_good: bool = True, name: str = "grade") -> tuple[InputReading, ...]:
    """The control system's word for the product, after that for something else."""
    return (InputReading("ambient", 7.0, True), InputReading(name, number, is_good, 1.0))


@pytest.mark.parametrize(
    ("inputs", "number", "words"),
    [
        (told(7.0), 7, None),
        (told(7.0), 8, "number 7"),
        (told(7.0), None, "number 7"),
        (told(7.0, is_good=False), 7, "is not good"),
        ((), 7, "never written"),
        (told(7.0, name="other"), 7, "never written"),
    ],
)
def test_a_product_must_be_named_by_a_good_input(
    inputs: tuple[InputReading, ...], number: int | None, words: str | None
) -> None:
    """The sentence says as what it was judged instead."""
    product = Product(minimum_c=55.0, number=number)
    seen = {"inputs": inputs, "product": product, "product_name": "gas-oil"}
    breach = asked("product_unknown", seen=seen, product_input="grade")
    assert (breach is not None) is (words is not None)
    if breach is not None and words is not None:
        assert words in breach.sentence
        assert breach.sentence.endswith("judged as gas-oil")
    assert asked("product_unknown", seen=seen) is None


def test_a_told_product_is_not_said_to_be_missing_where_the_stream_is() -> None:
    """The number is one of a product; but of what flows in stream 9 nothing is known."""
    products = {
        "gas-oil": Product(minimum_c=55.0, number=1),
        "kerosene": Product(minimum_c=38.0, number=2),
    }
    analyzer = bench_analyzer(
        product=None, product_input="grade", streams=[{"number": 1, "product": "gas-oil"}]
    )
    made = Judgement(analyzer, BENCH_CUP, products)
    sentences = {
        n: [
            f.sentence for f in made.judge(spoiled({Role.STREAM: n}), EMPTY, AT, told(2.0)).findings
        ]
        for n in (1, 9)
    }
    assert sentences[1] == []
    assert sentences[9] == [
        "the analyzer measured stream 9, which the site file does not have",
        "the number 2 of the input grade names no product of a stream that is not known; "
        "judged as gas-oil",
    ]


def test_without_any_product_nothing_is_judged_as_one() -> None:
    """The sentence ends there."""
    seen = {"inputs": told(7.0), "product": None, "product_name": ""}
    breach = asked("product_unknown", seen=seen, product_input="grade")
    assert breach is not None
    assert breach.measured == 7.0
    assert "judged as" not in breach.sentence


# pulse_shape, second_ignition


def shaped(**changes: Any) -> Breach | None:
    """What the rule says of a pulse."""
    return asked("pulse_shape", spoiled(pulse=pulse(**changes)))


@pytest.mark.parametrize(
    ("changes", "severity", "unit", "limit"),
    [
        ({}, "silent", "", 0.0),
        ({"rise_s": 0.0026, "interval_s": 0.0001}, "silent", "", 0.0),
        ({"rise_s": 0.0024, "interval_s": 0.0001}, DOUBT, "s", 0.002),
        ({"rise_s": 0.249, "length_s": 1.2}, "silent", "", 0.0),
        ({"rise_s": 0.251, "length_s": 1.2}, None, "s", 0.2),
        ({"decay_s": 0.0230}, "silent", "", 0.0),
        ({"decay_s": 0.0215}, DOUBT, "s", 0.02),
        ({"decay_s": 0.55, "length_s": 1.2}, "silent", "", 0.0),
        ({"decay_s": 0.56, "length_s": 1.2}, DOUBT, "s", 0.5),
        ({"stays": 0.49}, "silent", "", 0.0),
        ({"stays": 0.51}, None, "of peak", 0.5),
        ({"rise_s": 0.001, "decay_s": 0.002}, None, "s", 0.002),
    ],
    ids=str,
)
def test_the_shape_of_a_pulse(
    changes: dict[str, Any], severity: Severity | str | None, unit: str, limit: float
) -> None:
    """Both sides of each limit, by the pulse's geometry; None: as the rule has it, rejected."""
    breach = shaped(**{"decay_s": 0.1, **changes})
    if severity == "silent":
        assert breach is None
    else:
        assert breach is not None
        assert (breach.severity, breach.unit, breach.limit) == (severity, unit, limit)


def test_the_sentences_of_a_pulse_carry_its_times() -> None:
    """Milliseconds, per cent and seconds as a person reads them."""
    for changes, words in (
        ({"stays": 1.0, "rise_s": 0.02}, "100% of the pressure still stood 0.48 s on"),
        ({"rise_s": 0.3, "length_s": 1.2}, "took 240 ms to rise"),
        ({"rise_s": 0.001, "decay_s": 0.002, "before_s": 0.1}, "1.5 ms only"),
        ({"rise_s": 0.002}, "within 1.6 ms"),
        ({"decay_s": 0.02}, "within 18 ms"),
        ({"decay_s": 0.8, "length_s": 1.2}, "took 720 ms or more to fall"),
    ):
        breach = shaped(**changes)
        assert breach is not None, words
        assert words in breach.sentence


def test_a_capture_that_ends_in_the_decay_says_nothing_of_it() -> None:
    """It would need to go on for longer than the longest fall, and for half of it to be a step."""
    assert shaped(decay_s=5.0, length_s=0.36) is None
    step = shaped(stays=1.0, length_s=0.38)
    assert step is not None
    assert step.unit == "of peak"
    unknown = shaped(decay_s=0.1, stays=0.2, length_s=0.6)
    assert unknown is None
    slow = shaped(decay_s=0.1, stays=0.2, length_s=0.7)
    assert slow is not None
    assert (slow.severity, slow.limit) == (DOUBT, 0.5)
    assert slow.measured == pytest.approx(0.579)


def test_no_pulse_no_shape() -> None:
    """Unmapped, torn, or flat."""
    assert asked("pulse_shape") is None
    assert asked("pulse_shape", spoiled(pulse=pulse(stays=1.0), torn=True)) is None
    assert asked("pulse_shape", spoiled(pulse=Pulse(0.001, np.zeros(600)))) is None


@pytest.mark.parametrize(("count", "speaks"), [(None, False), (0, False), (1, False), (2, True)])
def test_more_than_one_ignition_is_doubted(count: int | None, speaks: bool) -> None:
    """With their number."""
    breach = asked("second_ignition", computed={"ignition_count": count})
    assert (breach is not None) is speaks
    if breach is not None:
        assert (breach.measured, breach.limit, breach.unit) == (2.0, 1.0, "ignitions")
        assert breach.severity is None
        assert "2 ignitions" in breach.sentence


# temperature


def test_a_method_is_looked_up_by_its_name() -> None:
    """ASTM D93 procedure A: 40 °C and above (scope of D93-20). None named, none asked."""
    low = {"reported_c": 39.0, "recomputed_c": 60.0}
    breach = asked("outside_method", computed=low, method="d93-a")
    assert breach is not None
    assert "reported flash point 39.0 °C lies below" in breach.sentence
    assert asked("outside_method", computed=low) is None
    high = {"reported_c": None, "recomputed_c": 371.0}
    above = asked("outside_method", computed=high, method="d93-a")
    assert above is not None
    assert "recomputed flash point 371.0 °C lies above" in above.sentence


@pytest.mark.parametrize(
    ("factor", "speaks"), [(1.25, False), (1.4, True), (0.75, False), (0.6, True)]
)
def test_a_rate_that_changes_by_a_third_is_doubted(factor: float, speaks: bool) -> None:
    """The last third of the last 10 °C heated at another rate; 30 % is allowed."""
    time = np.arange(0.0, 122.5, 0.25)
    value = 42.0 + time / 6.0
    bend = 120.0 - 10.0 / (2.0 / 3.0 + factor / 3.0) * 6.0 / 3.0
    value = np.where(time > bend, 42.0 + bend / 6.0 + factor * (time - bend) / 6.0, value)
    assert SOUND.trace is not None
    bent = Trace(TraceSource.BLOCK, time, value, SOUND.trace.pressure_kpa)
    breach = asked("ramp_unsteady", spoiled(trace=bent), {"unsteadiness_c": 0.0})
    assert (breach is not None) is speaks
    if breach is not None:
        assert breach.measured == pytest.approx(abs(factor - 1.0), abs=0.05)
        assert (breach.limit, breach.unit) == (0.3, "of rate")
        assert "last 10 °C" in breach.sentence
    assert asked("ramp_unsteady", spoiled(trace=bent, torn=True), {"unsteadiness_c": None}) is None
    assert asked("ramp_unsteady", spoiled(trace=None)) is None


@pytest.mark.parametrize(("start_c", "word"), [(57.5, "too near"), (48.0, "the plan is 42 °C")])
def test_a_wrong_start_is_said(start_c: float, word: str) -> None:
    """Too near the expected flash point goes before off the plan."""
    given = {"expected_c": 62.0, "start_below_expected_c": 20.0}
    breach = asked("start_temperature", computed={"start_temperature_c": start_c}, **given)
    assert breach is not None
    assert word in breach.sentence
    assert f"{start_c:.1f} °C" in breach.sentence
    assert asked("start_temperature", computed={"start_temperature_c": start_c}) is None
    assert asked("start_temperature", computed={"start_temperature_c": None}, **given) is None


def stepped(step_c: float) -> Cycle:
    """A smooth ramp seen by a sensor that reads in whole steps."""
    whole = traced()
    assert whole.trace is not None
    value = np.floor(whole.trace.temperature_c / step_c + 1e-6) * step_c
    return spoiled(trace=replace(whole.trace, temperature_c=value))


@pytest.mark.parametrize("step_c", [0.01, 0.1, 0.5, 1.0])
@pytest.mark.parametrize("plan", [10.0, None])
def test_a_coarse_sensor_does_not_stand_still(step_c: float, plan: float | None) -> None:
    """At 10 °C/min a step of 1 °C takes 6 s, longer than the 5 s allowed; with and without plan."""
    assert asked("sensor_frozen", stepped(step_c), heating_rate_c_per_min=plan) is None


@pytest.mark.parametrize(
    ("still_s", "step_c", "plan", "speaks"),
    [
        (5.59, 0.1, 10.0, False),
        (5.61, 0.1, 10.0, True),
        (11.0, 1.0, 10.0, False),
        (11.01, 1.0, 10.0, True),
        (17.0, 1.0, 5.0, False),
        (17.01, 1.0, 5.0, True),
        (10.9, 1.0, None, False),
        (11.3, 1.0, None, True),
    ],
)
def test_the_longest_stand_is_five_seconds_and_a_step(
    still_s: float, step_c: float, plan: float | None, speaks: bool
) -> None:
    """5 s + resolution / rate, by hand: 0.6 s, 6 s, 12 s; without a plan, the trace's own rate."""
    breach = asked(
        "sensor_frozen",
        stepped(step_c),
        {"longest_still_s": still_s},
        heating_rate_c_per_min=plan,
    )
    assert (breach is not None) is speaks
    if breach is not None:
        assert (breach.measured, breach.unit, breach.severity) == (still_s, "s", None)
        assert f"{still_s:.1f} s of the heating" in breach.sentence


def test_a_sensor_that_never_moved_is_frozen() -> None:
    """One value for the whole ramp: no step, no rate, and 5 s allowed."""
    flat = traced(rate_c_per_min=0.0)
    for plan in (10.0, None):
        breach = asked("sensor_frozen", flat, heating_rate_c_per_min=plan)
        assert breach is not None
        assert breach.limit == 5.0
        assert breach.measured == pytest.approx(119.75, abs=0.3)
    assert asked("sensor_frozen", spoiled(trace=None)) is None
    assert asked("sensor_frozen", replace(flat, torn=True), {"longest_still_s": 99.0}) is None


# fluids


def test_an_inlet_temperature_needs_a_limit_and_a_reading() -> None:
    """Either limit alone will do; without scans, what was read beside the result counts."""
    beside = spoiled({Role.SAMPLE_INLET_TEMPERATURE: 45.0})
    for limits, words in (
        ({"inlet_high_c": 44.9}, "45.0 °C; at most 44.9 °C"),
        ({"inlet_low_c": 45.1}, "45.0 °C; at least 45.1 °C"),
    ):
        breach = asked("inlet_temperature", beside, **limits)
        assert breach is not None
        assert words in breach.sentence
        assert breach.measured == 45.0
        assert asked("inlet_temperature", replace(beside, torn=True), **limits) is None
        assert asked("inlet_temperature", SOUND, **limits) is None
    assert asked("inlet_temperature", beside) is None
    assert asked("inlet_temperature", beside, inlet_high_c=45.0, inlet_low_c=45.0) is None


USUAL = remembered(judged(SOUND))


def past_of(*zeros_kpa: float | None, reasons: tuple[str, ...] = ()) -> tuple[Remembered, ...]:
    """Cycles with these zeros."""
    return tuple(replace(USUAL, zero_kpa=zero, reasons=reasons) for zero in zeros_kpa)


def drift(zero_kpa: float | None, *past: Remembered, torn: bool = False) -> Breach | None:
    """What the rule says of a zero after that past."""
    cycle = spoiled({Role.TRANSDUCER_ZERO: zero_kpa}, torn=torn)
    return asked("zero_drift", cycle, seen={"memory": Memory(past=past)})


@pytest.mark.parametrize(
    ("zero_kpa", "limit"), [(1.25, None), (1.26, 1.0), (-0.75, None), (-0.76, -1.0)]
)
def test_a_zero_may_move_by_1_kpa_from_its_median(zero_kpa: float, limit: float | None) -> None:
    """Median of ten zeros, by hand: 0.25 kPa, whatever the two wild ones say."""
    past = past_of(0.0, 0.0, 0.0, 0.25, 0.25, 0.25, 0.5, 0.5, -9.0, 9.0)
    breach = drift(zero_kpa, *past)
    assert (breach is not None) is (limit is not None)
    if breach is not None:
        assert breach.measured == pytest.approx(zero_kpa - 0.25)
        assert (breach.limit, breach.unit) == (limit, "kPa")
        assert f"{zero_kpa - 0.25:+.2f} kPa" in breach.sentence


def test_a_zero_needs_ten_others_since_the_last_maintenance() -> None:
    """Cycles without one do not count, nor do those before somebody set it anew."""
    assert drift(5.0, *past_of(*[0.0] * 9)) is None
    assert drift(5.0, *past_of(*[0.0] * 10)) is not None
    assert drift(5.0, *past_of(*[0.0] * 9, None)) is None
    serviced = past_of(0.0, reasons=("maintenance",))
    assert drift(5.0, *past_of(*[0.0] * 30), *serviced, *past_of(*[0.0] * 8)) is None
    assert drift(5.0, *past_of(*[0.0] * 30), *serviced, *past_of(*[0.0] * 9)) is not None
    assert drift(None, *past_of(*[0.0] * 10)) is None
    assert drift(5.0, *past_of(*[0.0] * 10), torn=True) is None


# rules that were there before


def test_a_trace_that_does_not_come_is_doubted() -> None:
    """Where the map has one, and the value is the analyzer's own figure."""
    reported, without = {"basis": "reported"}, spoiled(trace=None)
    result = judged(without, **reported)
    assert (result.verdict, result.reasons) == (Verdict.DOUBTFUL, ("trace_missing",))
    assert judged(SOUND, **reported).reasons == ()
    ring = spoiled(trace=None, source=CycleSource.RING)
    assert judged(ring, **reported).reasons == ("caught_up",)
    assert asked("trace_missing", replace(without, torn=True), **reported) is None
    assert judged(without).reasons == ("basis_substituted",)
    polled = {role: place for role, place in BENCH_CUP.roles.items() if "trace" not in role.value}
    blind = {"register_map": BENCH_CUP.model_copy(update={"roles": polled})}
    assert asked("trace_missing", without, seen=blind, **reported) is None


def test_a_count_of_no_sparks_counts_only_where_it_lit() -> None:
    """Nothing lit and nothing was counted: that is no early ignition."""
    nothing = {Role.FLASH_POINT: None, Role.IGNITION_SEEN: False, Role.SPARK_COUNT: 0}
    assert asked("ignition_too_early", spoiled(nothing, trace=None)) is None
    lit = spoiled({Role.SPARK_COUNT: 0, Role.START_TEMPERATURE: None}, trace=None)
    result = judged(lit, basis="reported")
    assert (result.low_flash, result.reasons[0]) == (True, "ignition_too_early")
    assert "before a spark was counted" in result.findings[0].sentence


@pytest.mark.parametrize(("sparks", "speaks"), [(0, True), (1, True), (3, True), (4, False)])
def test_the_first_three_sparks_must_not_light_it(sparks: int, speaks: bool) -> None:
    """An analyzer may count the sparks without a flash, so that 0 is the first one."""
    breach = asked("ignition_too_early", spoiled({Role.SPARK_COUNT: sparks}))
    assert (breach is not None) is speaks
    if breach is not None:
        assert (breach.measured, breach.limit, breach.unit) == (sparks, 3.0, "sparks")


@pytest.mark.parametrize(
    ("flag", "reported_c", "in_trace", "speaks"),
    [
        (True, 62.0, 1, False),
        (False, None, 0, True),
        (False, None, None, True),
        (False, 62.0, None, True),
        (None, 62.0, None, False),
        (None, None, None, True),
        (True, None, None, False),
        (True, 62.0, 0, False),
        (None, 62.0, 0, True),
        (False, 62.0, 2, False),
    ],
)
def test_when_nothing_lit(
    flag: bool | None, reported_c: float | None, in_trace: int | None, speaks: bool
) -> None:
    """Flag, value and trace; a flag that the trace contradicts has a rule of its own."""
    figures = {"ignition_count": in_trace, "reported_c": reported_c}
    cycle = spoiled({Role.IGNITION_SEEN: flag})
    assert (asked("no_ignition", cycle, figures) is not None) is speaks
    assert asked("no_ignition", replace(cycle, torn=True), figures) is None


@pytest.mark.parametrize(("left", "speaks"), [(0.49, False), (0.51, True)])
def test_half_of_the_rise_may_be_left_after_a_second(left: float, speaks: bool) -> None:
    """A fall to what is left, long before."""
    whole = traced(decay_s=0.02)
    assert whole.trace is not None
    time, pressure = whole.trace.time_s, whole.trace.pressure_kpa.copy()
    pressure[time >= 120.0] = np.where(time[time >= 120.0] < 120.2, 90.0, left * 90.0)
    cycle = spoiled(trace=replace(whole.trace, pressure_kpa=pressure))
    breach = asked("not_a_flash", cycle)
    assert (breach is not None) is speaks
    if breach is not None:
        assert breach.measured == pytest.approx(left)
        assert (breach.limit, breach.unit) == (0.5, "of peak")
    early = replace(cycle, trace=Trace(TraceSource.BLOCK, time[:485], time[:485], pressure[:485]))
    assert asked("not_a_flash", early) is None


def test_how_a_result_repeats() -> None:
    """The same number; the same time and value; a time before the last one's."""
    same = {Role.RESULT_TIME: BEFORE.result_time, Role.FLASH_POINT: BEFORE.flash_point_c}
    assert asked("counter_repeated", spoiled(continuity=Continuity.REPEAT)) is not None
    assert asked("counter_repeated", spoiled(same)) is not None
    assert asked("counter_repeated", spoiled({**same, Role.FLASH_POINT: 61.8})) is None
    assert asked("counter_repeated", spoiled(same, continuity=Continuity.RESET)) is None
    assert asked("counter_repeated", spoiled(same, previous=None)) is None
    assert asked("counter_repeated", spoiled({Role.RESULT_TIME: None})) is None
    assert BEFORE.result_time is not None
    earlier = BEFORE.result_time - timedelta(seconds=1)
    old = asked("counter_repeated", spoiled({Role.RESULT_TIME: earlier}))
    assert old is not None
    assert old.severity is DOUBT


@pytest.mark.parametrize(("missed", "words"), [(1, "1 cycle before"), (3, "3 cycles before")])
def test_missed_cycles_are_counted(missed: int, words: str) -> None:
    """In the sentence and in the finding."""
    breach = asked("cycles_missed", spoiled(missed=missed))
    assert breach is not None
    assert (breach.measured, breach.limit, breach.unit) == (missed, 0.0, "cycles")
    assert words in breach.sentence


@pytest.mark.parametrize(
    ("names", "severity"),
    [
        (("electrode_service_due",), NOTE),
        (("electrode_service_due", "sample_flow_low"), DOUBT),
        (("sample_flow_low", "heater_fault"), REJECT),
        (("maintenance_mode",), DOUBT),
        (("unnamed_bit",), REJECT),
    ],
)
def test_the_worst_fault_bit_decides(names: tuple[str, ...], severity: Severity) -> None:
    """NE 107 categories (from memory); what the map does not name counts as a failure."""
    breach = asked("device_fault", spoiled(faults_seen=names))
    assert breach is not None
    assert breach.severity is severity
    for name in names:
        assert name.replace("_", " ") in breach.sentence
    first_named = breach.sentence.removeprefix("the analyzer reports: ").split(", ")[0]
    assert first_named.replace(" ", "_") == names[-1]


def test_a_timed_rule_needs_an_ordinary_cycle() -> None:
    """A duration over a gap of numbers, or from the ring, is not that of one cycle."""
    for changes in (
        {"continuity": Continuity.SKIP},
        {"continuity": Continuity.RESET},
        {"continuity": Continuity.FIRST},
        {"source": CycleSource.RING},
    ):
        assert asked("cycle_too_long", spoiled(duration_s=700.0, **changes)) is None
        assert asked("cycle_too_short", spoiled(duration_s=10.0, **changes)) is None
    wrapped = spoiled(duration_s=700.0, continuity=Continuity.WRAP)
    assert asked("cycle_too_long", wrapped) is not None


def test_a_flow_beside_the_result_counts_in_a_measuring_phase() -> None:
    """Heating, flash and check sample; in the purge it says nothing."""
    for phase, speaks in (
        (Phase.HEAT, True),
        (Phase.FLASHED, True),
        (None, True),
        (Phase.PURGE, False),
        (Phase.IDLE, False),
    ):
        cycle = spoiled({Role.AIR_FLOW: 10.0, Role.PHASE: phase})
        assert (asked("air_flow", cycle) is not None) is speaks
    assert asked("air_flow", spoiled({Role.AIR_FLOW: 10.0}), air_flow_ml_per_min=None) is None


def test_every_rule_that_looks_back_is_declared_so() -> None:
    """These see the memory; the others must not need it."""
    names = {"not_cleaned", "not_zeroed", "zero_drift"}
    assert {n for n in names if BY_NAME[n].looks_back} == names


def test_rules_say_which_keys_of_the_site_file_they_need() -> None:
    """Without them they are blind."""
    keys = {
        "ramp_rate": ("heating_rate_c_per_min",),
        "sample_flow": ("sample_flow_ml_per_min",),
        "air_flow": ("air_flow_ml_per_min",),
        "stream_unknown": ("streams",),
        "product_unknown": ("product_input",),
        "outside_method": ("method",),
        "start_temperature": ("expected_c",),
        "inlet_temperature": ("inlet_low_c", "inlet_high_c"),
    }
    assert {name: BY_NAME[name].keys for name in keys} == keys

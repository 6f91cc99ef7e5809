"""Every rule in both directions: it speaks on its fault and is silent on a sound cycle.

The limits are the catalogue's defaults: common practice, no source, unless a rule's parameter
names one (20 kPa: ASTM D6450 and D7094; 82 kPa: ISO 2719).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from edgeflash.model import Continuity, Cycle, CycleSource, Phase, Role, Severity, Verdict
from edgeflash.publication import LinkState
from edgeflash.rules.catalogue import RULES
from edgeflash.rules.memory import Memory
from edgeflash.rules.rule import Family
from tests.unit.flash.pulses import pulse
from tests.unit.flash.traces import trace
from tests.unit.rules.contexts import AT, BEFORE, SOUND, found, judged, level, spoiled, standing

DOUBT, REJECT, NOTE = Severity.DOUBT, Severity.REJECT, Severity.NOTE


def with_trace(**changes: Any) -> Cycle:
    """The sound cycle with another trace."""
    values = changes.pop("values", None)
    usual: dict[str, Any] = {
        "flash_s": 120.0,
        "length_s": 122.5,
        "start_c": 42.0,
        "lag_s": 3.0,
        "pressure_noise_kpa": 0.3,
    }
    return spoiled(values, trace=trace(**{**usual, **changes}))


def changed(of: str, value: Any) -> Cycle:
    """The sound cycle with one array of its trace replaced."""
    assert SOUND.trace is not None
    return spoiled(trace=replace(SOUND.trace, **{of: value}))


def with_hole(from_s: float, to_s: float, of: str = "pressure_kpa") -> Cycle:
    """The sound cycle with no number for a time, slowly decaying, so that it still shows."""
    whole = with_trace(decay_s=1.0).trace
    assert whole is not None
    values = getattr(whole, of).copy()
    values[(whole.time_s > from_s) & (whole.time_s < to_s)] = np.nan
    return spoiled(trace=replace(whole, **{of: values}))


def held(from_s: float, to_s: float) -> Cycle:
    """The sound cycle with its sensor held for a time."""
    assert SOUND.trace is not None
    time, value = SOUND.trace.time_s, SOUND.trace.temperature_c.copy()
    value[(time >= from_s) & (time <= to_s)] = value[time == from_s]
    return changed("temperature_c", value)


def jumped(by_c: float) -> Cycle:
    """The sound cycle with its sensor off by so much up to the 60th second."""
    assert SOUND.trace is not None
    value = SOUND.trace.temperature_c + np.where(SOUND.trace.time_s < 60.0, by_c, 0.0)
    return changed("temperature_c", value)


def two_flashes() -> Cycle:
    """The sound cycle with a second flash 1.5 s after the first."""
    assert SOUND.trace is not None
    since = SOUND.trace.time_s - 121.5
    more = np.where(since >= 0.0, 60.0 * np.exp(-np.maximum(since, 0.0) / 0.2), 0.0)
    return changed("pressure_kpa", SOUND.trace.pressure_kpa + more)


def test_a_sound_cycle_has_no_finding() -> None:
    """No rule speaks, and the value at standard pressure is 62.0 + 0.25·(101.3 − 100.5)."""
    result = judged(SOUND)
    assert result.findings == ()
    assert result.verdict is Verdict.ACCEPTED
    assert result.published_c == pytest.approx(62.2, abs=0.06)
    assert not result.low_flash


NOTHING_LIT = {Role.IGNITION_SEEN: False, Role.FLASH_POINT: None, Role.PEAK_PRESSURE: None}

CASES: list[tuple[str, Cycle, Severity, dict[str, Any]]] = [
    ("torn_read", spoiled(torn=True), REJECT, {}),
    ("not_available", spoiled({Role.FLASH_POINT: None}), REJECT, {}),
    (
        "value_uncertain",
        spoiled(statuses={Role.FLASH_POINT: "UncertainSensorNotAccurate"}),
        DOUBT,
        {},
    ),
    ("value_uncertain", spoiled(statuses={Role.TRACE_PRESSURE: "GoodLocalOverride"}), DOUBT, {}),
    ("device_fault", spoiled(faults_seen=("heater_fault",)), REJECT, {}),
    ("device_fault", spoiled(faults_seen=("sample_flow_low",)), DOUBT, {}),
    ("device_fault", spoiled(faults_seen=("electrode_service_due",)), NOTE, {}),
    ("barometer_implausible", spoiled({Role.BAROMETRIC_PRESSURE: 60.0}), REJECT, {}),
    ("barometer_implausible", spoiled({Role.BAROMETRIC_PRESSURE: 107.0}), REJECT, {}),
    ("barometer_implausible", spoiled({Role.BAROMETRIC_PRESSURE: None}), REJECT, {}),
    ("cycle_too_short", spoiled(duration_s=59.9), REJECT, {}),
    ("cycle_too_long", spoiled(duration_s=600.1), DOUBT, {}),
    ("counter_repeated", spoiled(continuity=Continuity.REPEAT), REJECT, {}),
    (
        "counter_repeated",
        spoiled({Role.RESULT_TIME: BEFORE.result_time, Role.FLASH_POINT: 61.7}),
        REJECT,
        {},
    ),
    ("counter_repeated", spoiled({Role.RESULT_TIME: AT - timedelta(hours=1)}), DOUBT, {}),
    ("counter_reset", spoiled(continuity=Continuity.RESET), NOTE, {}),
    ("cycles_missed", spoiled(missed=3, continuity=Continuity.SKIP), NOTE, {}),
    ("maintenance", spoiled(phases=(Phase.MAINTENANCE, Phase.HEAT)), REJECT, {}),
    ("check_sample", spoiled(phases=(Phase.CHECK_SAMPLE, Phase.HEAT)), REJECT, {}),
    ("caught_up", spoiled(source=CycleSource.RING, trace=None), DOUBT, {}),
    ("age_uncertain", spoiled(is_time_known=False), DOUBT, {}),
    ("unwatched", spoiled(phases=()), DOUBT, {}),
    ("unwatched", spoiled(longest_gap_s=60.1), DOUBT, {}),
    ("barometer_implausible", SOUND, REJECT, {"barometer_kpa": 94.0}),
    (
        "no_ignition",
        spoiled({Role.IGNITION_SEEN: False}, trace=None),
        REJECT,
        {},
    ),
    (
        "ignition_too_early",
        spoiled({Role.FLASH_POINT: None, Role.SPARK_COUNT: 1}, trace=None),
        REJECT,
        {},
    ),
    ("ramp_rate", with_trace(rate_c_per_min=0.0), REJECT, {"heating_rate_c_per_min": None}),
    ("no_ignition", with_trace(flash_s=None, values=NOTHING_LIT), REJECT, {}),
    ("ignition_weak", with_trace(peak_kpa=12.0, values={Role.PEAK_PRESSURE: 12.0}), DOUBT, {}),
    ("ignition_weak", spoiled({Role.PEAK_PRESSURE: 12.0}, trace=None), DOUBT, {}),
    ("ignition_too_early", spoiled({Role.SPARK_COUNT: 2}), REJECT, {}),
    ("ignition_too_early", spoiled({Role.START_TEMPERATURE: 60.0}), REJECT, {}),
    ("ignition_flag_disagrees", spoiled({Role.IGNITION_SEEN: False}), REJECT, {}),
    ("recomputed_disagrees", spoiled({Role.FLASH_POINT: 63.5}), DOUBT, {}),
    ("recomputed_disagrees", spoiled({Role.FLASH_POINT: 59.5}), REJECT, {}),
    ("basis_substituted", spoiled(trace=None), DOUBT, {}),
    ("outside_range", spoiled({Role.FLASH_POINT: 22.0}), REJECT, {}),
    ("outside_range", spoiled({Role.FLASH_POINT: 128.0}), REJECT, {}),
    ("ramp_rate", with_trace(rate_c_per_min=12.0), DOUBT, {}),
    ("ramp_rate", with_trace(rate_c_per_min=5.0), REJECT, {}),
    ("sample_flow", spoiled(spans={Role.SAMPLE_FLOW: level(40.0)}), DOUBT, {}),
    ("sample_flow", spoiled(spans={Role.SAMPLE_FLOW: level(20.0)}), REJECT, {}),
    ("air_flow", spoiled(spans={Role.AIR_FLOW: level(320.0)}), DOUBT, {}),
    ("transducer_zero", spoiled({Role.TRANSDUCER_ZERO: 3.2}), REJECT, {}),
    ("transducer_zero", with_trace(zero_kpa=-4.0), REJECT, {}),
    ("transducer_zero", spoiled({Role.TRANSDUCER_ZERO: 1.3}), DOUBT, {}),
    ("pressure_noise", with_trace(pressure_noise_kpa=4.0), DOUBT, {}),
    ("trace_gaps", with_hole(119.0, 121.0), REJECT, {}),
    ("trace_gaps", with_hole(110.0, 112.0), DOUBT, {}),
    ("trace_missing", spoiled(trace=None), DOUBT, {"basis": "reported"}),
    ("clock_off", spoiled(clock_ahead_s=3600.0), NOTE, {}),
    (
        "barometer_jump",
        spoiled(previous=replace(BEFORE, barometer_kpa=98.0)),
        DOUBT,
        {},
    ),
    ("phases_wrong", spoiled(phases=(Phase.CLEAN, Phase.ZERO, Phase.PURGE)), REJECT, {}),
    ("phases_wrong", spoiled(phases=(Phase.ZERO, Phase.CLEAN, Phase.HEAT)), DOUBT, {}),
    ("not_cleaned", spoiled(phases=(Phase.IDLE, Phase.ZERO, Phase.HEAT, Phase.PURGE)), DOUBT, {}),
    ("not_zeroed", spoiled(phases=(Phase.CLEAN, Phase.HEAT, Phase.PURGE)), DOUBT, {}),
    ("stream_unknown", spoiled({Role.STREAM: 3}), DOUBT, {"streams": [{"number": 1}]}),
    ("product_unknown", SOUND, DOUBT, {"product_input": "grade"}),
    ("pulse_shape", spoiled(pulse=pulse(stays=1.0)), REJECT, {}),
    ("pulse_shape", spoiled(pulse=pulse(rise_s=0.0015)), DOUBT, {}),
    ("second_ignition", two_flashes(), DOUBT, {}),
    ("outside_method", spoiled({Role.FLASH_POINT: 39.0}), DOUBT, {"method": "d93-a"}),
    ("ramp_unsteady", with_trace(temperature_noise_c=0.5), DOUBT, {}),
    ("start_temperature", spoiled({Role.START_TEMPERATURE: 58.0}), REJECT, {"expected_c": 62.0}),
    (
        "start_temperature",
        spoiled({Role.START_TEMPERATURE: 48.0}),
        DOUBT,
        {"expected_c": 62.0, "start_below_expected_c": 20.0},
    ),
    ("sensor_frozen", held(100.0, 110.0), REJECT, {}),
    ("sensor_jump", jumped(3.0), DOUBT, {}),
    ("sensor_jump", jumped(6.0), REJECT, {}),
    (
        "inlet_temperature",
        spoiled(spans={Role.SAMPLE_INLET_TEMPERATURE: level(45.0)}),
        DOUBT,
        {"inlet_high_c": 40.0},
    ),
    (
        "no_value",
        spoiled({Role.FLASH_POINT: None, Role.IGNITION_SEEN: None}, trace=None),
        REJECT,
        {"rules": {"no_ignition": {"enabled": False, "because": "test"}}},
    ),
]


@pytest.mark.parametrize(
    ("rule", "cycle", "severity", "changes"),
    CASES,
    ids=[f"{c[0]}-{c[2].value}-{i}" for i, c in enumerate(CASES)],
)
def test_the_rule_speaks_on_its_fault(
    rule: str, cycle: Cycle, severity: Severity, changes: dict[str, Any]
) -> None:
    """The finding is there, as severe as stated, with a sentence."""
    findings = found(cycle, **changes)
    assert rule in findings
    assert findings[rule].severity is severity
    assert findings[rule].sentence


def test_a_step_is_not_a_flash() -> None:
    """A pressure that rises and stays is a valve, not a flash."""
    step = with_trace(decay_s=1e6)
    assert found(step)["not_a_flash"].severity is REJECT


def test_a_flow_read_in_the_purge_says_nothing() -> None:
    """Without scans, the reading beside the result counts only in a measuring phase."""
    idle = {Role.SAMPLE_FLOW: 0.0, Role.PHASE: Phase.IDLE}
    assert "sample_flow" not in found(spoiled(idle))
    assert "sample_flow" in found(spoiled({**idle, Role.PHASE: Phase.HEAT}))


def test_a_coarse_record_without_an_ignition_gives_no_heating_rate() -> None:
    """It may end in the cooling, and it cannot say that nothing lit."""
    coarse = with_trace(flash_s=None, interval_s=1.0)
    assert judged(coarse).computed.heating_rate_c_per_min is None
    assert "no_ignition" not in found(coarse)


@pytest.mark.parametrize(
    ("rule", "changes"),
    [
        ("link_down", {"link": LinkState.DOWN}),
        ("link_misconfigured", {"link": LinkState.MISCONFIGURED}),
        ("scans_stale", {"since_scan_s": 60.0}),
        ("device_fault_now", {"live": {Role.FAULT_BITS: ("heater_fault",)}}),
        ("result_overdue", {"since_result_s": 601.0}),
        ("maintenance_now", {"live": {Role.PHASE: Phase.MAINTENANCE}}),
        ("check_sample_now", {"live": {Role.PHASE: Phase.CHECK_SAMPLE}}),
        ("not_recorded", {"storage_fault": "disk full"}),
        ("not_alive", {"alive_still_s": 31.0}),
    ],
)
def test_a_live_rule_speaks_on_its_fault(rule: str, changes: dict[str, Any]) -> None:
    """Exactly the one rule speaks about the present."""
    assert standing(**changes) == [rule]


def test_the_present_is_in_order_when_it_is() -> None:
    """No live rule speaks while all is well."""
    assert standing() == []


def test_a_drifting_zero_is_doubted_against_the_cycles_before() -> None:
    """Ten cycles at 0.1 kPa, then one at 1.2: within the step from 0.9, far from the usual."""
    memory = Memory()
    for number in range(10):
        memory = memory.after(judged(spoiled(cycle_number=number), memory))
    before = replace(BEFORE, transducer_zero_kpa=0.9)
    drifted = found(spoiled({Role.TRANSDUCER_ZERO: 1.2}, previous=before), memory)
    assert "transducer_zero" not in drifted
    assert drifted["zero_drift"].severity is DOUBT
    assert drifted["zero_drift"].measured == pytest.approx(1.1)


ELSEWHERE = {Family.PROCESS, Family.PROOF}
"""Families with test modules of their own."""


def test_every_rule_of_the_catalogue_is_tried_here() -> None:
    """A new rule without a case in this file fails."""
    tried = {case[0] for case in CASES} | {"not_a_flash", "judging_failed", "zero_drift"}
    own = [rule for rule in RULES if rule.family not in ELSEWHERE]
    live = {rule.name for rule in own if rule.on_live is not None}
    assert {rule.name for rule in own} - live == tried
    assert live == {
        "link_down",
        "link_misconfigured",
        "scans_stale",
        "device_fault_now",
        "result_overdue",
        "maintenance_now",
        "check_sample_now",
        "not_recorded",
        "not_alive",
    }

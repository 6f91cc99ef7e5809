"""Every rule in both directions: it speaks on its fault and is silent on a sound cycle.

The limits are the catalogue's defaults: common practice, no source, unless a rule's parameter
names one (20 kPa: ASTM D6450 and D7094; 82 kPa: ISO 2719).
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from edgeflash.model import Continuity, Cycle, CycleSource, Phase, Role, Severity, Verdict
from edgeflash.publication import LinkState
from edgeflash.rules.catalogue import RULES
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
    ],
)
def test_a_live_rule_speaks_on_its_fault(rule: str, changes: dict[str, Any]) -> None:
    """Exactly the one rule speaks about the present."""
    assert standing(**changes) == [rule]


def test_the_present_is_in_order_when_it_is() -> None:
    """No live rule speaks while all is well."""
    assert standing() == []


def test_every_rule_of_the_catalogue_is_tried_here() -> None:
    """A new rule without a case in this file fails."""
    tried = {case[0] for case in CASES} | {"not_a_flash", "judging_failed"}
    live = {rule.name for rule in RULES if rule.on_live is not None}
    assert {rule.name for rule in RULES} - live == tried
    assert live == {
        "link_down",
        "link_misconfigured",
        "scans_stale",
        "device_fault_now",
        "result_overdue",
        "maintenance_now",
        "check_sample_now",
        "not_recorded",
    }

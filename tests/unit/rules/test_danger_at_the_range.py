"""Evidence at the low end of the instrument's range, and what only a trace or a role shows."""

from __future__ import annotations

import pytest

from edgeflash.model import Finding, Phase, Role, Severity
from edgeflash.rules.catalogue import BY_NAME
from edgeflash.rules.low_flash import low_flash_evidence
from tests.unit.rules.contexts import context, found, judged, spoiled


@pytest.mark.parametrize(
    ("barometer_kpa", "flash_c", "is_low"),
    [
        (103.3, 25.4, True),  # corrected by 0.25 · (101.3 - 103.3) = -0.5 °C: 24.9 °C
        (103.3, 25.6, False),
        (99.3, 24.9, True),  # an upward correction does not lift it into the range
        (99.3, 25.1, False),
    ],
)
def test_a_correction_counts_at_the_range_only_when_it_lowers(
    barometer_kpa: float, flash_c: float, is_low: bool
) -> None:
    """ISO 2719: 0.25 °C/kPa. The range begins at 25 °C; no product limit here."""
    cycle = spoiled(
        {
            Role.FLASH_POINT: flash_c,
            Role.BAROMETRIC_PRESSURE: barometer_kpa,
            Role.START_TEMPERATURE: 10.0,
        },
        trace=None,
    )
    assert judged(cycle, product=None).low_flash is is_low


def test_an_ignition_in_the_trace_alone_needs_its_number() -> None:
    """The flag is not mapped, the trace lit, and the analyzer gives no flash point."""
    cycle = spoiled({Role.FLASH_POINT: None, Role.IGNITION_SEEN: None})
    assert context(cycle).computed.ignition_count == 1
    assert found(cycle)["not_available"].severity is Severity.REJECT


@pytest.mark.parametrize("phase", [Phase.MAINTENANCE, Phase.CHECK_SAMPLE])
def test_without_scans_the_phase_beside_the_result_counts(phase: Phase) -> None:
    """Nothing was watched: what was read with the result is all there is."""
    assert found(spoiled({Role.PHASE: phase}, phases=()))[phase.value].severity is Severity.REJECT
    seen = spoiled({Role.PHASE: phase}, phases=(Phase.CLEAN, Phase.ZERO, Phase.HEAT))
    assert phase.value not in found(seen)


@pytest.mark.parametrize(
    ("reported_c", "barometer_kpa", "analyzer_corrects", "is_low", "is_low_in_doubt"),
    [
        # 2 kPa below 101.3 kPa are worth +0.5 °C, 2 kPa above it −0.5 °C.
        (54.8, 99.3, False, False, True),
        (54.4, 99.3, False, True, True),
        (55.1, 99.3, False, False, False),
        (55.3, 103.3, False, True, True),
        (55.2, 99.3, True, False, True),  # the analyzer has added them
        (55.6, 99.3, True, False, False),
        (54.9, 99.3, True, True, True),
    ],
)
def test_a_doubted_barometer_lifts_nothing_over_the_minimum(
    reported_c: float,
    barometer_kpa: float,
    analyzer_corrects: bool,
    is_low: bool,
    is_low_in_doubt: bool,
) -> None:
    """ISO 2719: 0.25 °C/kPa. The product's minimum is 55 °C; a believed barometer counts in full,
    a doubted one only where it lowers."""
    cycle = spoiled(
        {Role.FLASH_POINT: reported_c, Role.BAROMETRIC_PRESSURE: barometer_kpa}, trace=None
    )
    made = context(cycle, basis="reported", analyzer_corrects_barometer=analyzer_corrects)
    assert low_flash_evidence(made, ()) is is_low
    for name in ("barometer_jump", "barometer_implausible"):
        doubt = Finding(BY_NAME[name].code, name, Severity.DOUBT, "")
        assert low_flash_evidence(made, (doubt,)) is is_low_in_doubt


def test_the_danger_is_the_first_reason() -> None:
    """Of two that reject, the one that may hide a low flash point, whatever its code."""
    cycle = spoiled({Role.SPARK_COUNT: 2}, faults_seen=("heater_fault",))
    result = judged(cycle)
    assert {"device_fault", "ignition_too_early"} <= set(result.reasons)
    assert result.reasons[0] == "ignition_too_early"

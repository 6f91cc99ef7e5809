"""Evidence at the low end of the instrument's range, and what only a trace or a role shows."""

from __future__ import annotations

import pytest

from edgeflash.model import Phase, Role, Severity
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

"""The point catalogue's promises to those who have mapped it."""

from __future__ import annotations

from asyncua import ua

from edgeflash.points import BLOCK_REGISTERS, CATALOGUE
from edgeflash.trust import Quality
from edgeflash.units import UNITS, unece_unit_id

PROMISED = {
    "flash_point_c": (0, 2),
    "quality": (2, 1),
    "reason_code": (3, 1),
    "verdict": (4, 1),
    "possible_low_flash": (5, 1),
    "cycle_number": (6, 2),
    "epoch": (8, 2),
    "age_s": (10, 2),
    "sampled_at": (12, 4),
    "heartbeat": (16, 1),
    "link_state": (17, 1),
    "phase": (18, 1),
    "shown_cycle_number": (20, 2),
    "reported_c": (22, 2),
    "recomputed_c": (24, 2),
    "corrected_c": (26, 2),
    "uncertainty_c": (28, 2),
    "resolution_c": (30, 2),
    "heating_rate_c_per_min": (32, 2),
    "peak_kpa": (34, 2),
    "barometer_kpa": (36, 2),
    "correction_c": (38, 2),
    "live_flash_point_c": (40, 2),
    "live_sample_temperature_c": (42, 2),
    "live_cell_pressure_kpa": (44, 2),
    "live_sample_flow_ml_per_min": (46, 2),
    "accepted_count": (48, 2),
    "doubtful_count": (50, 2),
    "rejected_count": (52, 2),
    "reason_text": (54, 16),
    "margin_c": (70, 2),
    "meets_limit_percent": (72, 2),
    "minimum_c": (74, 2),
    "predicted_c": (76, 2),
    "stream": (78, 2),
    "product": (80, 16),
    "hazard_class": (96, 16),
    "alarm_possible_low_flash": (112, 1),
    "alarm_below_limit": (113, 1),
    "alarm_unavailable": (114, 1),
    "alarm_verification_overdue": (115, 1),
    "alarm_history_shortage": (116, 1),
    "alarm_clock": (117, 1),
    "status_bits": (119, 1),
    "alarms_active": (120, 1),
    "alarms_unacknowledged": (121, 1),
    "device_health": (192, 1),
    "link_timeouts": (140, 2),
    "round_trip_s": (142, 2),
    "test_active": (118, 1),
    "alarm_control_system_silent": (122, 1),
    "clock_synchronisation": (144, 1),
    "clock_error_s": (145, 2),
    "alarm_mqtt_away": (123, 1),
    "alarm_mqtt_set_aside": (124, 1),
    "alarm_shipping_behind": (125, 1),
    "results_waiting": (148, 2),
    "messages_set_aside": (150, 2),
    "days_not_shipped": (152, 2),
}
"""Name, offset and size of every point ever published. Lines are added here, never changed."""


def test_no_published_point_ever_moves() -> None:
    """A DCS that has mapped a point finds it there for ever."""
    assert {p.name: (p.register, p.registers) for p in CATALOGUE} == PROMISED


def test_the_block_holds_every_point_once() -> None:
    """No register is used twice and the block has room."""
    used = [r for p in CATALOGUE for r in range(p.register, p.register + p.registers)]
    assert len(used) == len(set(used))
    assert max(used) < BLOCK_REGISTERS


def test_qualities_are_the_published_status_codes() -> None:
    """Names and numbers from the code list of OPC 10000-4, as asyncua carries it."""
    for quality in Quality:
        entry = quality.value
        assert entry.opcua_code == getattr(ua.StatusCodes, entry.opcua_name)


def test_quality_maps_one_to_one() -> None:
    """Every outlet can be translated into every other."""
    assert len({q.value.modbus for q in Quality}) == len(Quality)
    assert len({q.value.opcua_code for q in Quality}) == len(Quality)
    for quality in Quality:
        modbus = quality.value.modbus
        expected = "good" if modbus == 0 else "uncertain" if modbus < 10 else "bad"
        assert quality.trust.value == expected


def test_unit_ids_are_the_packed_common_codes() -> None:
    """OPC 10000-8: UnitId is the UNECE code's bytes; °C 4408652, °F 4604232, kPa 4935745."""
    published = {"degC": 4408652, "degF": 4604232, "kPa": 4935745, "mbar": 5063250, "s": 5457219}
    for name, number in published.items():
        code = UNITS[name].unece
        assert code is not None
        assert unece_unit_id(code) == number


def test_units_are_exact() -> None:
    """BIPM and NIST SP 811: 0 °F, 212 °F, 1 psi, 760 mmHg, 1 bar, 1 L/h."""
    assert abs(UNITS["degF"].to_inside(0.0) + 17.77777777777778) < 1e-12
    assert abs(UNITS["degF"].to_inside(212.0) - 100.0) < 1e-12
    assert abs(UNITS["psi"].to_inside(1.0) - 6.894757293168361) < 1e-12
    assert abs(UNITS["mmHg"].to_inside(760.0) - 101.325) < 2e-5  # the conventional mmHg
    assert UNITS["bar"].to_inside(1.0) == 100.0
    assert abs(UNITS["L/h"].to_inside(15.0) - 250.0) < 1e-9
    for unit in UNITS.values():
        assert abs(unit.from_inside(unit.to_inside(12.5)) - 12.5) < 1e-12

"""What a server says of a node, as a value or as why there is none.

Status codes: OPC 10000-6, annex A; the library's own list is asked for the names.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pytest
from asyncua import ua
from asyncua.ua.status_codes import code_to_name_doc
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.config.node_map import NodePlace
from edgeflash.links.opcua_client import node_value
from edgeflash.links.opcua_errors import status_name
from edgeflash.links.opcua_values import NodeValue, array_decoder, scalar_decoder
from edgeflash.model import Phase, Role, Scalar

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)
SENSOR_FAILURE, NOT_ACCURATE, OVERRIDE = 0x808C0000, 0x40930000, 0x00960000


def decoded(role: Role, value: object, status: int = 0, **place: Any) -> tuple[Scalar, str]:
    """One scalar, decoded by a map that says so."""
    made = NodePlace.model_validate({"node": "i=1", **place})
    return scalar_decoder(role, made)(NodeValue(value, status, status_name(status), NOON))


def array(role: Role, value: object, elements: int | None = None, **place: Any) -> list[Scalar]:
    """One array, decoded by a map that says so."""
    made = NodePlace.model_validate({"node": "i=1", **place})
    values, _ = array_decoder(role, made)(NodeValue(value), elements)
    return values


def test_units_scale_and_offset() -> None:
    """212 °F is 100 °C; 1013.25 hPa is 101.325 kPa: by definition."""
    assert decoded(Role.FLASH_POINT, 212.0, unit="degF") == (pytest.approx(100.0), "")
    assert decoded(Role.BAROMETRIC_PRESSURE, 10132.5, unit="hPa", scale=0.1)[0] == pytest.approx(
        101.325
    )
    assert decoded(Role.SPARK_COUNT, 7) == (7, "")


@pytest.mark.parametrize(
    ("status", "value", "told"),
    [
        (0, 62.0, ""),
        (NOT_ACCURATE, 62.0, "UncertainSensorNotAccurate"),
        (NOT_ACCURATE | 0x0480, 62.0, "UncertainSensorNotAccurate"),  # info bits: overflow
        (SENSOR_FAILURE, None, "BadSensorFailure"),
        (0x00000480, 62.0, ""),
        (OVERRIDE, 62.0, "GoodLocalOverride"),
        (0x80FF0000, None, "Bad0x80FF0000"),
    ],
)
def test_the_status_decides(status: int, value: float | None, told: str) -> None:
    """Good is taken; uncertain is kept and told; bad is not available and says why."""
    assert decoded(Role.FLASH_POINT, 62.0, status, unit="degC") == (value, told)


def test_every_status_has_its_severity_in_its_name() -> None:
    """What the rules read off the name agrees with the code's two highest bits."""
    for code, (name, _) in code_to_name_doc.items():
        assert status_name(code) == name
        severity = ("Good", "Uncertain", "Bad")[code >> 30]
        assert name.startswith(severity), name


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None])
def test_what_is_no_number_is_not_available(value: float | None) -> None:
    """Silently: an analyzer without a result says so in this way."""
    assert decoded(Role.FLASH_POINT, value, unit="degC") == (None, "")


@pytest.mark.parametrize("value", ["62", True, [62.0], object(), NOON])
def test_a_value_of_another_kind_is_told(value: object) -> None:
    """Never taken for a number."""
    assert decoded(Role.FLASH_POINT, value, unit="degC") == (None, "BadTypeMismatch")


def test_values_that_mean_nothing() -> None:
    """A server's Float holds the nearest single of −999.9, which is another double."""
    single = float(np.float32(-999.9))
    assert single != -999.9
    for value in (-999.9, single):
        assert decoded(Role.FLASH_POINT, value, unit="degC", unavailable=[-999.9])[0] is None


def test_phases_by_number_and_by_text() -> None:
    """An enumeration comes as a number, a state as a text; True is neither."""
    values = {"values": {"3": "heat", "Heating": "heat"}}
    assert decoded(Role.PHASE, 3, **values)[0] is Phase.HEAT
    assert decoded(Role.PHASE, 3.0, **values)[0] is Phase.HEAT
    assert decoded(Role.PHASE, "Heating", **values)[0] is Phase.HEAT
    assert decoded(Role.PHASE, 4, **values) == (None, "")
    assert decoded(Role.PHASE, True, **values) == (None, "BadTypeMismatch")


def test_flags_counters_bits_and_labels() -> None:
    """Each role takes what it can be, and nothing else."""
    assert decoded(Role.IGNITION_SEEN, True)[0] is True
    assert decoded(Role.IGNITION_SEEN, 0)[0] is False
    assert decoded(Role.IGNITION_SEEN, 2) == (None, "BadTypeMismatch")
    assert decoded(Role.CYCLE_NUMBER, 41.0) == (41, "")
    assert decoded(Role.CYCLE_NUMBER, 41.5) == (None, "BadTypeMismatch")
    assert decoded(Role.ALIVE, False)[0] is False
    assert decoded(Role.STREAM, "A")[0] == "A"
    bits = {
        0: {"name": "heater", "category": "failure"},
        31: {"name": "bus", "category": "failure"},
    }
    assert decoded(Role.FAULT_BITS, 1, bits=bits)[0] == ("heater",)
    assert decoded(Role.FAULT_BITS, -(2**31), bits=bits)[0] == ("bus",)  # an Int32 with its top bit


def test_times() -> None:
    """A DateTime as it is, in UTC; a number in the map's unit; 1601 is a clock never set."""
    assert decoded(Role.RESULT_TIME, NOON)[0] == NOON
    ahead = NOON.astimezone(timezone(timedelta(hours=2)))
    assert decoded(Role.RESULT_TIME, ahead)[0] == NOON
    assert decoded(Role.RESULT_TIME, NOON.replace(tzinfo=None))[0] == NOON
    assert decoded(Role.RESULT_TIME, datetime(1601, 1, 1, tzinfo=UTC))[0] is None
    assert decoded(Role.RESULT_TIME, 1_772_366_400_000, unit="epoch_ms")[0] == NOON
    assert decoded(Role.RESULT_TIME, 1_772_366_400) == (None, "BadTypeMismatch")


def test_the_source_time_is_used_only_where_the_map_says_so() -> None:
    """Then whatever the value is; without one the time is not available."""
    assert decoded(Role.RESULT_TIME, 62.0, source_time=True) == (NOON, "")
    assert decoded(Role.RESULT_TIME, 62.0, SENSOR_FAILURE, source_time=True)[0] is None
    place = NodePlace(node="i=1", source_time=True)
    assert scalar_decoder(Role.RESULT_TIME, place)(NodeValue(62.0)) == (None, "")


def test_arrays() -> None:
    """Cut to what is wanted; a bad element keeps its place; what is no array is empty."""
    assert array(Role.TRACE_TEMPERATURE, [1.0, math.nan, 3.0], unit="degC") == [1.0, None, 3.0]
    assert array(Role.TRACE_TEMPERATURE, [1.0, 2.0, 3.0], 2, unit="degC") == [1.0, 2.0]
    assert array(Role.TRACE_TEMPERATURE, 1.0, unit="degC") == []
    assert array(Role.TRACE_TEMPERATURE, "12", unit="degC") == []
    assert array(Role.RECENT_NUMBER, [1, 2]) == [1, 2]
    assert array(Role.RECENT_TIME, [NOON, datetime(1601, 1, 1, tzinfo=UTC)]) == [NOON, None]
    assert len(array(Role.TRACE_TEMPERATURE, [0.0] * 10_000, unit="degC")) == 8192


@given(
    values=st.lists(st.floats() | st.integers(-(10**9), 10**9), max_size=20),
    scale=st.floats(-1e6, 1e6).filter(bool),
    offset=st.floats(-1e6, 1e6),
)
def test_an_array_is_its_elements(values: list[float], scale: float, offset: float) -> None:
    """All at once gives, to the last bit, what one by one gives."""
    more = {"unit": "degF", "scale": scale, "offset": offset, "unavailable": [0.0, -999.9]}
    singly = [decoded(Role.TRACE_TEMPERATURE, value, **more)[0] for value in values]
    assert array(Role.TRACE_TEMPERATURE, values, **more) == singly


@given(
    value=st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(), st.binary(),
        st.datetimes(), st.lists(st.integers() | st.text() | st.none() | st.datetimes()),
    ),
    status=st.integers(0, 2**32 - 1),
    role=st.sampled_from(Role),
)  # fmt: skip
def test_no_value_of_a_server_is_an_exception(value: object, status: int, role: Role) -> None:
    """Whatever comes for whatever role: a value, or why not."""
    place = NodePlace.model_validate({"node": "i=1", "values": {"0": "idle"}, "unit": "degC"})
    came = NodeValue(value, status, status_name(status))
    scalar_decoder(role, place)(came)
    array_decoder(role, place)(came, None)


def test_what_the_library_decodes_becomes_plain() -> None:
    """Texts of every kind are texts; the time is the source's, not the server's."""
    text = ua.Variant(ua.LocalizedText("Heating"))
    stamped: Any = {"SourceTimestamp": NOON, "ServerTimestamp": NOON + timedelta(hours=1)}
    assert node_value(ua.DataValue(text, **stamped)) == NodeValue("Heating", 0, "Good", NOON)
    named = ua.Variant([ua.QualifiedName("a", 1), ua.QualifiedName("b", 2)])
    assert node_value(ua.DataValue(named)).value == ["a", "b"]

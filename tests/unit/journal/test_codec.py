"""Results survive the way into the journal and back, bit for bit."""

from __future__ import annotations

import dataclasses
import json
import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as st_numpy

from edgeflash.errors import StorageError
from edgeflash.journal.codec import (
    FORMAT,
    Encoded,
    UnreadableEntryError,
    UnstorableResultError,
    decode,
    encode,
    encode_trace,
)
from edgeflash.model import (
    Computed,
    Continuity,
    Cycle,
    CycleSource,
    Finding,
    Phase,
    PreviousResult,
    Result,
    Role,
    Severity,
    Span,
    Trace,
    TraceSource,
    Verdict,
)
from tests.unit.journal.samples import START, sample_result, sample_trace

numbers = st.floats(allow_nan=False)
maybe = st.none() | numbers
times = st.builds(
    lambda us, zone: (START + timedelta(microseconds=us)).astimezone(zone),
    st.integers(-(10**15), 7 * 10**15),
    st.sampled_from([UTC, timezone(timedelta(hours=5, minutes=30))]),
)
counts = st.integers(-(2**63), 2**63 - 1)
scalars = st.one_of(
    st.none(),
    numbers,
    counts,
    st.booleans(),
    st.text(),
    st.sampled_from(Phase),
    times,
    st.lists(st.text()).map(tuple),
)


@st.composite
def traces(draw: Callable[..., Any]) -> Trace:
    """Any arrays of one length, NaN payloads and all."""
    length = draw(st.integers(0, 40))
    arrays = st_numpy.arrays(np.float64, length, elements=st.floats())
    return Trace(draw(st.sampled_from(TraceSource)), draw(arrays), draw(arrays), draw(arrays))


computed = st.builds(
    Computed,
    **{
        f.name: st.none() | st.text()
        if f.name == "basis"
        else st.none() | st.integers(0, 9)
        if f.name == "ignition_count"
        else maybe
        for f in dataclasses.fields(Computed)
    },
)
findings = st.builds(
    Finding,
    code=st.integers(0, 999),
    rule=st.text(),
    severity=st.sampled_from(Severity),
    sentence=st.text(),
    measured=maybe,
    limit=maybe,
    unit=st.text(),
)
cycles = st.builds(
    Cycle,
    analyzer=st.text(),
    epoch=counts,
    cycle_number=counts,
    source=st.sampled_from(CycleSource),
    continuity=st.sampled_from(Continuity),
    missed=counts,
    finished_at=times,
    values=st.dictionaries(st.sampled_from(Role), scalars),
    trace=st.none() | traces(),
    torn=st.booleans(),
    duration_s=maybe,
    longest_gap_s=maybe,
    phases=st.lists(st.sampled_from(Phase)).map(tuple),
    faults_seen=st.lists(st.text()).map(tuple),
    spans=st.dictionaries(
        st.sampled_from(Role), st.builds(Span, numbers, numbers, numbers, numbers, counts)
    ),
    previous=st.none() | st.builds(PreviousResult, counts, counts, maybe, times, times, maybe),
)
results = st.builds(
    Result,
    cycle=cycles,
    computed=computed,
    findings=st.lists(findings).map(tuple),
    verdict=st.sampled_from(Verdict),
    published_c=maybe,
    low_flash=st.booleans(),
    low_flash_alarm=st.booleans(),
    sampled_at=times,
    judged_at=times,
    product=st.text(),
    rules_version=st.text(),
)


def without_trace(result: Result) -> Result:
    return dataclasses.replace(result, cycle=dataclasses.replace(result.cycle, trace=None))


def types_of(values: dict[Role, Any]) -> dict[Role, type]:
    return {role: type(value) for role, value in values.items()}


@given(results)
def test_every_result_comes_back_equal(result: Result) -> None:
    """Encode and decode is the identity: every field, and every float by its bits."""
    back = decode(encode(result))
    assert without_trace(result) == without_trace(back)
    trace, trace_back = result.cycle.trace, back.cycle.trace
    assert (trace is None) == (trace_back is None)
    if trace is not None and trace_back is not None:
        assert trace.source is trace_back.source
        for name in ("time_s", "temperature_c", "pressure_kpa"):
            assert getattr(trace, name).tobytes() == getattr(trace_back, name).tobytes()


@given(st.dictionaries(st.sampled_from(Role), scalars))
def test_types_come_back_too(values: dict[Role, Any]) -> None:
    """1, 1.0, True and "1" stay what they were; a phase stays a Phase."""
    result = sample_result(1)
    result = dataclasses.replace(result, cycle=dataclasses.replace(result.cycle, values=values))
    back = dict(decode(encode(result)).cycle.values)
    expected = types_of(values)
    assert expected == types_of(back)


def test_not_a_number_comes_back() -> None:
    """NaN and infinity are kept in the journal as they came, in JSON that any parser reads."""
    computed = Computed(peak_kpa=float("nan"), noise_kpa=float("-inf"))
    stored = encode(dataclasses.replace(sample_result(1), computed=computed))

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is not JSON")

    json.loads(stored.body, parse_constant=refuse)
    back = decode(stored).computed
    assert back.peak_kpa is not None
    assert np.isnan(back.peak_kpa)
    assert back.noise_kpa == float("-inf")


def test_numpy_scalars_are_stored_as_plain_ones() -> None:
    """A computation that leaves a NumPy scalar in a result does not lose the result."""
    computed = Computed(peak_kpa=np.float64(8.5), ignition_count=np.int64(2))
    result = dataclasses.replace(sample_result(1), computed=computed, low_flash=np.bool_(True))
    back = decode(encode(result))
    assert (back.computed.peak_kpa, back.computed.ignition_count, back.low_flash) == (8.5, 2, True)


def test_a_naive_time_is_refused() -> None:
    """A time without its zone is no point in time; it is refused, and named."""
    result = dataclasses.replace(sample_result(1), judged_at=datetime(2026, 5, 1, 12, 0))  # noqa: DTZ001  # the mistake under test
    with pytest.raises(UnstorableResultError, match="2026-05-01T12:00:00 lacks its timezone"):
        encode(result)


def test_a_foreign_type_is_refused() -> None:
    """What has no stored form is a StorageError naming the cycle, not a crash of the writer."""
    cycle = dataclasses.replace(sample_result(7).cycle, values={Role.STREAM: object()})
    with pytest.raises(StorageError, match="fp-101/0/7"):
        encode(dataclasses.replace(sample_result(7), cycle=cycle))


def test_an_older_entry_without_later_fields_is_read() -> None:
    """Formats only add: a missing field takes its default, an unknown one is passed over."""
    stored = encode(sample_result(3))
    tree = json.loads(stored.body)
    del tree["computed"]["peak_kpa"]
    tree["computed"]["later"] = 1.0
    tree["later"] = {}
    back = decode(Encoded(json.dumps(tree), stored.trace))
    assert back.computed.peak_kpa is None
    assert sample_result(3).findings == back.findings


def test_a_newer_format_is_refused() -> None:
    """An entry this version cannot know is not guessed at."""
    stored = encode(sample_result(3))
    newer = stored.body.replace(f'"format":{FORMAT}', f'"format":{FORMAT + 1}')
    with pytest.raises(UnreadableEntryError, match="newer"):
        decode(Encoded(newer, stored.trace))


@pytest.mark.parametrize("cut", [0, 1, 10, 200])
def test_a_cut_entry_is_an_unreadable_entry(cut: int) -> None:
    """Damage shows itself as UnreadableEntryError, whatever it hits."""
    stored = encode(sample_result(3))
    assert stored.trace is not None
    with pytest.raises(UnreadableEntryError):
        decode(Encoded(stored.body[:cut], stored.trace))
    with pytest.raises(UnreadableEntryError):
        decode(Encoded(stored.body, stored.trace[:cut]))


def test_the_stored_trace_is_little_endian_doubles() -> None:
    """The bytes are time, temperature, pressure as IEEE 754 doubles, low byte first, zlib."""
    import zlib

    trace = Trace(TraceSource.POLLED, np.array([0.0, 0.5]), np.array([45.0, 45.1]), np.zeros(2))
    assert struct.pack("<6d", 0.0, 0.5, 45.0, 45.1, 0.0, 0.0) == zlib.decompress(
        encode_trace(trace)
    )


def test_checksum_covers_body_and_trace() -> None:
    """One changed bit anywhere changes the checksum."""
    stored = encode(sample_result(3, trace=sample_trace(3)))
    assert stored.trace is not None
    turned = bytes([stored.trace[0] ^ 1]) + stored.trace[1:]
    others = (Encoded(stored.body, turned), Encoded(stored.body + " ", stored.trace))
    assert all(stored.checksum != other.checksum for other in others)

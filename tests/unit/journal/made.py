"""Any results that the types allow, for hypothesis."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from datetime import UTC, timedelta, timezone
from typing import Any

import numpy as np
from hypothesis import strategies as st
from hypothesis.extra import numpy as st_numpy

from edgeflash.model import (
    Assessment,
    CheckResult,
    Computed,
    Continuity,
    Cycle,
    CycleSource,
    Declared,
    Finding,
    InputReading,
    Phase,
    PreviousResult,
    Pulse,
    Result,
    Role,
    Severity,
    Span,
    Trace,
    TraceSource,
    Verdict,
)
from tests.unit.journal.samples import START

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


pulses = st.builds(
    Pulse,
    interval_s=st.floats(1e-9, 1e9),
    pressure_kpa=st_numpy.arrays(np.float64, st.integers(0, 40), elements=st.floats()),
)
_WHOLE = ("ignition_count", "trace_digest")
computed = st.builds(
    Computed,
    **{
        f.name: st.none() | st.text()
        if f.name == "basis"
        else st.none() | st.integers(0, 2**32 - 1)
        if f.name in _WHOLE
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
    is_time_known=st.booleans(),
    after_heating_s=maybe,
    phases=st.lists(st.sampled_from(Phase)).map(tuple),
    faults_seen=st.lists(st.text()).map(tuple),
    spans=st.dictionaries(
        st.sampled_from(Role), st.builds(Span, numbers, numbers, numbers, numbers, counts)
    ),
    previous=st.none()
    | st.builds(PreviousResult, counts, counts, maybe, times, times, maybe, maybe),
    pulse=st.none() | pulses,
    streams=st.lists(st.integers(0, 65_535)).map(tuple),
    on_stream_s=maybe,
    clock_ahead_s=maybe,
    alive_stuck_s=maybe,
    declared=st.lists(st.sampled_from(Declared)).map(tuple),
)
assessments = st.builds(
    Assessment,
    stream=st.none() | counts,
    minimum_c=maybe,
    margin_c=maybe,
    probability=maybe,
    hazard_class=st.text(),
    predicted_c=maybe,
    prediction_note=st.text(),
)
inputs = st.builds(InputReading, st.text(), numbers, st.booleans(), maybe)
checks = st.builds(CheckResult, counts, counts, times, numbers, numbers)
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
    assessment=assessments,
    inputs=st.lists(inputs, max_size=4).map(tuple),
    checks=st.lists(checks, max_size=4).map(tuple),
)

"""Results survive the way into the journal and back, bit for bit."""

from __future__ import annotations

import dataclasses
import itertools
import json
import struct
import zlib
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.errors import StorageError
from edgeflash.journal.arrays import decode_arrays, encode_arrays
from edgeflash.journal.codec import (
    FORMAT,
    Encoded,
    UnreadableEntryError,
    UnstorableResultError,
    cycle_text_of,
    decode,
    decode_cycle,
    encode,
    encode_cycle,
)
from edgeflash.model import (
    NOT_ASSESSED,
    Computed,
    Cycle,
    InputReading,
    Pulse,
    Result,
    Role,
    Trace,
    TraceSource,
)
from tests.unit.journal.made import cycles, inputs, results, scalars
from tests.unit.journal.samples import sample_pulse, sample_result, sample_trace

maybe_odd = st.none() | st.floats() | st.integers(-(2**63), 2**64)


def without_arrays(result: Result) -> Result:
    cycle = dataclasses.replace(result.cycle, trace=None, pulse=None)
    return dataclasses.replace(result, cycle=cycle)


def arrays_of(cycle: Cycle) -> list[bytes]:
    """Every array of a cycle by its bits."""
    trace = () if cycle.trace is None else (cycle.trace.time_s, cycle.trace.temperature_c)
    more = () if cycle.trace is None else (cycle.trace.pressure_kpa,)
    pulse = () if cycle.pulse is None else (cycle.pulse.pressure_kpa,)
    return [array.tobytes() for array in (*trace, *more, *pulse)]


def types_of(values: dict[Role, Any]) -> dict[Role, type]:
    return {role: type(value) for role, value in values.items()}


@given(results)
def test_every_result_comes_back_equal(result: Result) -> None:
    """Encode and decode is the identity: every field, and every float by its bits."""
    back = decode(encode(result))
    assert result == back
    assert arrays_of(result.cycle) == arrays_of(back.cycle)


@given(cycles, st.lists(inputs).map(tuple))
def test_a_cycle_comes_back_as_it_was_read(
    cycle: Cycle, given_inputs: tuple[InputReading, ...]
) -> None:
    """The text of a cycle holds all but its arrays, in ASCII."""
    text = encode_cycle(cycle, given_inputs)
    assert text.isascii()
    back, inputs_back = decode_cycle(text, cycle.trace, cycle.pulse)
    assert (cycle, given_inputs) == (back, inputs_back)
    bare = dataclasses.replace(cycle, trace=None, pulse=None)
    assert text == encode_cycle(back, inputs_back)
    assert (text == encode_cycle(bare, given_inputs)) == (cycle == bare)


@given(results)
def test_the_text_of_the_cycle_is_the_beginning_of_the_entry(result: Result) -> None:
    """Byte for byte what encoding the cycle anew gives; no text can look like the end of it."""
    stored = encode(result)
    assert cycle_text_of(stored.body) == encode_cycle(result.cycle, result.inputs)
    loud = dataclasses.replace(result.cycle, analyzer=',"computed":{}', faults_seen=("]}}",))
    result = dataclasses.replace(result, cycle=loud)
    assert cycle_text_of(encode(result).body) == encode_cycle(result.cycle, result.inputs)


def test_another_text_gives_no_text_of_a_cycle() -> None:
    """Then the cycle is encoded anew."""
    body = encode(sample_result(3)).body
    for other in (
        "",
        " " + body,
        body.replace('"computed"', '"reckoned"'),
        body.replace(",", ", "),
    ):
        assert cycle_text_of(other) is None


def test_a_cycle_without_its_arrays_is_not_given() -> None:
    """A trace or pulse that is missing, or belongs to another cycle, is said, never passed over."""
    cycle = sample_result(3, pulse=sample_pulse(3)).cycle
    text = encode_cycle(cycle, ())
    polled = dataclasses.replace(sample_trace(3), source=TraceSource.POLLED)
    faster = Pulse(0.0005, sample_pulse(3).pressure_kpa)
    for trace, pulse in (
        (None, cycle.pulse),
        (cycle.trace, None),
        (polled, cycle.pulse),
        (cycle.trace, faster),
    ):
        with pytest.raises(UnreadableEntryError, match="do not belong together"):
            decode_cycle(text, trace, pulse)
    for damaged in (text[:-9], "null", "{}", text.replace('"epoch":0', '"era":0')):
        with pytest.raises(UnreadableEntryError, match="damaged cycle"):
            decode_cycle(damaged, cycle.trace, cycle.pulse)


DEEP = "[" * 100_000 + "]" * 100_000


def test_a_cycle_nested_without_end_is_damaged() -> None:
    """RFC 8259, section 9, lets a reader limit the depth; ours is the language's own."""
    cycle = sample_result(3).cycle
    text = encode_cycle(cycle, ())
    for damaged in (DEEP, f'{text[:-1]},"more":{DEEP}}}'):
        with pytest.raises(UnreadableEntryError, match="damaged cycle"):
            decode_cycle(damaged, cycle.trace, cycle.pulse)
        with pytest.raises(UnreadableEntryError, match="damaged entry"):
            decode(Encoded(damaged, None))


@pytest.mark.parametrize(
    ("field", "value"),
    [
        (("cycle", "finished_at"), None),
        (("cycle", "finished_at"), "2026-05-01T00:00:00Z"),
        (("cycle", "finished_at"), {"time": "2026-05-01T00:00:00"}),
        (("cycle", "previous", "finished_at"), None),
        (("cycle", "previous", "result_time"), 5),
        (("cycle", "previous", "barometer_kpa"), "x"),
        (("cycle", "missed"), None),
        (("cycle", "torn"), 1),
        (("cycle", "duration_s"), "240"),
        (("cycle", "faults_seen"), [None]),
        (("cycle", "spans", "sample_flow", "mean"), None),
        (("cycle", "values", "flash_point"), [62.0]),
        (("inputs", 0, "value"), None),
        (("inputs", 0, "is_good"), "yes"),
    ],
)
def test_a_value_of_another_type_is_damage(field: tuple[str | int, ...], value: object) -> None:
    """Of each field as the model declares it; a time without its zone is none."""
    result = sample_result(3)
    inputs_then = (InputReading("t10", 188.0, True, 3.0),)
    whole = json.loads(encode_cycle(result.cycle, inputs_then))
    at = whole
    for key in field[:-1]:
        at = at[key]
    assert field[-1] in at or field[-1] == 0
    at[field[-1]] = value
    with pytest.raises(UnreadableEntryError, match=f"damaged cycle: .*{field[-1]}|values"):
        decode_cycle(json.dumps(whole), result.cycle.trace, result.cycle.pulse)


def test_whole_numbers_stand_for_others() -> None:
    """JSON has one kind of number (RFC 8259, section 6)."""
    cycle = dataclasses.replace(sample_result(3).cycle, duration_s=240.0, longest_gap_s=1.0)
    text = encode_cycle(cycle, ()).replace("240.0", "240")
    assert text != encode_cycle(cycle, ())
    assert decode_cycle(text, cycle.trace, cycle.pulse)[0] == cycle


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


def test_an_entry_of_before_streams_and_inputs_is_read() -> None:
    """What the first version wrote: each later field has its default."""
    stored = encode(sample_result(3))
    tree = json.loads(stored.body)
    for later in ("assessment", "inputs", "checks"):
        del tree[later]
    for later in (
        "pulse_interval_s",
        "streams",
        "on_stream_s",
        "clock_ahead_s",
        "alive_stuck_s",
        "declared",
    ):
        del tree["cycle"][later]
    del tree["cycle"]["previous"]["barometer_kpa"]
    del tree["computed"]["trace_digest"]
    expected = sample_result(3)
    assert expected.cycle.previous is not None
    expected = dataclasses.replace(
        expected,
        cycle=dataclasses.replace(
            expected.cycle,
            streams=(),
            on_stream_s=None,
            clock_ahead_s=None,
            alive_stuck_s=None,
            declared=(),
            previous=dataclasses.replace(expected.cycle.previous, barometer_kpa=None),
        ),
        computed=dataclasses.replace(expected.computed, trace_digest=None),
        assessment=NOT_ASSESSED,
        inputs=(),
        checks=(),
    )
    assert expected == decode(Encoded(json.dumps(tree), stored.trace))


def test_a_newer_format_is_refused() -> None:
    """An entry this version cannot know is not guessed at."""
    stored = encode(sample_result(3))
    newer = stored.body.replace(f'"format":{FORMAT}', f'"format":{FORMAT + 1}')
    assert newer != stored.body
    with pytest.raises(UnreadableEntryError, match="newer"):
        decode(Encoded(newer, stored.trace))


@pytest.mark.parametrize("cut", [0, 1, 10, 200, -1])
def test_a_cut_entry_is_an_unreadable_entry(cut: int) -> None:
    """Damage shows itself as UnreadableEntryError, whatever it hits."""
    stored = encode(sample_result(3, pulse=sample_pulse(3)))
    assert stored.trace is not None
    with pytest.raises(UnreadableEntryError):
        decode(Encoded(stored.body[:cut], stored.trace))
    with pytest.raises(UnreadableEntryError):
        decode(Encoded(stored.body, stored.trace[:cut]))
    with pytest.raises(UnreadableEntryError):
        decode(Encoded(stored.body, stored.trace + b"more"))


def test_the_stored_block_is_as_described() -> None:
    """Head, then a Zstandard frame (RFC 8878) of the differences of the bits, byte by byte.

    Written here from the description alone. 45.1 is the nearest single-precision number, as struct
    packs it.
    """
    trace = Trace(TraceSource.POLLED, np.array([0.0, 0.5]), np.array([45.0, 45.1]), np.zeros(2))
    pulse = Pulse(0.001, np.array([0.25, -8.0]))
    samples = (0.0, 0.5, 45.0, 45.1, 0.0, 0.0, 0.25, -8.0)
    for given_trace, given_pulse, head, held in (
        (trace, pulse, struct.pack("<BII", 0x13, 2, 2), samples),
        (trace, None, struct.pack("<BII", 0x11, 2, 0), samples[:6]),
        (None, pulse, struct.pack("<BII", 0x12, 0, 2), samples[6:]),
    ):
        block = encode_arrays(given_trace, given_pulse)
        assert block is not None
        bits = struct.unpack(f"<{len(held)}I", struct.pack(f"<{len(held)}f", *held))
        steps = [(b - a) % 2**32 for a, b in itertools.pairwise((0, *bits))]
        low_first = bytes((step >> shift) & 0xFF for shift in (0, 8, 16, 24) for step in steps)
        assert head == block[:9]
        assert block[9:13] == b"\x28\xb5\x2f\xfd"
        assert low_first == pa.Codec("zstd").decompress(block[9:], len(low_first), asbytes=True)
    assert encode_arrays(None, None) is None


def test_a_block_of_other_arrays_is_damage() -> None:
    """Arrays that the cycle does not tell of, or lacks, or more of them than a block may have."""
    trace, pulse = sample_trace(3), sample_pulse(3)
    both = encode_arrays(trace, pulse)
    assert both is not None
    for data, source, interval_s in (
        (both, trace.source, None),
        (both, None, pulse.interval_s),
        (encode_arrays(trace, None), trace.source, pulse.interval_s),
        (encode_arrays(None, pulse), trace.source, pulse.interval_s),
        (struct.pack("<BII", 0x11, 2**24 + 1, 0) + both[9:], trace.source, None),
        (both[:1] + struct.pack("<II", len(trace) + 1, len(pulse)) + both[9:], trace.source, 0.001),
        (both[:8], trace.source, pulse.interval_s),
        (both[:9] + b"more", trace.source, pulse.interval_s),
    ):
        with pytest.raises((ValueError, zlib.error)):
            decode_arrays(data, source, interval_s)
    assert (trace, pulse) == decode_arrays(both, trace.source, pulse.interval_s)


@given(results)
def test_the_fast_way_says_what_the_plain_one_says(result: Result) -> None:
    """The text holds what the standard library's own encoder makes of the same, in ASCII; and
    what it makes is read as ours is."""
    stored = encode(result)
    assert stored.body.isascii()
    plainly = json.dumps(json.loads(stored.body))
    assert result == decode(Encoded(plainly, stored.trace))


def test_what_the_fast_encoder_would_let_through_is_refused_or_kept() -> None:
    """It would write a NaN as null and bytes as text; RFC 8259 has neither."""
    result = sample_result(3)
    for field, value in (
        ("missed", float("nan")),
        ("epoch", float("inf")),
        ("analyzer", b"fp-101"),
        ("faults_seen", (b"door",)),
        ("statuses", {Role.SAMPLE_FLOW: result.judged_at}),
    ):
        cycle = dataclasses.replace(result.cycle, **{field: value})
        with pytest.raises(UnstorableResultError):
            encode(dataclasses.replace(result, cycle=cycle))
        with pytest.raises(UnstorableResultError):
            encode_cycle(cycle, ())
    with pytest.raises(UnstorableResultError):
        encode(dataclasses.replace(result, product=result.judged_at))


@given(st.lists(st.tuples(maybe_odd, maybe_odd, maybe_odd), min_size=1, max_size=8))
def test_a_remembered_shape_hides_nothing(figures: list[tuple[Any, Any, Any]]) -> None:
    """Figures of many types one after the other, NaN and infinities too: each comes back, though
    an item of the same shape went the fast way before."""
    for one, two, three in figures:
        computed = Computed(peak_kpa=one, noise_kpa=two, rise_s=three)
        back = decode(encode(dataclasses.replace(sample_result(1), computed=computed))).computed
        assert repr(computed) == repr(back)


@given(st.lists(st.sampled_from(range(6)), min_size=1, max_size=12))
def test_a_remembered_shape_lets_no_damage_in(order: list[int]) -> None:
    """A value of a wrong type is damage, whatever was read before it."""
    result = sample_result(3)
    figures = (8.0, 8, None, "8.0", True, {"time": "2026-05-01T00:00:00+00:00"})
    tree = json.loads(encode(dataclasses.replace(result)).body)
    for number in order:
        tree["computed"]["peak_kpa"] = figures[number]
        stored = Encoded(json.dumps(tree), encode(result).trace)
        if number < 3:
            assert figures[number] == decode(stored).computed.peak_kpa
        else:
            with pytest.raises(UnreadableEntryError, match="peak_kpa cannot be"):
                decode(stored)


def test_checksum_covers_body_and_trace() -> None:
    """One changed bit anywhere changes the checksum."""
    stored = encode(sample_result(3, trace=sample_trace(3)))
    assert stored.trace is not None
    turned = bytes([stored.trace[0] ^ 1]) + stored.trace[1:]
    others = (Encoded(stored.body, turned), Encoded(stored.body + " ", stored.trace))
    assert all(stored.checksum != other.checksum for other in others)

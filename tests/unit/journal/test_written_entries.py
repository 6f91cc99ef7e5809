"""Entries that earlier versions wrote stay readable, as they lie in the journals of the field.

The text, bytes and checksums below were made by those versions and are never made again.
"""

from __future__ import annotations

import dataclasses
import zlib
from datetime import UTC, datetime, timedelta

import numpy as np

from edgeflash.journal.codec import (
    Encoded,
    cycle_text_of,
    decode,
    decode_cycle,
    encode,
    encode_cycle,
)
from edgeflash.model import Pulse, Result, Role, Trace, TraceSource
from tests.unit.journal.samples import sample_result

# fmt: off
BODY_1 = (
    r'{"format":1,"cycle":{"analyzer":"fp-101","epoch":0,"cycle_number":3,"source":"live","continu'
    r'ity":"next","missed":0,"finished_at":{"time":"2026-04-30T22:12:00+00:00"},"values":{"flash_p'
    r'oint":62.3,"cycle_number":3,"result_time":{"time":"2026-04-30T22:12:00+00:00"},"phase":{"pha'
    r'se":"purge"},"ignition_seen":true,"stream":"K\u00f6pfe \ud83d\ude00 \ud800","fault_bits":{"t'
    r'exts":["low_sample_flow","door_open"]},"barometric_pressure":null,"spark_count":118059162071'
    r'7411303424,"peak_pressure":{"float":"inf"}},"trace_source":"block","pulse_interval_s":0.001,'
    r'"torn":false,"duration_s":240,"longest_gap_s":1.02,"is_time_known":true,"after_heating_s":nu'
    r'll,"phases":["clean","zero","heat","flashed","purge"],"faults_seen":["low_sample_flow"],"spa'
    r'ns":{"sample_flow":{"low":38.0,"high":42.0,"mean":40.1,"last":40.0,"count":240}},"previous":'
    r'{"epoch":0,"cycle_number":2,"flash_point_c":62.3,"result_time":{"time":"2026-04-30T22:08:00+'
    r'00:00"},"finished_at":{"time":"2026-04-30T22:08:00+00:00"},"transducer_zero_kpa":0.0,"barome'
    r'ter_kpa":99.3},"streams":[2],"on_stream_s":910.5,"clock_ahead_s":-0.4,"alive_stuck_s":1.02,"'
    r'statuses":{"sample_flow":"UncertainLastUsableValue"},"declared":["maintenance"]},"inputs":[{'
    r'"name":"grade","value":4.0,"is_good":true,"age_s":12.5}],"computed":{"reported_c":62.3,"reco'
    r'mputed_c":62.5,"corrected_c":62.8,"basis":"reported","correction_c":0.5,"barometer_kpa":99.3'
    r',"uncertainty_c":null,"resolution_c":null,"heating_rate_c_per_min":null,"ignition_time_s":nu'
    r'll,"ignition_seen_c":null,"ignition_count":1,"time_after_ignition_s":null,"start_temperature'
    r'_c":null,"peak_kpa":8.0,"baseline_kpa":null,"noise_kpa":null,"sample_interval_s":null,"unste'
    r'adiness_c":0.03,"longest_still_s":null,"largest_jump_c":null,"rise_s":0.012,"decay_s":0.9,"t'
    r'race_digest":3421780262},"findings":[{"code":103,"rule":"torn_read","severity":"reject","sen'
    r'tence":"The record moved on; read again.","measured":null,"limit":null,"unit":""},{"code":30'
    r'1,"rule":"ignition_weak","severity":"doubt","sentence":"The peak is 1.2 kPa.","measured":1.2'
    r',"limit":2.0,"unit":"kPa"}],"verdict":"rejected","published_c":null,"low_flash":false,"low_f'
    r'lash_alarm":false,"sampled_at":{"time":"2026-04-30T22:10:45+00:00"},"judged_at":{"time":"202'
    r'6-04-30T22:12:01+00:00"},"product":"diesel-b7","rules_version":"2026.1","assessment":{"strea'
    r'm":2,"minimum_c":55.0,"margin_c":7.799999999999997,"probability":0.999,"hazard_class":"categ'
    r'ory 3","predicted_c":61.8,"prediction_note":""},"checks":[{"epoch":0,"cycle_number":0,"finis'
    r'hed_at":{"time":"2026-04-30T22:00:00+00:00"},"corrected_c":62.1,"reference_c":62.0}]}'
)
"""Format 1: the arrays are zlib streams of doubles."""

ARRAYS_1 = bytes.fromhex(
    "7801636040060fec21bc0f50fa07846e7073008a1f38d303a681cc1ff54022216d1998eff0b0aa05a40e484fd90f"
    "a417cc9c29ef00a441a00100d8a312907801636000810bf6608a41e10084fe510f001d560367"
)
CHECKSUM_1 = 2767988217
# fmt: on


def written() -> Result:
    """The result that was stored, told once more: samples without a number, texts outside ASCII
    and half a surrogate pair, a whole number beyond 64 bits, an infinity."""
    result = sample_result(3, with_trace=False)
    cycle = dataclasses.replace(
        result.cycle,
        trace=Trace(
            TraceSource.BLOCK,
            np.array([0.0, 0.5, 1.0, 1.5]),
            np.array([45.0, 45.1, float("nan"), 45.3]),
            np.array([0.01, -0.02, 7.9, -0.0]),
        ),
        pulse=Pulse(0.001, np.array([0.25, -8.0, float("nan")])),
        values={
            **result.cycle.values,
            Role.SPARK_COUNT: 2**70,
            Role.PEAK_PRESSURE: float("inf"),
            Role.STREAM: "K\u00f6pfe \U0001f600 \ud800",
        },
        statuses={Role.SAMPLE_FLOW: "UncertainLastUsableValue"},
        duration_s=240,
    )
    return dataclasses.replace(result, cycle=cycle)


def test_an_entry_of_format_1_is_read() -> None:
    """Every field, and every sample by its bits; its checksum still fits."""
    stored = Encoded(BODY_1, ARRAYS_1)
    assert CHECKSUM_1 == stored.checksum == zlib.crc32(ARRAYS_1, zlib.crc32(BODY_1.encode("ascii")))
    back = decode(stored)
    assert written() == back
    told, held = written().cycle, back.cycle
    assert told.trace is not None
    assert held.trace is not None
    for name in ("time_s", "temperature_c", "pressure_kpa"):
        assert getattr(told.trace, name).tobytes() == getattr(held.trace, name).tobytes()
    assert held.cycle_number == 3
    assert held.finished_at == datetime(2026, 4, 30, 22, 12, tzinfo=UTC)
    assert held.finished_at.utcoffset() == timedelta(0)
    assert type(held.duration_s) is int


def test_what_is_written_now_says_the_same() -> None:
    """Stored anew it comes back the same, in a later format because of its arrays alone."""
    again = encode(written())
    assert written() == decode(again)
    assert again.body.startswith('{"format":2,"cycle":{"analyzer":"fp-101",')
    assert again.body.replace('"format":2', '"format":1', 1) == BODY_1
    bare = dataclasses.replace(written().cycle, trace=None, pulse=None)
    assert encode(dataclasses.replace(written(), cycle=bare)).body.startswith('{"format":1,')


def test_the_text_of_a_cycle_from_before_is_read() -> None:
    """Column as_read of the history: the beginning of an entry of format 1, closed."""
    text = BODY_1[: BODY_1.index(',"computed":')] + "}"
    assert text == cycle_text_of(BODY_1) == encode_cycle(written().cycle, written().inputs)
    cycle, inputs = decode_cycle(text, written().cycle.trace, written().cycle.pulse)
    assert (written().cycle, written().inputs) == (cycle, inputs)

"""What the files of each version of the history's schema have, as its code declared it.

Taken from that code, run at its time. Nothing here follows the present declaration: it is what
the present one is checked against. A new version gets a new entry; those before never change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pyarrow as pa

from edgeflash.history.schema import TableName

_UTC = pa.timestamp("us", "UTC")
_FINDING = pa.struct(
    [
        ("code", pa.int32()),
        ("rule", pa.string()),
        ("severity", pa.string()),
        ("sentence", pa.string()),
        ("measured", pa.float64()),
        ("limit", pa.float64()),
        ("unit", pa.string()),
    ]
)
_CHECK = pa.struct(
    [
        ("epoch", pa.int64()),
        ("cycle_number", pa.int64()),
        ("finished_at", _UTC),
        ("corrected_c", pa.float64()),
        ("reference_c", pa.float64()),
    ]
)

Columns = Mapping[str, pa.DataType]


@dataclass(frozen=True, slots=True)
class Written:
    """One version: the number in its files' metadata, and what its files have."""

    number: int
    tables: Mapping[TableName, Columns]


def _columns(kind: pa.DataType, names: str) -> dict[str, pa.DataType]:
    return dict.fromkeys(names.split(), kind)


def _first(item: str) -> dict[TableName, Columns]:
    """item: how the inside of a list is called."""

    def list_of(kind: pa.DataType) -> pa.DataType:
        return pa.list_(pa.field(item, kind))

    results = {
        **_columns(pa.string(), "analyzer verdict product source continuity basis rules_version"),
        **_columns(pa.int64(), "epoch cycle_number missed ignition_count"),
        **_columns(_UTC, "finished_at sampled_at judged_at"),
        **_columns(
            pa.float64(),
            "published_c duration_s ignition_time_s ignition_seen_c start_temperature_c "
            "baseline_kpa noise_kpa reported_c recomputed_c corrected_c uncertainty_c resolution_c "
            "heating_rate_c_per_min peak_kpa barometer_kpa correction_c",
        ),
        **_columns(list_of(pa.string()), "reasons"),
        **_columns(list_of(_FINDING), "findings"),
        **_columns(pa.bool_(), "low_flash torn possible_low_flash"),
    }
    traces = {
        **_columns(pa.string(), "analyzer source"),
        **_columns(pa.int64(), "epoch cycle_number"),
        **_columns(_UTC, "finished_at"),
        **_columns(list_of(pa.float32()), "time_s temperature_c pressure_kpa"),
    }
    return {TableName.RESULTS: results, TableName.TRACES: traces}


def _more(
    before: Mapping[TableName, Columns], added: Mapping[TableName, Columns]
) -> dict[TableName, Columns]:
    tables = [*before, *(t for t in added if t not in before)]
    return {t: {**before.get(t, {}), **added.get(t, {})} for t in tables}


_LISTS_OF_ITEMS = _first("item")
_LISTS_OF_ELEMENTS = _first("element")

_WITH_ALL_RULES = _more(
    _LISTS_OF_ELEMENTS,
    {
        TableName.RESULTS: {
            **_columns(pa.list_(pa.field("element", _CHECK)), "checks"),
            **_columns(
                pa.float64(),
                "time_after_ignition_s sample_interval_s unsteadiness_c longest_still_s "
                "largest_jump_c rise_s decay_s margin_c meets_limit_percent minimum_c predicted_c",
            ),
            **_columns(pa.int64(), "trace_digest stream"),
            **_columns(pa.string(), "hazard_class as_read"),
        },
        TableName.TRACES: {
            **_columns(pa.float64(), "pulse_interval_s"),
            **_columns(pa.list_(pa.field("element", pa.float32())), "pulse_kpa"),
        },
    },
)

_WITH_PLACES = _more(
    _WITH_ALL_RULES,
    {
        TableName.RESULTS: {
            **_columns(_UTC, "journal_begun_at"),
            **_columns(pa.int64(), "journal_seq"),
        }
    },
)

_WITH_EVENTS_AND_LAB = _more(
    _WITH_PLACES,
    {
        TableName.EVENTS: {
            **_columns(pa.string(), "analyzer kind subject text who via"),
            **_columns(_UTC, "at until journal_begun_at"),
            **_columns(pa.int64(), "journal_seq"),
        },
        TableName.LAB: {
            **_columns(
                pa.string(),
                "analyzer entry_id sample_id method laboratory product note status correction_of "
                "entered_by",
            ),
            **_columns(_UTC, "sampled_at reported_at entered_at"),
            **_columns(pa.float64(), "value_c"),
            **_columns(pa.int64(), "repeat_number"),
        },
    },
)

WRITTEN: Mapping[str, Written] = {
    "1, lists of items": Written(1, _LISTS_OF_ITEMS),
    "1": Written(1, _LISTS_OF_ELEMENTS),
    "1, with all rules": Written(1, _WITH_ALL_RULES),
    "2": Written(2, _WITH_PLACES),
    "3": Written(3, _WITH_EVENTS_AND_LAB),
}
"""Every version that has written files, oldest first. The number was not raised with each."""

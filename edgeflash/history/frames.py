"""Arrow tables of the history as pandas frames: units kept, null never a number.

The type of a column depends on the column, never on what happens to be in it.
"""

from __future__ import annotations

from typing import Any

import pyarrow as pa

from edgeflash.extras import analyst_library


def as_frame(table: pa.Table, never_null: frozenset[str] = frozenset()) -> Any:
    """The table as a pandas DataFrame. Raises MissingExtraError without pandas.

    `attrs` holds "units" and "descriptions" by column, as far as there are any. Times are aware, in
    UTC and microseconds. Real numbers are float64, and null is NaN there: no NaN is ever stored.
    Whole numbers and flags are Int64, Int32 and boolean, where null is pandas.NA; those of
    never_null columns int64 and bool. Texts are pandas' own strings, lists numpy arrays or lists.
    """
    pandas = analyst_library("pandas")
    nullable = {
        pa.int64(): pandas.Int64Dtype(),
        pa.int32(): pandas.Int32Dtype(),
        pa.bool_(): pandas.BooleanDtype(),
    }
    certain = [name for name in table.column_names if name in never_null]
    frame = table.to_pandas(types_mapper=nullable.get, ignore_metadata=True)
    for name in certain:
        if table.schema.field(name).type in nullable:
            frame[name] = table[name].to_numpy()
    frame.attrs["units"] = _of_fields(table.schema, b"unit")
    frame.attrs["descriptions"] = _of_fields(table.schema, b"description")
    return frame


def _of_fields(schema: pa.Schema, key: bytes) -> dict[str, str]:
    told = ((f.name, (f.metadata or {}).get(key, b"").decode()) for f in schema)
    return {name: text for name, text in told if text}

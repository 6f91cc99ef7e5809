"""New rows among held ones."""

from __future__ import annotations

import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.history.merge import in_schema, with_new_rows
from edgeflash.history.schema import TableName, rows, schema
from tests.unit.journal.samples import entries_of, sample_result

R = TableName.RESULTS


def table_of(*numbers: int) -> pa.Table:
    return rows(R, entries_of(sample_result(n, with_trace=False) for n in numbers))


@settings(deadline=None)  # the first Arrow call loads its library
@given(st.lists(st.integers(0, 30)), st.lists(st.integers(0, 30), min_size=1))
def test_each_key_once_and_sorted(held: list[int], new: list[int]) -> None:
    """Whatever is held and whatever comes: the union, each once, in order of time."""
    before = table_of(*sorted(set(held)))
    merged = with_new_rows(before, table_of(*new))
    expected = sorted({*held, *new})
    if set(new) <= set(held):
        assert merged is None
    else:
        assert merged is not None
        assert merged["cycle_number"].to_pylist() == expected
        assert merged.schema.equals(schema(R))


def test_the_held_row_wins() -> None:
    """As in the journal: what was first stays."""
    held, new = table_of(1), table_of(1, 2)
    new = new.set_column(
        new.schema.get_field_index("product"), "product", pa.array(["other"] * 2, pa.string())
    )
    merged = with_new_rows(held, new)
    assert merged is not None
    assert merged["product"].to_pylist() == ["diesel-b7", "other"]


def test_an_older_file_gets_the_later_columns() -> None:
    """A column a file does not have yet is null for its rows; types widen to the present ones."""
    older = table_of(1, 2).drop_columns(["noise_kpa", "findings"])
    index = older.schema.get_field_index("reported_c")
    older = older.set_column(index, "reported_c", older["reported_c"].cast(pa.float32()))
    now = in_schema(older, schema(R))
    assert now.schema.equals(schema(R))
    assert now["noise_kpa"].null_count == 2


def test_a_newer_files_columns_are_kept() -> None:
    """After going back to an earlier version, its rewriting loses nothing the later one wrote."""
    newer = in_schema(table_of(1).append_column("later", pa.array([7.0])), schema(R))
    merged = with_new_rows(newer, table_of(2))
    assert merged is not None
    assert merged["later"].to_pylist() == [7.0, None]
    assert merged.schema.names[:-1] == schema(R).names

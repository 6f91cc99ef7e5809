"""Files of one schema are told by the beginning of their footers; pyarrow reads them whole."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.errors import StorageError
from edgeflash.history.footers import by_schema, schema_part
from edgeflash.history.schema import TableName, rows
from tests.unit.journal.samples import entries_of, sample_result

KINDS = st.recursive(
    st.sampled_from(
        [
            pa.int32(),
            pa.int64(),
            pa.float32(),
            pa.float64(),
            pa.bool_(),
            pa.string(),
            pa.timestamp("us", "UTC"),
            pa.timestamp("ms"),
            pa.decimal128(38, 10),
        ]
    ),
    lambda kinds: st.one_of(
        kinds.map(pa.list_),
        st.lists(kinds, min_size=1, max_size=3).map(
            lambda inner: pa.struct([(f"part{n}", kind) for n, kind in enumerate(inner)])
        ),
    ),
    max_leaves=4,
)
NAMES = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=6)
SCHEMAS = st.dictionaries(NAMES, KINDS, min_size=1, max_size=20).map(
    lambda columns: pa.schema(list(columns.items()))
)


def footer_of(path: Path) -> bytes:
    """Its footer's length stands before the last four bytes (Apache Parquet format)."""
    data = path.read_bytes()
    return data[-8 - int.from_bytes(data[-8:-4], "little") : -8]


@settings(max_examples=60)
@given(st.lists(SCHEMAS, min_size=1, max_size=3), st.data())
def test_files_are_put_together_as_pyarrow_finds_their_schemas(
    schemas: list[pa.Schema], data: st.DataObject
) -> None:
    """Whatever their rows and metadata are: one group for each schema, in the files' order."""
    with tempfile.TemporaryDirectory() as made:
        paths: list[str] = []
        for number in range(6):
            schema = data.draw(st.sampled_from(schemas))
            count = data.draw(st.integers(0, 3))
            columns = [pa.nulls(count, field.type) for field in schema]
            table = pa.Table.from_arrays(columns, schema=schema.with_metadata({b"n": b"x" * count}))
            paths.append(f"{made}/{number}.parquet")
            pq.write_table(table, paths[-1], row_group_size=1)
        expected: list[tuple[pq.ParquetSchema, list[str]]] = []
        for path in paths:
            of_file = pq.read_metadata(path).schema
            same = [files for schema, files in expected if schema.equals(of_file)]
            if same:
                same[0].append(path)
            else:
                expected.append((of_file, [path]))
        assert ([files for _, files in expected], []) == by_schema(paths)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "results.parquet"
    pq.write_table(rows(TableName.RESULTS, entries_of([sample_result(3)])), path)
    return path


def test_the_part_ends_where_the_schema_does(path: Path) -> None:
    """Any shorter beginning lacks some of it; what stands behind it does not matter."""
    footer = footer_of(path)
    part = schema_part(footer)
    assert part is not None
    assert b"as_read" in part
    assert b"ARROW:schema" not in part
    assert part == schema_part(part + b"anything")
    assert all(schema_part(part[:end]) is None for end in range(len(part)))


@given(st.binary(max_size=200))
def test_anything_else_is_none_of_ours(data: bytes) -> None:
    """Bytes that are no footer end in no error and in no endless loop."""
    part = schema_part(data)
    assert part is None or data.startswith(part)


def test_what_is_no_parquet_file_is_left_to_the_engine(path: Path) -> None:
    """It says what is wrong with it."""
    whole = path.read_bytes()
    spoiled = {
        "empty": b"",
        "short": b"PAR1",
        "cut": whole[:-1],
        "long": whole[:-8] + (2**31).to_bytes(4, "little") + b"PAR1",
        "none": whole[:-8] + (0).to_bytes(4, "little") + b"PAR1",
    }
    paths = [str(path)]
    for name, data in spoiled.items():
        paths.append(str(path.with_name(name)))
        Path(paths[-1]).write_bytes(data)
    assert ([[str(path)]], paths[1:]) == by_schema(paths)
    with pytest.raises(StorageError, match="gone: cannot be read: No such file"):
        by_schema([str(path.with_name("gone"))])

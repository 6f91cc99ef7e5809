"""The shared tables as ibis tables, on DuckDB or on Spark.

DuckDB reads through the Delta library and fetches no extension. Spark reads the table's live file
list with the table's own schema, and needs no Delta library of its own: partition columns come from
the folder names, as text.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from enum import StrEnum
from typing import Any
from urllib.parse import urlsplit

from edgeflash.errors import UsageError
from edgeflash.fleet.extra import needed
from edgeflash.fleet.questions import Question
from edgeflash.fleet.shared_table import (
    MONTH,
    SITE,
    SharedTable,
    SharedTableError,
    table_url,
    words_of,
)


class Engine(StrEnum):
    """What answers a question."""

    DUCKDB = "duckdb"
    SPARK = "spark"


def answer(
    question: Question,
    root: str,
    engine: Engine,
    options: Mapping[str, str],
    *,
    site: str | None = None,
    since: str | None = None,
    until: str | None = None,
) -> list[dict[str, Any]]:
    """The rows of the answer. since, until: months, `YYYY-MM`, both included.

    The answer about some months is that about all, cut: a step, a range or a pair may begin in one
    month and end in another. Raises UsageError when there is no table of results; SharedTableError.
    """
    with _connected(engine) as connection:
        tables = {}
        for name, columns in question.needs.items():
            found = _table(connection, engine, root, name, options)
            if found is None and name == "results":
                raise UsageError(f"{root}: there is no table {name}; edgeflash collect makes it")
            table = _with_columns(found, columns)
            if site is not None:
                table = table.filter(table[SITE] == site)
            if since is not None and question.reach_months is not None:
                table = table.filter(table[MONTH] >= _moved(since, -question.reach_months))
            if until is not None and question.reach_months is not None:
                table = table.filter(table[MONTH] <= _moved(until, question.reach_months))
            tables[name] = table
        rows: list[dict[str, Any]] = question.ask(tables).to_pyarrow().to_pylist()
        return [
            row
            for row in rows
            if (since is None or row[MONTH] >= since) and (until is None or row[MONTH] <= until)
        ]


def _moved(month: str, by: int) -> str:
    """The month so many later."""
    number = 12 * int(month[:4]) + int(month[5:]) - 1 + by
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


@contextmanager
def _connected(engine: Engine) -> Iterator[Any]:
    ibis = needed("ibis")
    if engine is Engine.DUCKDB:
        connection = ibis.duckdb.connect(autoinstall_known_extensions=False, TimeZone="UTC")
        try:
            yield connection
        finally:
            connection.disconnect()
        return
    sql = _spark()
    # Whoever has a session already, of a cluster or a notebook, keeps it.
    held = sql.SparkSession.getActiveSession()
    session = held or sql.SparkSession.builder.appName("edgeflash fleet").getOrCreate()
    session.conf.set("spark.sql.session.timeZone", "UTC")
    # A month such as 2026-05 must stay text, and so must a site that is called 12.
    session.conf.set("spark.sql.sources.partitionColumnTypeInference.enabled", "false")
    try:
        yield ibis.pyspark.connect(session)
    finally:
        if held is None:
            session.stop()


def _spark() -> Any:
    try:
        import pyspark.sql
    except ModuleNotFoundError as error:
        raise UsageError(
            "--engine spark needs pyspark: pip install 'ibis-framework[pyspark]', in an "
            "environment of its own if its versions do not go with the others"
        ) from error
    return pyspark.sql


def _table(
    connection: Any, engine: Engine, root: str, name: str, options: Mapping[str, str]
) -> Any | None:
    """The shared table; None when nobody has collected one."""
    url = table_url(root, name)
    if not SharedTable.exists(url, options):
        return None
    delta = needed("deltalake")
    try:
        table = delta.DeltaTable(url, storage_options=dict(options))
        if engine is Engine.DUCKDB:
            connection.con.register(name, table.to_pyarrow_dataset())
            return connection.table(name)
        spark_frame(connection._session, table).createOrReplaceTempView(name)
        return connection.table(name)
    except delta.exceptions.DeltaError as error:
        raise SharedTableError(f"{url}: {words_of(error)}") from error


def spark_frame(session: Any, table: Any) -> Any:
    """The live rows of a Delta table, with its types, units and descriptions, as a DataFrame.

    The session must not infer types of partition columns, see `_connected`.
    """
    from pyspark.sql import functions
    from pyspark.sql.types import StructType

    schema = StructType.fromJson(json.loads(table.schema().to_json()))
    base = table.table_uri
    files = [_for_spark(uri) for uri in table.file_uris()]
    if not files:
        return session.createDataFrame([], schema)
    frame = session.read.schema(schema).option("basePath", _for_spark(base)).parquet(*files)
    # Spark takes each escaped byte of a folder's name for a character of its own.
    for name in table.metadata().partition_columns:
        frame = frame.withColumn(
            name,
            functions.decode(functions.encode(name, "ISO-8859-1"), "UTF-8"),
        )
    return frame


def _for_spark(uri: str) -> str:
    """Hadoop's name of the scheme for S3; the rest as it is."""
    return f"s3a{uri[2:]}" if urlsplit(uri).scheme == "s3" else uri


def _with_columns(table: Any | None, columns: Mapping[str, str]) -> Any:
    """The needed columns, null where the table has none yet; no rows without a table."""
    ibis = needed("ibis")
    if table is None:
        return ibis.memtable([], schema=ibis.schema(dict(columns)))
    held = set(table.columns)
    return table.select(
        **{name: table[name] if name in held else ibis.null(kind) for name, kind in columns.items()}
    )

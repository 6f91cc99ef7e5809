"""Spark in local mode reads what we write, and answers what DuckDB answers.

One session for the whole file. Spark lists files before it reads them, and Polars opens them twice:
one of the history that is replaced in between makes them fail, loudly; then they are asked again.
Arrow, pandas and DuckDB never fail so, and of the shared table nothing is ever replaced.
"""

from __future__ import annotations

import json
import sysconfig
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as pa_ds
import pytest
import pytest_asyncio
from deltalake import DeltaTable

from edgeflash.fleet.engines import Engine, answer
from edgeflash.fleet.questions import QUESTIONS
from edgeflash.history import HistoryWriter
from edgeflash.journal import JOURNAL_NAME, Journal
from tests.peers.programs import python_of
from tests.peers.running import HERE, Peer, running
from tests.unit.fleet.fleet_tables import made_tables
from tests.unit.fleet.sites import TWO, MadeSite, collected, folder_store
from tests.unit.journal.samples import CYCLE, START, sample_pulse, sample_result
from tests.waiting import until

pytestmark = pytest.mark.peer("java", "spark")

ANSWER_S = 240.0
ATTEMPTS = 20
WRITE_EVERY_S = 2.0
"""A gateway writes every minute; here more often than Spark can list and read on a busy machine."""
KEY = ("analyzer", "epoch", "cycle_number")
UNTIL = START + timedelta(days=3)
OLD = range(0, 900, 50)
"""Cycles before UNTIL, which are there from the beginning; newer ones come while it is read."""


class Spark:
    """The session; see spark_session.py."""

    def __init__(self, peer: Peer) -> None:
        self._peer = peer

    async def ask(self, **asked: Any) -> Any:
        """Its answer."""
        self._peer.say(json.dumps(asked))
        return json.loads(await self._peer.hear("answer ", ANSWER_S))

    async def describe(self, table: Table, key: Sequence[str], **source: str) -> Mapping[str, Any]:
        """As the other readers; asked again when a file was replaced under it."""
        for _ in range(ATTEMPTS):
            found: dict[str, Any] = await self.ask(
                **source,
                until_us=micros(UNTIL),
                key=list(key),
                value=table.value,
                columns=list(table.types),
            )
            if "error" not in found:
                return found
        raise AssertionError(found)


@asynccontextmanager
async def session() -> AsyncIterator[Spark]:
    """Spark, with our code and libraries behind its own."""
    environment = {
        "PYTHONPATH": str(HERE.parents[1]),
        "PYTHONWARNINGS": "ignore",
        # Little data: what the best compiler would gain is less than it takes.
        "JAVA_TOOL_OPTIONS": "-XX:TieredStopAtLevel=1 -XX:+UseSerialGC",
    }
    program = [python_of("spark"), HERE / "spark_session.py", sysconfig.get_paths()["purelib"]]
    async with running(program, environment) as peer:
        await peer.hear("ready", ANSWER_S)
        yield Spark(peer)


def micros(moment: datetime) -> int:
    """Microseconds since 1970."""
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


# What each reader says of the same rows


@dataclass(frozen=True)
class Table:
    """A table to be read: a figure with its unit, and columns with their types by reader."""

    name: str
    value: str
    unit: str
    types: Mapping[str, Mapping[str, str]]


_TEXT = {"arrow": "string", "pandas": "str", "duckdb": "VARCHAR", "polars": "String"}
_WHOLE = {"arrow": "int64", "pandas": "int64", "duckdb": "BIGINT", "polars": "Int64"}
_TIME = {
    "arrow": "timestamp[us, tz=UTC]",
    "pandas": "datetime64[us, UTC]",
    "duckdb": "TIMESTAMP WITH TIME ZONE",
    "polars": "Datetime(time_unit='us', time_zone='UTC')",
}
_REAL = {"arrow": "double", "pandas": "float64", "duckdb": "DOUBLE", "polars": "Float64"}
_SAMPLES = {
    "arrow": "list<element: float>",
    "pandas": "object",
    "duckdb": "FLOAT[]",
    "polars": "List(Float32)",
}

TABLES = (
    Table(
        "results",
        "published_c",
        "°C",
        {
            "analyzer": _TEXT | {"spark": "string"},
            "cycle_number": _WHOLE | {"spark": "bigint"},
            "finished_at": _TIME | {"spark": "timestamp"},
            "sampled_at": _TIME | {"spark": "timestamp"},
            "published_c": _REAL | {"spark": "double"},
            "low_flash": {
                "arrow": "bool",
                "pandas": "bool",
                "duckdb": "BOOLEAN",
                "polars": "Boolean",
                "spark": "boolean",
            },
            "reasons": {
                "arrow": "list<element: string>",
                "pandas": "object",
                "duckdb": "VARCHAR[]",
                "polars": "List(String)",
                "spark": "array<string>",
            },
        },
    ),
    Table(
        "traces",
        "pulse_interval_s",
        "s",
        {
            "finished_at": _TIME | {"spark": "timestamp"},
            "temperature_c": _SAMPLES | {"spark": "array<float>"},
            "pulse_interval_s": _REAL | {"spark": "double"},
        },
    ),
)


def of_arrow(table: Table, rows: pa.Table, key: Sequence[str] = KEY) -> dict[str, Any]:
    """What Arrow says."""
    rows = rows.filter(pc.less(rows["finished_at"], pa.scalar(UNTIL, pa.timestamp("us", "UTC"))))
    times = rows["finished_at"].cast(pa.int64())
    values = rows[table.value]
    keys = set(zip(*(rows[k].to_pylist() for k in key), strict=True))
    return {
        "types": {c: str(rows.schema.field(c).type) for c in table.types},
        "unit": rows.schema.field(table.value).metadata[b"unit"].decode(),
        "rows": len(rows),
        "keys": len(keys),
        "first_us": pc.min(times).as_py(),
        "last_us": pc.max(times).as_py(),
        "values": len(values) - values.null_count,
        "nans": pc.sum(pc.is_nan(values)).as_py() or 0,
        "sum": pc.sum(values).as_py(),
    }


def of_pandas(table: Table, frame: pd.DataFrame, key: Sequence[str] = KEY) -> dict[str, Any]:
    """What pandas says; null and NaN are one to it."""
    types = {c: str(frame[c].dtype) for c in table.types}
    frame = frame[frame["finished_at"] < UNTIL]
    return {
        "types": types,
        "rows": len(frame),
        "keys": len(frame[list(key)].drop_duplicates()),
        "first_us": micros(frame["finished_at"].min().to_pydatetime()),
        "last_us": micros(frame["finished_at"].max().to_pydatetime()),
        "values": int(frame[table.value].count()),
        "sum": float(frame[table.value].sum()) if frame[table.value].count() else None,
    }


def of_polars(table: Table, frame: pl.DataFrame, key: Sequence[str] = KEY) -> dict[str, Any]:
    """What Polars says."""
    types = {c: str(frame.schema[c]) for c in table.types}
    frame = frame.filter(pl.col("finished_at") < UNTIL)
    values = frame[table.value]
    return {
        "types": types,
        "rows": len(frame),
        "keys": len(frame.select(key).unique()),
        "first_us": frame["finished_at"].dt.epoch("us").min(),
        "last_us": frame["finished_at"].dt.epoch("us").max(),
        "values": len(values) - values.null_count(),
        "nans": int(values.is_nan().sum()),
        "sum": values.sum() if len(values) > values.null_count() else None,
    }


def polars_of(folder: Path) -> pl.DataFrame:
    """Polars opens a file twice, and fails when it was replaced in between: then once more."""
    for _ in range(ATTEMPTS):
        try:
            return pl.read_parquet(folder)
        except pl.exceptions.PolarsError as error:
            failure = error
    raise failure


def of_duckdb(
    table: Table, source: str, key: Sequence[str] = KEY, **named: object
) -> dict[str, Any]:
    """What DuckDB says, in a session of another time zone than UTC."""
    options = {"autoinstall_known_extensions": "false"}
    with duckdb.connect(config=options) as connection:
        connection.execute("SET TimeZone = 'America/St_Johns'")
        for name, given in named.items():
            connection.register(name, given)
        types = {r[0]: r[1] for r in connection.execute(f"DESCRIBE FROM {source}").fetchall()}
        found = connection.execute(
            f"SELECT count(*), count(DISTINCT ({', '.join(key)})), min(epoch_us(finished_at)), "
            f"max(epoch_us(finished_at)), count({table.value}), "
            f"count(*) FILTER (isnan({table.value})), sum({table.value}) "
            f"FROM {source} WHERE epoch_us(finished_at) < {micros(UNTIL)}"
        ).fetchone()
    names = ("rows", "keys", "first_us", "last_us", "values", "nans", "sum")
    assert found is not None
    return {
        "types": {c: types[c] for c in table.types},
        **dict(zip(names, found, strict=True)),
    }


def agree(table: Table, found: Mapping[str, Mapping[str, Any]], rows: int) -> None:
    """All say the same of the same rows, and have the types that are theirs."""
    arrow = found["arrow"]
    assert arrow["rows"] == arrow["keys"] == rows
    assert arrow["unit"] == table.unit
    for reader, said in found.items():
        types = {c: kinds[reader] for c, kinds in table.types.items()}
        assert said["types"] == types, reader
        for name in ("rows", "keys", "first_us", "last_us", "values"):
            assert said[name] == arrow[name], (reader, name)
        assert said.get("nans", 0) == 0, reader
        assert said["sum"] == (None if arrow["sum"] is None else pytest.approx(arrow["sum"])), (
            reader
        )


@contextmanager
def meanwhile(work: Callable[[int], None], pause_s: float = 0.0) -> Iterator[Callable[[], int]]:
    """Does the work over and over in a thread; gives how often it was done. Its error is raised."""
    stop, done, failures = threading.Event(), [0], list[BaseException]()

    def run() -> None:
        while not stop.is_set():
            try:
                work(done[0])
            except BaseException as failure:
                failures.append(failure)
                return
            done[0] += 1
            stop.wait(pause_s)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield lambda: done[0]
    finally:
        stop.set()
        thread.join()
    if failures:
        raise failures[0]


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def spark() -> AsyncIterator[Spark]:
    """One session: it takes seconds to start."""
    async with session() as made:
        yield made


@pytest.mark.asyncio(loop_scope="module")
async def test_all_read_the_same_of_the_history_while_it_is_written(
    tmp_path: Path, spark: Spark
) -> None:
    """Files are replaced all the time; rows that were there are read once by everyone."""
    site = MadeSite(tmp_path / "site", "Windmill Quay")
    pulses = {n: sample_pulse(n) if n % 100 else None for n in OLD}
    site.add(sample_result(n, a, pulse=pulses[n]) for n in OLD for a in ("fp-1", "fp-2"))
    expected = 2 * len(OLD)
    with Journal.open(site.state / JOURNAL_NAME) as journal:
        writer = HistoryWriter(journal, site.history)

        def write(count: int) -> None:
            # Newer rows, into the files that are read and into new ones.
            for analyzer in ("fp-1", "fp-2"):
                at = UNTIL + (count % 500) * CYCLE + timedelta(seconds=1)
                made = sample_result(10_000 + count, analyzer, finished_at=at)
                assert journal.append(made).result(30)
            writer.flush()

        with meanwhile(write, WRITE_EVERY_S) as times:
            for table in TABLES:
                folder, before = site.history / table.name, times()
                found = {
                    "arrow": of_arrow(table, pa_ds.dataset(folder, partitioning="hive").to_table()),
                    "pandas": of_pandas(table, pd.read_parquet(folder)),
                    "polars": of_polars(table, polars_of(folder)),
                    "duckdb": of_duckdb(table, f"'{folder}/**/*.parquet'"),
                    "spark": await spark.describe(table, KEY, folder=str(folder)),
                }
                agree(table, found, expected)
                await until(lambda before=before: times() > before, 60)


@pytest.mark.asyncio(loop_scope="module")
async def test_all_read_the_same_of_the_shared_table_while_it_grows(
    tmp_path: Path, spark: Spark
) -> None:
    """Units too, which Spark takes from the table's own schema."""
    store = folder_store(tmp_path / "store")
    sites = [MadeSite(tmp_path / f"site-{n}", name) for n, name in enumerate(("quay", "Ä & 12"))]
    pulses = {n: sample_pulse(n) if n % 100 else None for n in OLD}
    for site in sites:
        site.add(sample_result(n, "fp-1", pulse=pulses[n]) for n in OLD)
        site.ship(store)
    root = tmp_path / "tables"
    for name in TWO:
        collected(store, root, name)
    key = ("site", *KEY)

    def grow(count: int) -> None:
        at = UNTIL + (count % 500) * CYCLE + timedelta(seconds=1)
        sites[0].add([sample_result(10_000 + count, "fp-1", finished_at=at)])
        sites[0].ship(store)
        for name in TWO:
            assert collected(store, root, name).commits == 1

    with meanwhile(grow) as times:
        for table in TABLES:
            url, before = str(root / table.name), times()
            delta = DeltaTable(url)
            found = {
                "arrow": of_arrow(table, delta.to_pyarrow_table(), key),
                "pandas": of_pandas(table, delta.to_pandas(), key),
                "polars": of_polars(table, pl.read_delta(url), key),
                "duckdb": of_duckdb(table, "shared", key, shared=delta.to_pyarrow_dataset()),
                "spark": await spark.describe(table, key, delta=url),
            }
            agree(table, found, 2 * len(OLD))
            assert found["spark"]["unit"] == table.unit
            await until(lambda before=before: times() > before, 60)


@pytest.fixture(scope="module")
def asked_tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """As tests/unit/fleet/test_questions.py asks them."""
    return made_tables(tmp_path_factory.mktemp("fleet"))


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("question", QUESTIONS)
async def test_spark_and_duckdb_give_one_answer(
    asked_tables: Path, spark: Spark, question: str
) -> None:
    """Whole numbers and texts are the same; others to the twelfth digit, for they are added up in
    another order."""
    ours = answer(QUESTIONS[question], str(asked_tables), Engine.DUCKDB, {})
    theirs = await spark.ask(question=question, root=str(asked_tables))
    assert len(ours) == len(theirs) > 0
    for mine, other in zip(ours, theirs, strict=True):
        assert list(mine) == list(other)
        for name, value in mine.items():
            if isinstance(value, float):
                assert other[name] == pytest.approx(value, rel=1e-12, abs=1e-12), name
            else:
                assert other[name] == value, name

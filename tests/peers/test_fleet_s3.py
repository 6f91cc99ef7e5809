"""Ship and collect over an S3-compatible server that nobody here wrote, while all kinds of things
break: requests refused, connections cut, answers lost, processes killed in the middle of a request.

EDGEFLASH_FLEET_ROUNDS and EDGEFLASH_SEED give more rounds and others. Each round starts three
gateways' ships and two collectors at once; most of them are killed.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
import sys
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from deltalake import DeltaTable

from edgeflash.fleet.manifest import decoded, manifest_path, site_folder
from edgeflash.fleet.shared_table import SharedTable
from edgeflash.fleet.store import SMALL_BYTES, StoreError, open_store
from edgeflash.fleet.table_store import storage_options
from edgeflash.history.schema import TableName
from edgeflash.model import Result
from tests.peers.running import HERE
from tests.peers.s3 import BUCKET, KEYS, Faults, bucket, proxy
from tests.unit.fleet.sites import TWO, MadeSite
from tests.unit.journal.samples import sample_result
from tests.waiting import until

pytestmark = pytest.mark.peer("s3-server")

ROUNDS = int(os.environ.get("EDGEFLASH_FLEET_ROUNDS", "3"))
SEED = int(os.environ.get("EDGEFLASH_SEED", "5"))
SHIPPED = f"s3://{BUCKET}/shipped"
TABLES = f"s3://{BUCKET}/tables"
SITES = ("Windmill Quay", "Ämter & Söhne/2", "it's 12")
ANALYZERS = ("fp-1", "fp-2")

# Bytes that a whole pass of these small sites moves, about; where in it a kill falls is by chance.
PASS_BYTES = 250_000
END_S = 120.0 if ROUNDS < 10 else 900.0
DAYS = 3 if ROUNDS < 10 else 1
"""New ones in each round."""

Key = tuple[str, str, int, int]


@pytest.fixture(autouse=True)
def keys_of_the_bucket(monkeypatch: pytest.MonkeyPatch) -> None:
    """For what speaks to it from this process."""
    for name, value in KEYS.items():
        monkeypatch.setenv(name, value)


def _future() -> asyncio.Future[tuple[int, str]]:
    return asyncio.get_running_loop().create_future()


@dataclass
class Command:
    """A running `edgeflash`. ended: its code, negative when killed, and what it said."""

    pid: int
    ended: asyncio.Future[tuple[int, str]] = field(default_factory=_future)

    def kill(self) -> None:
        """At once."""
        if not self.ended.done():
            os.kill(self.pid, signal.SIGKILL)

    async def end(self) -> tuple[int, str]:
        """Waits for it."""
        async with asyncio.timeout(END_S):
            return await self.ended


class Zygote:
    """Starts commands; see fleet_zygote.py."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process
        self._commands: dict[int, Command] = {}
        self._started: asyncio.Queue[Command] = asyncio.Queue()

    async def start(self, port: int, *words: str) -> Command:
        """`edgeflash WORDS`, with the bucket at this port."""
        environment = {**KEYS, "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}"}
        line = json.dumps({"words": words, "environment": environment})
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n".encode())
        async with asyncio.timeout(END_S):
            return await self._started.get()

    async def listen(self) -> None:
        """Takes in what it says."""
        assert self._process.stdout is not None
        while line := (await self._process.stdout.readline()).decode():
            word, _, rest = line.strip().partition(" ")
            if word == "started":
                command = self._commands[int(rest)] = Command(int(rest))
                self._started.put_nowait(command)
            elif word == "ended":
                pid, code, text = rest.split(" ", 2)
                self._commands[int(pid)].ended.set_result((int(code), json.loads(text)))


@asynccontextmanager
async def zygote(folder: Path) -> AsyncIterator[Zygote]:
    """A running one. folder: there; for what the commands say."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        HERE / "fleet_zygote.py",
        folder,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        cwd=HERE.parents[1],
        env={**os.environ, "PYTHONPATH": str(HERE.parents[1])},
        limit=2**20,
    )
    made = Zygote(process)
    listening = asyncio.create_task(made.listen())
    try:
        yield made
    finally:
        process.kill()
        await process.wait()
        await listening


class Depot(MadeSite):
    """A site with a site file that ships to the bucket."""

    def __init__(self, folder: Path, name: str) -> None:
        super().__init__(folder, name)
        self.file = folder / "site.toml"
        self.made: list[Result] = []
        self._first_day = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        self._first_day -= timedelta(days=1000)
        analyzers = "".join(
            f'[[analyzers]]\nid = "{a}"\nnumber = {n}\nmap = "examples:bench-cup.toml"\n'
            f'host = "{a}.depot.example"\nanalyzer_corrects_barometer = true\n'
            for n, a in enumerate(ANALYZERS, start=1)
        )
        self.file.write_text(
            f"[site]\nname = {json.dumps(name, ensure_ascii=False)}\nstate_dir = '.'\n"
            f"[ship]\nurl = '{SHIPPED}'\n[opcua]\n{analyzers}",
            "utf-8",
        )

    def add_day(self, day: int) -> None:
        """Three cycles of each analyzer, and a late one of a day before."""
        new = []
        for analyzer in ANALYZERS:
            for hour in (3, 9, 21):
                at = self._first_day + timedelta(days=day, hours=hour)
                new.append(sample_result(100 * day + hour, analyzer, finished_at=at))
            if day:
                at = self._first_day + timedelta(days=day // 2, hours=12, minutes=day)
                new.append(sample_result(100 * day + 99, analyzer, finished_at=at))
        self.add(new)
        self.made += new

    @property
    def keys(self) -> set[Key]:
        """Of every row that was made."""
        cycles = (result.cycle for result in self.made)
        return {(self.name, c.analyzer, c.epoch, c.cycle_number) for c in cycles}


def in_table(port: int, table: TableName = TableName.RESULTS) -> Counter[Key]:
    """How often each row stands in a shared table; nothing while there is none."""
    options = {**KEYS, **storage_options(TABLES, f"http://127.0.0.1:{port}")}
    url = f"{TABLES}/{table.value}"
    if not SharedTable.exists(url, options):
        return Counter()
    names = ["site", "analyzer", "epoch", "cycle_number"]
    rows = DeltaTable(url, storage_options=options).to_pyarrow_table(columns=names)
    return Counter(zip(*(rows[n].to_pylist() for n in names), strict=True))


async def read_for_ever(port: int, passes: list[int]) -> None:
    """A reader beside it all: no row twice, and none gone that was there."""
    seen: set[Key] = set()
    while True:
        found = await asyncio.to_thread(in_table, port)
        assert max(found.values(), default=1) == 1
        assert seen <= set(found)
        seen = set(found)
        passes.append(len(seen))
        await asyncio.sleep(0.2)  # else it takes all of the machine


async def test_every_row_once_whatever_breaks(tmp_path: Path) -> None:
    """Three gateways and two collectors; at the end, after one pass of each in peace."""
    rng = random.Random(SEED)
    ends: Counter[str] = Counter()
    passes: list[int] = []
    depots = [Depot(tmp_path / f"site-{n}", name) for n, name in enumerate(SITES)]
    async with bucket() as port, zygote(tmp_path) as zyg:
        reading = asyncio.create_task(read_for_ever(port, passes))
        for number in range(ROUNDS):
            for depot in depots:
                for day in range(DAYS):
                    depot.add_day(DAYS * number + day)
            commands = [("ship", str(depot.file)) for depot in depots]
            commands += [("collect", SHIPPED, TABLES)] * 2
            ended = await asyncio.gather(
                *(broken(zyg, port, words, random.Random(rng.random())) for words in commands)
            )
            ends.update(ended)
            print(f"round {number}: {dict(ends)}", flush=True)
        for words in (*(("ship", str(d.file)) for d in depots), ("collect", SHIPPED, TABLES)):
            code, said = await (await zyg.start(port, *words)).end()
            assert code == 0, said
        expected = set[Key]().union(*(d.keys for d in depots))
        await until(lambda: reading.done() or passes[-1:] == [len(expected)], END_S)
        reading.cancel()
        (end,) = await asyncio.gather(reading, return_exceptions=True)
        assert isinstance(end, asyncio.CancelledError), end
        for table in TWO:
            found = in_table(port, table)
            assert max(found.values()) == 1
            assert set(found) == expected
    print(f"seed {SEED}, {ROUNDS} rounds: {dict(ends)}, {len(passes)} passes of the reader")
    assert ends["killed"] > 0


async def broken(zyg: Zygote, port: int, words: tuple[str, ...], rng: random.Random) -> str:
    """One command behind a proxy that refuses, cuts, and at some byte kills it; how it ended."""
    kill_after = rng.randrange(PASS_BYTES) if rng.random() < 0.8 else None
    faults = Faults(busy=0.08, cut_there=0.06, cut_back=0.06, kill_after=kill_after)
    async with proxy(port, faults, rng) as behind:
        command = await zyg.start(behind, *words)
        faults.kill = command.kill
        code, said = await command.end()
    assert code in (0, 1, -signal.SIGKILL), said
    assert "Traceback" not in said, said
    return {0: "fine", 1: "refused"}.get(code, "killed")


async def test_a_store_in_a_bucket() -> None:
    """What the folder promises: whole objects, sizes, names; and a server that goes away."""
    async with bucket() as port:
        store = open_store(SHIPPED, f"http://127.0.0.1:{port}")
        assert store.read("a") is None
        assert store.size("a") is None
        assert store.names("") == []
        large = os.urandom(12_000_000)  # beyond one part of an upload in parts
        await asyncio.to_thread(store.put, "x=ö b/large", large)
        store.put("x=ö b/empty", b"")
        assert store.read("x=ö b/large", len(large)) == large
        assert store.read("x=ö b/large") == large[:SMALL_BYTES]
        assert store.size("x=ö b/large") == len(large)
        assert store.names("") == ["x=ö b"]
        assert store.names("x=ö b") == ["empty", "large"]
        store.put("x=ö b/empty", b"other")
        assert store.read("x=ö b/empty") == b"other"
        with pytest.raises(StoreError, match="NO_SUCH_BUCKET"):
            open_store("s3://other-bucket/x", f"http://127.0.0.1:{port}").put("a", b"b")
    with pytest.raises(StoreError, match="NETWORK_CONNECTION"):
        store.read("a")


async def test_by_command_to_the_answer(tmp_path: Path) -> None:
    """Shipped below the gateway's own prefix, collected into a table in the bucket, and asked."""
    depot = Depot(tmp_path / "site", SITES[1])
    depot.add_day(0)
    async with bucket() as port, zygote(tmp_path) as zyg:
        code, said = await (await zyg.start(port, "ship", str(depot.file), "--json")).end()
        assert code == 0, said
        report = json.loads(said)
        store = open_store(SHIPPED, f"http://127.0.0.1:{port}")
        assert store.names("") == [site_folder(SITES[1])]
        content = store.read(manifest_path(SITES[1], TableName.RESULTS, 1))
        assert content is not None
        manifest = decoded(content, SITES[1], TableName.RESULTS, 1)
        assert store.size(manifest.data_path) == manifest.size
        assert report["parts"] == 4
        for words in (("collect", SHIPPED, TABLES), ("fleet", "availability", TABLES, "--json")):
            code, said = await (await zyg.start(port, *words)).end()
            assert code == 0, said
        assert [(row["site"], row["cycles"]) for row in json.loads(said)] == [(SITES[1], 3)] * 2

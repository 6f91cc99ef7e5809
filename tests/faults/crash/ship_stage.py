"""Shipping under the campaign of kills: every row of every sealed day once, by the files alone."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pyarrow.parquet as pq

from tests.faults.crash.looking import Key
from tests.faults.crash.stages import Ended, Stage


class Ship(Stage):
    """Sealed days are shipped to a folder, by the gateway and by the command."""

    name = "ship"
    points = ("open", "fsync", "after_fsync", "rename", "after_rename", "write", "after_commit")

    def __init__(self) -> None:
        self._store: Path | None = None
        self._parts = 0
        self._rows = 0

    @contextmanager
    def around(self, folder: Path) -> Iterator[None]:
        """The folder that stands for an object store."""
        self._store = folder / "store"
        self._store.mkdir()
        yield

    def lines(self) -> str:
        """As often as can be."""
        return f'[ship]\nurl = "{self._store}"\nevery_s = 10'

    def between(self, run: Callable[..., object]) -> None:
        """The command, killed too."""
        run("ship")

    def settle(self, run: Callable[..., object]) -> None:
        """Twice: the second finds nothing to do, and must change nothing."""
        run("ship")
        run("ship")

    def wrong(self, ended: Ended) -> list[str]:
        """Manifests, the files they name, and the rows in them."""
        assert self._store is not None
        manifests = [
            (path.parents[2], json.loads(path.read_bytes()))
            for path in sorted(self._store.glob("site=*/*/manifests/*/*.json"))
        ]
        withdrawn = {(of, serial) for of, m in manifests for serial in m["withdraws"]}
        wrong, self._parts = [], 0
        keys = {"results": Counter[Key](), "traces": Counter[Key]()}
        for of, one in manifests:
            if (of, one["serial"]) in withdrawn:
                continue
            self._parts += 1
            name = f"day={one['day']}/{one['serial']:09d}-*.parquet"
            (file,) = (of / "data").glob(f"*/{name}")
            rows = pq.read_table(file, partitioning=None)
            digest = hashlib.sha256(file.read_bytes()).hexdigest()
            if (rows.num_rows, digest) != (one["rows"], one["sha256"]):
                wrong.append(f"{file} is not what its manifest says")
            if of.name in keys:
                names = ("analyzer", "epoch", "cycle_number")
                keys[of.name].update(zip(*(rows[n].to_pylist() for n in names), strict=True))
        for table, found in keys.items():
            if twice := [k for k, n in found.items() if n > 1]:
                wrong.append(f"shipped twice of {table}: {twice[:5]}")
        today = datetime.combine(ended.now.date(), time(), UTC)
        sealed = {k for k, at in ended.made.items() if at is None or at < today - timedelta(days=1)}
        if missing := sealed - keys["results"].keys():
            wrong.append(f"never shipped: {sorted(missing)[:5]}")
        if missing := set(ended.brought) - keys["traces"].keys():
            wrong.append(f"traces never shipped: {sorted(missing)[:5]}")
        self._rows = keys["results"].total()
        return wrong

    def told(self) -> str:
        """How much there is."""
        return f"{self._parts} parts, {self._rows} results in them"

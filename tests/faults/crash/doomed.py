"""A command of edgeflash that kills itself at a chosen point.

With the COUNT-th occurrence of the point the process is gone, by SIGKILL to itself: nothing is
flushed, closed or told. Audit hooks see every rename, removal and opening of a file, whoever does
it; a trace of SQLite's statements sees the journal. Upkeep, once an hour in a plant, is always due.
"""

from __future__ import annotations

import importlib
import os
import signal
import sqlite3
import sys
from collections.abc import Callable
from typing import Any

POINTS = (
    "open",
    "fsync",
    "after_fsync",
    "rename",
    "after_rename",
    "remove",
    "after_remove",
    "write",
    "commit",
    "after_commit",
)
RETENTION_POINTS = (
    "retention_record",
    "after_retention_record",
    "retention_remove",
    "after_retention_remove",
    "retention_rmdir",
    "after_retention_rmdir",
    "journal_trim",
    "after_journal_trim",
)
"""Of what is deleted because it was kept long enough: the record of it takes its place; a file of
the history goes, and its folder; a row of the journal goes."""

NEVER = "never"
_OF_EVENT = {"os.rename": "rename", "os.remove": "remove", "os.rmdir": "remove"}
_UPKEEP = ("edgeflash.gateway.history_keeper", "UPKEEP_EVERY_S")
_TRIMS = ("DELETE FROM RESULTS", "DELETE FROM EVENTS")


class Doom:
    """Counts the occurrences of one point. after_…: the next thing seen after it."""

    def __init__(self, point: str, count: int) -> None:
        self._after = point.startswith("after_")
        self._point = point.removeprefix("after_")
        self._left = count
        self._is_next = False
        self._is_dead = False

    def passes(self, *names: str) -> None:
        """Something happens, or is about to; it may have more than one name."""
        if self._is_dead:
            return  # the signal itself is an audit event
        self._left -= self._point in names
        if self._is_next or (self._left == 0 and not self._after):
            self._is_dead = True
            os.kill(os.getpid(), signal.SIGKILL)
        self._is_next = self._left == 0

    def hears(self, event: str, arguments: tuple[object, ...]) -> None:
        """An audit event (Python's table of audit events)."""
        if event == "open":
            _, mode, flags = arguments
            writes = isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR)
            self.passes("open" if writes or set(str(mode or "")) & set("wax+") else event + "_read")
        else:
            self.passes(_OF_EVENT.get(event, event), _of_retention(event, arguments))

    def connects(self, connect: Callable[..., sqlite3.Connection]) -> Callable[..., object]:
        """sqlite3.connect; each connection's statements are seen when they begin."""

        def wrapped(*arguments: Any, **more: Any) -> sqlite3.Connection:
            connection = connect(*arguments, **more)
            connection.set_trace_callback(self._statement)
            return connection

        return wrapped

    def _statement(self, sql: str) -> None:
        word = sql.split(None, 1)[0].upper()
        name = "write" if word in ("INSERT", "UPDATE", "DELETE") else word.lower()
        self.passes(name, "journal_trim" if sql.upper().startswith(_TRIMS) else name)

    def syncs(self, fsync: Callable[[int], None]) -> Callable[[int], None]:
        """os.fsync, which has no audit event, with its own."""

        def wrapped(descriptor: int) -> None:
            self.passes("fsync")
            fsync(descriptor)
            self.passes("synced")

        return wrapped


def _of_retention(event: str, arguments: tuple[object, ...]) -> str:
    """The name that an audit event has for retention; the event's own when it is not of it."""
    match event:
        case "os.rename" if str(arguments[1]).endswith("/deleted.json"):
            return "retention_record"
        case "os.remove" if str(arguments[0]).endswith(".parquet"):
            return "retention_remove"
        case "os.rmdir":
            return "retention_rmdir"
    return event


def load() -> None:
    """Loads all that a gateway needs, and makes its upkeep always due."""
    importlib.import_module("edgeflash.cli.app")
    importlib.import_module("edgeflash.gateway.gateway")
    importlib.import_module("edgeflash.fleet.site_ship")
    name, constant = _UPKEEP
    module = importlib.import_module(name)
    assert hasattr(module, constant), "upkeep would come once an hour"
    setattr(module, constant, 0.5)


def main(point: str, count: int, arguments: list[str]) -> None:
    """Arms the process, then runs the command."""
    from edgeflash.cli.app import main as run

    doom = Doom(point, count)
    os.fsync = doom.syncs(os.fsync)
    sqlite3.connect = doom.connects(sqlite3.connect)  # type: ignore[assignment]
    sys.addaudithook(doom.hears)
    sys.argv = ["edgeflash", *arguments]
    run()

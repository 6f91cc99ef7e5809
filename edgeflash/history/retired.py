"""What retention has deleted: kept beside the files, so that nothing writes it again.

The journal holds results for weeks, and gives all of them again when a file has become unreadable:
without this, part of a month that was deleted would come back.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import structlog

from edgeflash.errors import StorageError
from edgeflash.history.columns import TableName
from edgeflash.history.files import sync_folder
from edgeflash.history.layout import PENDING_FOLDER, Partition
from edgeflash.history.retention import AgeWatch

RETENTION_FOLDER = ".retention"
FILE_NAME = "deleted.json"
FORMAT = 1

_log = structlog.get_logger(__name__)

Places = Mapping[tuple[TableName, str], str]
"""A period by table and analyzer."""


@dataclass(frozen=True, slots=True)
class Retired:
    """Up to which period the files of a table and analyzer were deleted (or are being deleted)."""

    last: Places = field(default_factory=dict)
    watch: AgeWatch = field(default_factory=AgeWatch)

    def holds(self, partition: Partition) -> bool:
        """Whether the file was deleted. One that is there all the same is in use as any other."""
        last = self.last.get((partition.table, partition.analyzer))
        return last is not None and partition.period <= last

    def with_deleted(self, partitions: Iterable[Partition]) -> Retired:
        """With these deleted too."""
        last = dict(self.last)
        for p in partitions:
            place = (p.table, p.analyzer)
            last[place] = max(p.period, last.get(place, p.period))
        return replace(self, last=last)

    def only(self, tables: Iterable[TableName]) -> Retired:
        """What concerns these tables: one that is kept for ever again takes late rows again."""
        kept = frozenset(tables)
        return replace(self, last={k: v for k, v in self.last.items() if k[0] in kept})


def load_retired(folder: Path) -> Retired:
    """What was deleted from this history; nothing where retention never ran.

    A damaged file counts as none, and is logged: at worst rows come back that had been deleted.
    Raises StorageError when the disk refuses.
    """
    path = _path(folder)
    try:
        text = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return Retired()
    except OSError as error:
        raise StorageError(f"{path}: the disk refuses to read this file: {error}") from error
    try:
        return _decoded(text)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        _log.error("history_retention_unreadable", path=str(path), error=repr(error))
        return Retired()


def save_retired(folder: Path, retired: Retired) -> None:
    """Keeps it, on disk when this returns. Raises StorageError."""
    path = _path(folder)
    pending = folder / PENDING_FOLDER / f"{FILE_NAME}~{os.getpid()}"
    try:
        pending.parent.mkdir(parents=True, exist_ok=True)
        path.parent.mkdir(exist_ok=True)
        with pending.open("wb") as file:
            file.write(_encoded(retired))
            file.flush()
            os.fsync(file.fileno())
        pending.replace(path)
        sync_folder(path.parent)
        sync_folder(folder)
    except OSError as error:
        raise StorageError(
            f"{path}: cannot be written: {error}. Nothing was deleted from the history"
        ) from error
    finally:
        with suppress(OSError):
            pending.unlink(missing_ok=True)


def _path(folder: Path) -> Path:
    return folder / RETENTION_FOLDER / FILE_NAME


def _encoded(retired: Retired) -> bytes:
    deleted: dict[str, dict[str, str]] = {}
    for (table, analyzer), period in sorted(retired.last.items()):
        deleted.setdefault(table.value, {})[analyzer] = period
    tree = {
        "format": FORMAT,
        "looked_at": _text(retired.watch.looked_at),
        "waits_until": _text(retired.watch.waits_until),
        "deleted_up_to": deleted,
    }
    return json.dumps(tree, indent=2).encode("ascii")


def _decoded(text: bytes) -> Retired:
    tree = json.loads(text)
    known = {t.value for t in TableName}
    last = {
        (TableName(table), str(analyzer)): str(period)
        for table, places in tree["deleted_up_to"].items()
        if table in known
        for analyzer, period in places.items()
    }
    return Retired(last, AgeWatch(_time(tree["looked_at"]), _time(tree["waits_until"])))


def _text(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _time(text: str | None) -> datetime | None:
    if text is None:
        return None
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"the time {text} lacks its timezone")
    return moment

"""Keeping a shared table fast and small, by the table's own tools.

Small files of a site's month are joined, old versions of the log folded into checkpoints and
dropped, and files deleted that no version of the last seven days needs: readers and older versions
of the table are safe for that long, and so is a commit that is under way.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import pyarrow as pa

from edgeflash.fleet.extra import needed
from edgeflash.fleet.shared_table import MONTH, SITE, SharedTable, SharedTableError, words_of

MANY_FILES = 8
"""Small files of one site and month before they are joined."""

_SMALL_BYTES = 32 * 1024 * 1024
_TARGET_BYTES = 128 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class TidyReport:
    """What was done. joined, into: files before and after; deleted: files no version needs."""

    joined: int = 0
    into: int = 0
    deleted: int = 0
    checkpoint: int | None = None


def tidy(shared: SharedTable, *, all_of_it: bool = False) -> TidyReport:
    """Joins small files where there are many, and then drops what is not needed any more.

    all_of_it: joins and drops also where there is little to gain. Safe beside a collector and
    readers. Raises SharedTableError.
    """
    exceptions = needed("deltalake").exceptions
    delta = shared.delta
    try:
        joined = into = deleted = 0
        for site, month in _crowded(delta, 2 if all_of_it else MANY_FILES):
            done = delta.optimize.compact(
                partition_filters=[(SITE, "=", site), (MONTH, "=", month)],
                target_size=_TARGET_BYTES,
            )
            joined += done["numFilesRemoved"]
            into += done["numFilesAdded"]
        checkpoint = None
        if joined or all_of_it:
            delta.create_checkpoint()
            checkpoint = int(delta.version())
            delta.cleanup_metadata()
            deleted = len(delta.vacuum(dry_run=False, enforce_retention_duration=True))
    except exceptions.CommitFailedError:
        # A collector was quicker; joining files can wait for the next time.
        return TidyReport()
    except (exceptions.DeltaError, OSError) as error:
        raise SharedTableError(f"{shared.url}: {words_of(error)}") from error
    return TidyReport(joined, into, deleted, checkpoint)


def _crowded(delta: object, many: int) -> list[tuple[str, str]]:
    """Sites and months with this many small files or more."""
    actions = pa.table(delta.get_add_actions(flatten=True))  # type: ignore[attr-defined]
    places = zip(
        actions[f"partition.{SITE}"].to_pylist(),
        actions[f"partition.{MONTH}"].to_pylist(),
        actions["size_bytes"].to_pylist(),
        strict=True,
    )
    small = Counter((site, month) for site, month, size in places if size < _SMALL_BYTES)
    return sorted(place for place, count in small.items() if count >= many)

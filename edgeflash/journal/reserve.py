"""A little room on the disk, kept so that a restart on a full disk can still open the journal.

SQLite needs some ten kilobytes to open a database in write-ahead mode, if only to read it. Without
them a gateway that restarts on a full disk could not show the last accepted value.
"""

from __future__ import annotations

import os
from pathlib import Path

RESERVE_BYTES = 512 * 1024


def reserve_of(path: Path) -> Path:
    """The file that holds the room for the journal at this path."""
    return path.with_name(path.name + ".reserve")


def lay_up(path: Path) -> bool:
    """Takes the room if it is not taken; False when the disk has none now."""
    reserve = reserve_of(path)
    if reserve.exists():
        return True
    try:
        with reserve.open("xb") as file:
            os.posix_fallocate(file.fileno(), 0, RESERVE_BYTES)
    except OSError:
        reserve.unlink(missing_ok=True)
        return False
    return True


def spend(path: Path) -> bool:
    """Gives the room back to the disk; False when it was not taken."""
    try:
        reserve_of(path).unlink()
    except OSError:
        return False
    return True

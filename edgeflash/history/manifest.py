"""What a backup holds: file by file with its SHA-256 and size."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath

from edgeflash.errors import StorageError

FORMAT = 1
FILE_NAME = "manifest.json"
SUMS_NAME = "SHA256SUMS"
"""The same sums in the form that `sha256sum --check` reads."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """One backup. results: the journal's last result by its number. files: SHA-256 and bytes by
    the path below the backup's folder. doubtful: files of the history that were not as the gateway
    had written them."""

    format: int
    made_at: datetime
    edgeflash: str
    journal_begun_at: datetime | None
    results: int
    files: Mapping[str, tuple[str, int]]
    doubtful: tuple[str, ...] = ()


def save_manifest(folder: Path, manifest: Manifest) -> None:
    """Writes manifest and sums, synced. Raises OSError."""
    begun_at = manifest.journal_begun_at
    tree = {
        "format": manifest.format,
        "made_at": manifest.made_at.isoformat(),
        "edgeflash": manifest.edgeflash,
        "journal_begun_at": None if begun_at is None else begun_at.isoformat(),
        "results": manifest.results,
        "doubtful": list(manifest.doubtful),
        "files": {
            name: {"sha256": sha256, "bytes": size}
            for name, (sha256, size) in manifest.files.items()
        },
    }
    sums = "".join(f"{sha256}  {name}\n" for name, (sha256, _) in manifest.files.items())
    for name, text in ((SUMS_NAME, sums), (FILE_NAME, json.dumps(tree, indent=1) + "\n")):
        with (folder / name).open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())


def load_manifest(folder: Path) -> Manifest:
    """What a backup says it holds. Raises StorageError when it is none, or damaged."""
    path = folder / FILE_NAME
    try:
        tree = json.loads(path.read_text("utf-8"))
        if tree["format"] > FORMAT:
            raise StorageError(f"{path}: made by a newer edgeflash: update this one")
        begun_at = tree["journal_begun_at"]
        return Manifest(
            format=tree["format"],
            made_at=datetime.fromisoformat(tree["made_at"]),
            edgeflash=tree["edgeflash"],
            journal_begun_at=None if begun_at is None else datetime.fromisoformat(begun_at),
            results=int(tree["results"]),
            files={
                _inside(name): (str(f["sha256"]), int(f["bytes"]))
                for name, f in tree["files"].items()
            },
            doubtful=tuple(tree["doubtful"]),
        )
    except FileNotFoundError as error:
        raise StorageError(f"{folder}: this is no backup: it has no {FILE_NAME}") from error
    except OSError as error:
        raise StorageError(f"{path}: cannot be read: {error}") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise StorageError(f"{path}: this manifest is damaged: {error!r}") from error


def _inside(name: str) -> str:
    """The name, when it leads nowhere outside the folder."""
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or not path.parts:
        raise ValueError(f"{name} leads out of the backup")
    return name

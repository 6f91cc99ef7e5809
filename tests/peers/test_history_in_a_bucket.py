"""The history as analysts open it, on an object store: a server that nobody here wrote."""

from __future__ import annotations

import asyncio

import pyarrow.fs as pa_fs
import pytest

from edgeflash.errors import StorageError
from edgeflash.history import open_history
from tests.peers.s3 import BUCKET, KEYS, bucket
from tests.unit.history.test_opening import Place, place, same_everywhere

__all__ = ["place"]  # a fixture

pytestmark = pytest.mark.peer("s3-server")


async def test_an_object_store(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """By URL; where nothing is, it says so."""
    for name, value in KEYS.items():
        monkeypatch.setenv(name, value)
    async with bucket() as port:
        await asyncio.to_thread(_compare, place, port)


def _compare(place: Place, port: int) -> None:
    more = f"?scheme=http&endpoint_override=127.0.0.1:{port}&region={KEYS['AWS_REGION']}"
    store, _ = pa_fs.FileSystem.from_uri(f"s3://{BUCKET}/history{more}")
    pa_fs.copy_files(
        str(place.folder), f"{BUCKET}/history", pa_fs.LocalFileSystem(), store, use_threads=False
    )
    same_everywhere(place, open_history(f"s3://{BUCKET}/history{more}"))
    with pytest.raises(StorageError, match="no history here"):
        open_history(f"{BUCKET}/nothing", filesystem=store)

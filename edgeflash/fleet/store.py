"""A place for shipped files: object storage (S3 API) or a folder.

An object appears whole or not at all, under its name, at one instant. There is no other promise
that ship and collect build on.
"""

from __future__ import annotations

import hashlib
import os
import stat
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pyarrow as pa
import pyarrow.fs as pa_fs

from edgeflash.errors import EdgeflashError, UsageError

_CONNECT_S = 10
_REQUEST_S = 60
_ATTEMPTS = 4
"""Of one request to object storage, with the library's growing pauses in between."""

SMALL_BYTES = 1 << 20
"""What is no data file has some hundred bytes. Others write to the store, and would fill the
memory of whoever reads all of it."""

_PENDING = ".pending"


class StoreError(EdgeflashError):
    """The place for shipped files refuses, or cannot be reached; trying again later helps."""


class Store(ABC):
    """Objects by their path below the store's URL, with `/` between the parts."""

    def __init__(self, url: str) -> None:
        self.url = url

    def __str__(self) -> str:
        return self.url

    @abstractmethod
    def read(self, path: str, most_bytes: int = SMALL_BYTES) -> bytes | None:
        """The object, of a larger one the beginning; None when there is none. Raises StoreError."""

    @abstractmethod
    def put(self, path: str, content: bytes) -> None:
        """Makes or replaces the object, whole and durable when this returns. Raises StoreError."""

    @abstractmethod
    def size(self, path: str) -> int | None:
        """Its bytes; None when there is none. Raises StoreError."""

    @abstractmethod
    def names(self, path: str) -> list[str]:
        """The names directly below a path, sorted; empty without any. Raises StoreError."""


def open_store(url: str, endpoint: str = "", region: str = "") -> Store:
    """The store at `s3://BUCKET/PREFIX`, `file:///FOLDER` or a plain folder path.

    endpoint: of another S3-compatible server, with http:// or https://; else AWS_ENDPOINT_URL, else
    the region's own. Keys come from the environment, the shared credentials file, or the machine's
    role; never from the URL. Raises UsageError for a URL it cannot be.
    """
    parts = urlsplit(url)
    if "@" in parts.netloc:
        raise UsageError(
            f"{parts.scheme}://…@{parts.hostname}: keys do not belong in the URL; they come from "
            "the environment or the credentials file"
        )
    match parts.scheme:
        case "s3":
            if not parts.netloc:
                raise UsageError(f"{url}: names no bucket; write s3://BUCKET/PREFIX")
            return _ObjectStore(url, endpoint, region)
        case "file":
            return _FolderStore(url, Path(unquote(parts.path)))
        case "":
            return _FolderStore(url, Path(url))
    raise UsageError(f"{url}: unknown kind of store; write s3://BUCKET/PREFIX or a folder")


class _FolderStore(Store):
    """Write beside, sync, rename, sync the folder."""

    def __init__(self, url: str, folder: Path) -> None:
        super().__init__(url)
        self._folder = folder

    def read(self, path: str, most_bytes: int = SMALL_BYTES) -> bytes | None:
        with self._refusals(path):
            try:
                # A pipe that somebody put there would be waited for, for ever.
                descriptor = os.open(self._folder / path, os.O_RDONLY | os.O_NONBLOCK)
            except (FileNotFoundError, NotADirectoryError):
                return None
            try:
                if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                    return None
                with os.fdopen(descriptor, "rb", closefd=False) as file:
                    return file.read(most_bytes)
            finally:
                os.close(descriptor)

    def put(self, path: str, content: bytes) -> None:
        target = self._folder / path
        # Not the path itself: as one name it could be longer than a file system takes.
        name = hashlib.sha256(path.encode()).hexdigest()[:32]
        pending = self._folder / _PENDING / f"{name}~{os.getpid()}"
        with self._refusals(path):
            if not self._folder.is_dir():
                # A share that is not mounted must not be filled in as a folder of the local disk.
                raise FileNotFoundError(f"there is no folder {self._folder}; make it, or mount it")
            try:
                pending.parent.mkdir(exist_ok=True)
                with pending.open("wb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                self._make(target.parent)
                pending.replace(target)
                _sync(target.parent)
            except OSError:
                with suppress(OSError):
                    pending.unlink(missing_ok=True)
                raise

    def size(self, path: str) -> int | None:
        with self._refusals(path):
            try:
                return (self._folder / path).stat().st_size
            except (FileNotFoundError, NotADirectoryError):
                return None

    def names(self, path: str) -> list[str]:
        with self._refusals(path):
            try:
                found = (child.name for child in (self._folder / path).iterdir())
                return sorted(name for name in found if name != _PENDING)
            except (FileNotFoundError, NotADirectoryError):
                return []

    def _make(self, folder: Path) -> None:
        """Makes the folder, and makes each new name durable in the one above."""
        if folder.is_dir():
            return
        folder.mkdir(parents=True, exist_ok=True)
        for above in folder.parents:
            _sync(above)
            if above == self._folder:
                return

    @contextmanager
    def _refusals(self, path: str) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise StoreError(f"{self._folder / path}: {error}") from error


class _ObjectStore(Store):
    """Buckets are never made, and no markers of folders: that needs fewer rights."""

    def __init__(self, url: str, endpoint: str, region: str) -> None:
        super().__init__(url)
        parts = urlsplit(url)
        self._base = f"{parts.netloc}{parts.path}".rstrip("/")
        server = urlsplit(endpoint or os.environ.get("AWS_ENDPOINT_URL", ""))
        region = region or os.environ.get("AWS_REGION", os.environ.get("AWS_DEFAULT_REGION", ""))
        if server.scheme not in ("", "http", "https"):
            raise UsageError(f"{endpoint}: an endpoint begins with https:// (or http://)")
        try:
            self._fs = pa_fs.S3FileSystem(
                endpoint_override=server.netloc or None,
                scheme=server.scheme or "https",
                region=region or ("us-east-1" if server.netloc else None),
                connect_timeout=_CONNECT_S,
                request_timeout=_REQUEST_S,
                retry_strategy=pa_fs.AwsStandardS3RetryStrategy(max_attempts=_ATTEMPTS),
                # One request for a small object, in place of the three of an upload in parts.
                allow_delayed_open=True,
            )
        except (OSError, pa.ArrowException) as error:
            raise StoreError(f"{url}: {error}") from error

    def read(self, path: str, most_bytes: int = SMALL_BYTES) -> bytes | None:
        with self._refusals(path):
            try:
                with self._fs.open_input_stream(self._full(path)) as stream:
                    return bytes(stream.read(most_bytes))
            except FileNotFoundError:
                return None

    def put(self, path: str, content: bytes) -> None:
        with self._refusals(path):
            stream = self._fs.open_output_stream(self._full(path))
            stream.write(content)
            stream.close()

    def size(self, path: str) -> int | None:
        with self._refusals(path):
            info = self._fs.get_file_info(self._full(path))
            return int(info.size) if info.type is pa_fs.FileType.File else None

    def names(self, path: str) -> list[str]:
        with self._refusals(path):
            chosen = pa_fs.FileSelector(self._full(path), allow_not_found=True)
            return sorted(info.base_name for info in self._fs.get_file_info(chosen))

    def _full(self, path: str) -> str:
        return f"{self._base}/{path}" if path else self._base

    @contextmanager
    def _refusals(self, path: str) -> Iterator[None]:
        try:
            yield
        except (OSError, pa.ArrowException) as error:
            raise StoreError(f"{self.url.rstrip('/')}/{path}: {error}") from error


def _sync(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

"""Which files of the history have one schema, told by the beginning of their footers.

An engine that must make columns of several schemas meet reads every footer before it answers, and
again when it does: ten years of one analyzer are 120 of them. Here a few kB of each are compared.

A footer is the structure FileMetaData in Thrift's compact protocol, its second field the schema
(Apache Parquet format, parquet.thrift; Apache Thrift, thrift-compact-protocol.md). Two footers that
are the same up to the end of that field have the same schema, whatever comes behind it.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterable

from edgeflash.errors import StorageError

_MAGIC = b"PAR1"
_TAIL = struct.Struct("<I4s")

_READ_BYTES = 32 * 1024
"""Of a footer; the schema of a table of the history has some 4 kB."""

# Types of the compact protocol. A truth value is in its type as a field, and a byte in a list.
_STOP, _TRUE, _FALSE, _BYTE, _I16, _I64 = 0, 1, 2, 3, 4, 6
_DOUBLE, _BINARY, _LIST, _SET, _STRUCT = 7, 8, 9, 10, 12
_DEEPEST = 8
_SCHEMA_FIELD = 2


def by_schema(paths: Iterable[str]) -> tuple[list[list[str]], list[str]]:
    """The files of each schema, in their order; and those whose schema could not be told, for an
    engine to make of them what it can.

    Raises StorageError for a file that cannot be read.
    """
    groups: dict[bytes, list[str]] = {}
    untold: list[str] = []
    for path in paths:
        try:
            footer = _beginning_of_footer(path)
        except OSError as error:
            raise StorageError(
                f"{path}: cannot be read: {error.strerror}. If it was deleted or set aside just "
                "now, ask again"
            ) from error
        known = next((s for s in groups if footer.startswith(s)), None)
        if known is None:
            known = schema_part(footer)
        if known is None:
            untold.append(path)
        else:
            groups.setdefault(known, []).append(path)
    return list(groups.values()), untold


def schema_part(footer: bytes) -> bytes | None:
    """A footer up to the end of its schema; None when it is not there, or not in its place."""
    try:
        place, field = 0, 0
        while field < _SCHEMA_FIELD:
            kind, field, place = _field(footer, place, field)
            if kind == _STOP or (field == _SCHEMA_FIELD) != (kind == _LIST):
                return None
            place = _after(footer, place, kind, _DEEPEST)
    except (IndexError, ValueError):
        return None
    return footer[:place] if field == _SCHEMA_FIELD and place <= len(footer) else None


def _beginning_of_footer(path: str) -> bytes:
    """Empty for what is no Parquet file."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        size = os.fstat(descriptor).st_size
        if size < 2 * _TAIL.size:
            return b""
        footer_bytes, magic = _TAIL.unpack(os.pread(descriptor, _TAIL.size, size - _TAIL.size))
        begin = size - _TAIL.size - footer_bytes
        if magic != _MAGIC or begin < len(_MAGIC):
            return b""
        return os.pread(descriptor, min(footer_bytes, _READ_BYTES), begin)
    finally:
        os.close(descriptor)


def _field(data: bytes, place: int, last: int) -> tuple[int, int, int]:
    """Type and number of the field that begins here, and where its value does."""
    step, kind = data[place] >> 4, data[place] & 0x0F
    if step or kind == _STOP:
        return kind, last + step, place + 1
    number, place = _varint(data, place + 1)
    return kind, (number >> 1) ^ -(number & 1), place


def _after(data: bytes, place: int, kind: int, depth: int) -> int:
    """Where the value that begins here has ended. Raises IndexError or ValueError."""
    if not depth:
        raise ValueError("a footer nests too deep")
    if kind in (_TRUE, _FALSE):
        return place
    if kind == _BYTE:
        return place + 1
    if _I16 <= kind <= _I64:
        return _varint(data, place)[1]
    if kind == _DOUBLE:
        return place + 8
    if kind == _BINARY:
        length, place = _varint(data, place)
        return place + length
    if kind in (_LIST, _SET):
        return _after_list(data, place, depth)
    if kind != _STRUCT:
        raise ValueError(f"a footer has no values of type {kind}")
    number = 0
    while True:
        kind, number, place = _field(data, place, number)
        if kind == _STOP:
            return place
        place = _after(data, place, kind, depth - 1)


def _after_list(data: bytes, place: int, depth: int) -> int:
    count, kind = data[place] >> 4, data[place] & 0x0F
    place += 1
    if count == 15:
        count, place = _varint(data, place)
    if kind in (_TRUE, _FALSE):
        kind = _BYTE
    for _ in range(count):
        if place >= len(data):
            raise IndexError("the footer ends in a list")
        place = _after(data, place, kind, depth - 1)
    return place


def _varint(data: bytes, place: int) -> tuple[int, int]:
    value = shift = 0
    while data[place] & 0x80:
        value |= (data[place] & 0x7F) << shift
        shift, place = shift + 7, place + 1
    return value | data[place] << shift, place + 1

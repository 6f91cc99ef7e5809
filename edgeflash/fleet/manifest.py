"""The manifest of a shipped part: what a file holds, and where files and manifests lie. Pure.

    site=<site>/owners/<gateway>.json
    site=<site>/<table>/data/an=<analyzer>/day=<day>/<serial>-<checksum>.parquet
    site=<site>/<table>/manifests/<thousands>/<serial>.json

Each table of a gateway counts its parts 1, 2, 3, …: the serial. A part is there when its manifest
is; a data file without one is what a crash left, and means nothing. Of two parts with the same row
the one with the higher serial is right.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from datetime import date
from urllib.parse import quote, unquote

from edgeflash.errors import EdgeflashError
from edgeflash.history.schema import TableName

FORMAT = 1

_SITE = "site="
_HEX_64 = re.compile(r"[0-9a-f]{64}")
_SERIALS_IN_A_FOLDER = 1000
_LONGEST_NAME = 240
"""Of a folder below the prefix, with `an=`: file systems take 255 bytes."""

_SERIAL = re.compile(r"([0-9]{9})\.json")


class ManifestError(EdgeflashError):
    """A manifest that is not one, or that claims what is not its gateway's."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """One immutable part: rows of one table, analyzer and UTC day.

    analyzer: empty for rows about the gateway or the site. serial: from 1, of the site's table.
    part: from 1, of the day; above 1 for late or corrected rows. keys_sha256: see
    tables.keys_checksum. sha256, size: of the file. withdraws: serials whose files were found
    damaged, and whose rows came again. made_at: ISO 8601, UTC.
    """

    site: str
    gateway: str
    table: TableName
    serial: int
    analyzer: str
    day: date
    part: int
    rows: int
    keys_sha256: str
    sha256: str
    size: int
    schema_version: int
    made_at: str
    withdraws: tuple[int, ...] = ()

    @property
    def data_path(self) -> str:
        """Where its file lies."""
        return data_path(self.site, self.table, self.analyzer, self.day, self.serial, self.sha256)

    @property
    def path(self) -> str:
        """Where the manifest itself lies."""
        return manifest_path(self.site, self.table, self.serial)

    def encoded(self) -> bytes:
        """The manifest as JSON."""
        fields = {**asdict(self), "day": self.day.isoformat()}
        return json.dumps({"format": FORMAT, **fields}, indent=1, ensure_ascii=False).encode()


def decoded(content: bytes, site: str, table: TableName, serial: int) -> Manifest:
    """The manifest found at the place of this site, table and serial. Raises ManifestError."""
    place = manifest_path(site, table, serial)
    try:
        fields = json.loads(content)
        if not isinstance(fields, dict):
            raise ValueError("no object")
        if fields.pop("format", None) != FORMAT:
            raise ManifestError(f"{place}: of another format than {FORMAT}; update edgeflash here")
        found = Manifest(
            site=_text(fields, "site"),
            gateway=_text(fields, "gateway"),
            table=TableName(fields["table"]),
            serial=_whole(fields, "serial", 1),
            analyzer=_text(fields, "analyzer", or_empty=True),
            day=date.fromisoformat(_text(fields, "day")),
            part=_whole(fields, "part", 1),
            rows=_whole(fields, "rows", 0),
            keys_sha256=_checksum(fields, "keys_sha256"),
            sha256=_checksum(fields, "sha256"),
            size=_whole(fields, "size", 0),
            schema_version=_whole(fields, "schema_version", 1),
            made_at=_text(fields, "made_at"),
            withdraws=_earlier(fields, serial),
        )
        if len(quote(found.analyzer, safe="")) > _LONGEST_NAME:
            raise ValueError("analyzer is too long")
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise ManifestError(f"{place}: this is no manifest: {error}") from error
    # A gateway speaks for its own site only, whatever it writes below its prefix.
    if (found.site, found.table, found.serial) != (site, table, serial):
        raise ManifestError(
            f"{place}: says it is part {found.serial} of {found.table} of site '{found.site}', and "
            "does not belong here"
        )
    return found


def site_folder(site: str) -> str:
    """The prefix of a site, which it alone may write."""
    return f"{_SITE}{quote(site, safe='')}"


def site_in(name: str) -> str | None:
    """The site whose prefix has this name; None when it is none's, or another spelling of one."""
    site = unquote(name.removeprefix(_SITE)) if name.startswith(_SITE) else ""
    return site if site and site_folder(site) == name else None


def owners_folder(site: str) -> str:
    """Where gateways say that the prefix is theirs."""
    return f"{site_folder(site)}/owners"


def manifest_path(site: str, table: TableName, serial: int) -> str:
    """Where a manifest lies."""
    return f"{manifests_folder(site, table)}/{folder_number(serial):06d}/{serial:09d}.json"


def serial_in(folder: str, name: str) -> int | None:
    """The serial of the manifest with this name in a folder of manifests; None when it is none, or
    lies where none of its serial does."""
    found = _SERIAL.fullmatch(name)
    serial = int(found[1]) if found else 0
    return serial if serial and folder == f"{folder_number(serial):06d}" else None


def manifests_folder(site: str, table: TableName) -> str:
    """Where the folders of manifests lie, each of a thousand."""
    return f"{site_folder(site)}/{table.value}/manifests"


def folder_number(serial: int) -> int:
    """Which of them has the serial."""
    return serial // _SERIALS_IN_A_FOLDER


def data_path(
    site: str, table: TableName, analyzer: str, day: date, serial: int, sha256: str
) -> str:
    """Where a data file lies. The name holds its checksum: other content has another name."""
    where = f"an={quote(analyzer, safe='') or '_site'}/day={day.isoformat()}"
    return f"{site_folder(site)}/{table.value}/data/{where}/{serial:09d}-{sha256[:16]}.parquet"


def _text(fields: dict[str, object], name: str, *, or_empty: bool = False) -> str:
    value = fields[name]
    if not isinstance(value, str) or not (value or or_empty):
        raise ValueError(f"{name} is no text")
    return value


def _whole(fields: dict[str, object], name: str, least: int) -> int:
    value = fields[name]
    if not isinstance(value, int) or isinstance(value, bool) or value < least:
        raise ValueError(f"{name} is no whole number from {least}")
    return value


def _earlier(fields: dict[str, object], serial: int) -> tuple[int, ...]:
    """The serials that a part withdraws."""
    value = fields.get("withdraws", [])
    if not isinstance(value, list) or not all(type(s) is int and 0 < s < serial for s in value):
        raise ValueError("withdraws are no serials of earlier parts")
    return tuple(value)


def _checksum(fields: dict[str, object], name: str) -> str:
    value = _text(fields, name)
    if not _HEX_64.fullmatch(value):
        raise ValueError(f"{name} is no SHA-256")
    return value

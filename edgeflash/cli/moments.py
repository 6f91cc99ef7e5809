"""Times on the command line."""

from __future__ import annotations

from datetime import UTC, datetime

from edgeflash.errors import UsageError


def stamp(at: datetime) -> str:
    """A time as it is printed: ISO 8601 in UTC, with Z."""
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def moment(text: str | None) -> datetime | None:
    """A time of the command line; without a zone it is UTC. Raises UsageError."""
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is not a time; write 2026-05-01 or 2026-05-01T06:00Z"
        ) from error
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found

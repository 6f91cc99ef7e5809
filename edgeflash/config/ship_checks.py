"""Checks of where a site ships its history to."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import quote, urlsplit

from edgeflash.config.problems import Problem
from edgeflash.config.site import SiteFile

_LONGEST_NAME = 240
"""Most file systems take 255 bytes."""


def ship_problems(file: SiteFile) -> Iterator[Problem]:
    """What is wrong with [ship] whose keys are each right."""
    if file.ship is None:
        return
    if len(quote(file.site.name, safe="")) > _LONGEST_NAME:
        why = (
            f"is too long to ship by: it becomes a folder's name, in which letters beyond A to Z "
            f"take up to nine signs each, and which must not exceed {_LONGEST_NAME}"
        )
        yield Problem(("site", "name"), why, (("ship",),))
    if file.ship.alarm_after_s is not None and file.ship.alarm_after_s < file.ship.every_s:
        why = (
            f"must be at least every_s ({file.ship.every_s:g}), not {file.ship.alarm_after_s:g}: "
            "nothing can be shipped sooner than the next pass"
        )
        yield Problem(("ship", "alarm_after_s"), why, (("ship", "every_s"),))
    for key, text in (("url", file.ship.url), ("endpoint", file.ship.endpoint)):
        if "@" in urlsplit(text).netloc:
            why = (
                "holds a key; keys come from the environment or the credentials file, never from "
                "this file"
            )
            yield Problem(("ship", key), why)
    parts = urlsplit(file.ship.url)
    if parts.scheme not in ("", "file", "s3"):
        yield Problem(("ship", "url"), "must be s3://BUCKET/PREFIX or a folder")
    elif parts.scheme == "s3" and not parts.netloc:
        yield Problem(("ship", "url"), "names no bucket; write s3://BUCKET/PREFIX")
    elif parts.scheme == "" and not file.ship.url.startswith("/"):
        # Relative to what? The command and the service run in different folders.
        yield Problem(("ship", "url"), "must begin with / when it is a folder, or with s3://")
    if file.ship.endpoint and urlsplit(file.ship.endpoint).scheme not in ("http", "https"):
        yield Problem(("ship", "endpoint"), "must begin with https:// (or http://)")

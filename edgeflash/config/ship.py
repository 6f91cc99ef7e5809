"""The site file's table [ship]: where sealed days of the history go."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from edgeflash.config.analyzer_map import Strict

_DAY_S, _TWO_HOURS_S = 86_400.0, 7_200.0

ShippedTable = Literal["results", "traces", "events", "lab"]


class Ship(Strict):
    """Where sealed days of the history are shipped to, and how often.

    url: `s3://BUCKET/PREFIX`, or a folder that is there. endpoint: of another S3-compatible server;
    region: of the bucket. Keys come from the environment or the credentials file. tables: only
    these; all when empty. alarm_after_s: how long sealed days may lack in the store before that is
    an alarm; else 26 hours, or every_s and two hours.
    """

    url: Annotated[str, Field(min_length=1, max_length=1024)]
    every_s: Annotated[float, Field(ge=10, le=604_800)] = 3600.0
    endpoint: str = ""
    region: Annotated[str, Field(max_length=64)] = ""
    tables: tuple[ShippedTable, ...] = ()
    alarm_after_s: Annotated[float, Field(ge=60, le=2_678_400)] | None = None

    @property
    def may_lack_s(self) -> float:
        """How long sealed days may lack in the store: a day and two hours, for a store that is
        served at night, unless the site says otherwise."""
        return self.alarm_after_s or max(_DAY_S, self.every_s) + _TWO_HOURS_S

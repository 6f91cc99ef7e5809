"""What one reading of an analyzer gives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from edgeflash.model.roles import Role, Scalar
from edgeflash.model.traces import Pulse, Trace


@dataclass(frozen=True, slots=True)
class CycleBody:
    """What the analyzer says of its last finished cycle, read as one.

    torn: after every allowed attempt the counter still moved during the reading.
    statuses: what the analyzer's server says of values that it does not call simply good, as
    OPC UA names it: Uncertain…, Bad… or a good one that is no measurement. source_times: the time
    stamps of the values' source, where the server gives them.
    """

    cycle_number: int
    values: Mapping[Role, Scalar]
    trace: Trace | None = None
    torn: bool = False
    pulse: Pulse | None = None
    statuses: Mapping[Role, str] = field(default_factory=dict)
    source_times: Mapping[Role, datetime] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RecentResult:
    """One entry of the analyzer's ring of recent results."""

    cycle_number: int
    flash_point_c: float | None
    result_time: datetime | None


@dataclass(frozen=True, slots=True)
class Scan:
    """One reading of an analyzer: live values always, a body when a cycle has finished.

    recent: the ring, oldest first; read on the first scan of a connection and on a skipped number.
    statuses, source_times: of the live values, as in CycleBody. server_zero_mono_s: where our
    monotonic clock stood when the server's own would have shown 1970-01-01; None: it does not say.
    """

    analyzer: str
    taken_at: datetime
    taken_mono_s: float
    live: Mapping[Role, Scalar]
    body: CycleBody | None = None
    recent: tuple[RecentResult, ...] = ()
    statuses: Mapping[Role, str] = field(default_factory=dict)
    source_times: Mapping[Role, datetime] = field(default_factory=dict)
    server_zero_mono_s: float | None = None

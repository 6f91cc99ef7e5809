"""What an MQTT outlet says of now, in plain JSON: an analyzer's state, and its own. Pure.

Later versions only add members; what is taken away or means something else gets another `schema`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from edgeflash import __version__
from edgeflash.outlets.mqtt_members import (
    COUNT,
    MOMENT,
    NAME,
    TEXT,
    Member,
    Schema,
    const,
    moment,
    or_null,
    value_document,
)
from edgeflash.outlets.values import OutletUnits, shown
from edgeflash.points import CATALOGUE
from edgeflash.publication import View

STATE_POINTS = "state_points"
"""The definition of the points of a state in the JSON Schema."""


@dataclass(frozen=True, slots=True)
class StateFacts:
    """What a state is made of. valid_s: how long it may be used after its instant."""

    site: str
    view: View
    units: OutletUnits
    valid_s: float


@dataclass(frozen=True, slots=True)
class StatusFacts:
    """What the gateway says of this outlet. valid_s: how long "online" may be believed.
    waiting_*: what is owed; None where nobody counted."""

    site: str
    outlet: str
    is_online: bool
    at: datetime
    since: datetime
    reason: str
    analyzers: tuple[str, ...]
    valid_s: float
    waiting_results: int | None = None
    waiting_events: int | None = None


_WAITING: Schema = {
    "type": "object",
    "properties": {"results": or_null(COUNT), "events": or_null(COUNT)},
    "required": ["results", "events"],
}

STATE: tuple[Member[StateFacts], ...] = (
    Member(
        "schema",
        "What this document is.",
        const("edgeflash.state.1"),
        lambda f: "edgeflash.state.1",
    ),
    Member("site", "The site's name.", NAME, lambda f: f.site),
    Member("analyzer", "The analyzer's id.", NAME, lambda f: f.view.standing.analyzer),
    Member("at", "The instant of this state.", MOMENT, lambda f: moment(f.view.at)),
    Member(
        "valid_until",
        "After it nothing in here may be used: the gateway or its connection is gone.",
        MOMENT,
        lambda f: moment(f.view.at + timedelta(seconds=f.valid_s)),
    ),
    Member(
        "points",
        "Every published point, by its title.",
        {"$ref": f"#/$defs/{STATE_POINTS}"},
        lambda f: {
            p.title: value_document(p, shown(p, f.view, f.units), f.units) for p in CATALOGUE
        },
    ),
)

STATUS: tuple[Member[StatusFacts], ...] = (
    Member(
        "schema",
        "What this document is.",
        const("edgeflash.status.1"),
        lambda f: "edgeflash.status.1",
    ),
    Member("site", "The site's name.", NAME, lambda f: f.site),
    Member("outlet", "The outlet's id in the site file.", NAME, lambda f: f.outlet),
    Member(
        "state",
        "offline: nothing that is retained of this site may be used any more.",
        {"enum": ["online", "offline"]},
        lambda f: "online" if f.is_online else "offline",
    ),
    Member(
        "at",
        "When this was written. That of the last will is when the connection began, not when it "
        "was lost.",
        MOMENT,
        lambda f: moment(f.at),
    ),
    Member(
        "valid_until",
        "Of online: after it the gateway may be gone, and the broker too when it was; null of "
        "offline, which stands.",
        or_null(MOMENT),
        lambda f: moment(f.at + timedelta(seconds=f.valid_s)) if f.is_online else None,
    ),
    Member("since", "When this connection began.", MOMENT, lambda f: moment(f.since)),
    Member("reason", "Why it is offline; empty while online.", TEXT, lambda f: f.reason),
    Member("version", "Version of the gateway.", NAME, lambda f: __version__),
    Member(
        "analyzers",
        "The analyzers' ids.",
        {"type": "array", "items": NAME},
        lambda f: list(f.analyzers),
    ),
    Member(
        "waiting",
        "Results and events that are still owed to this outlet; null where nobody counted.",
        _WAITING,
        lambda f: {"results": f.waiting_results, "events": f.waiting_events},
    ),
)

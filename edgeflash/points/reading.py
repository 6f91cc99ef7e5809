"""How the value of a point is taken from what is shown of an analyzer, and how good it is. Pure."""

from __future__ import annotations

from collections.abc import Callable

from edgeflash.model import Phase, Result, Role, Verdict
from edgeflash.onward import Onward
from edgeflash.points.codes import HEALTH_TEXTS
from edgeflash.points.point import PointScalar, PointValue
from edgeflash.publication import LinkState, View
from edgeflash.rules.health import health
from edgeflash.trust import Quality, Trust


def judged(v: View) -> PointValue:
    """The judged flash point, as of its sample; as of now where no sample is known."""
    return PointValue(v.value_c, v.quality, v.sampled_at or v.at)


def of_shown(get: Callable[[View], PointScalar]) -> Callable[[View], PointValue]:
    """A property of the last usable value: there as long as one is known, as good as the value.

    It outlives the value's quality: when the value has gone bad, its age still grows.
    """

    def read(v: View) -> PointValue:
        value = get(v)
        if value is None:
            return PointValue(None, Quality.NO_DATA, v.at)
        is_bad = v.quality.trust is Trust.BAD
        return PointValue(value, Quality.LAST_USABLE if is_bad else v.quality, v.at)

    return read


def state(get: Callable[[View], PointScalar]) -> Callable[[View], PointValue]:
    """A statement of the gateway about itself: always good, as of now."""
    return lambda v: PointValue(get(v), Quality.GOOD, v.at)


def latest(get: Callable[[Result], PointScalar]) -> Callable[[View], PointValue]:
    """A figure of the latest cycle, believed or not: no better than the cycle's verdict."""

    def read(v: View) -> PointValue:
        result = v.standing.latest
        if result is None:
            return PointValue(None, Quality.WAITING_FOR_INITIAL_DATA, v.at)
        value = get(result)
        if value is None:
            return PointValue(None, Quality.NO_DATA, result.sampled_at)
        quality = Quality.SUB_NORMAL
        if result.verdict is Verdict.ACCEPTED:
            up = v.standing.link is LinkState.UP
            quality = Quality.GOOD if up else Quality.LAST_USABLE_NO_LINK
        return PointValue(value, quality, result.sampled_at)

    return read


_QUALITY_OF_STATUS = {q.value.opcua_name: q for q in Quality if q is not Quality.TEST}
"""By the name an OPC UA server uses. A substitute value of the analyzer is no test of ours."""


def _told(status: str, trust: Trust, otherwise: Quality) -> Quality:
    """The quality of the same name as the server's status, where we have one of this trust."""
    found = _QUALITY_OF_STATUS.get(status, otherwise)
    return found if found.trust is trust else otherwise


def live(role: Role) -> Callable[[View], PointValue]:
    """A live, unjudged reading: good only while the link is up and the analyzer calls it good."""

    def read(v: View) -> PointValue:
        at = v.standing.live_at or v.at
        if v.standing.link is not LinkState.UP:
            return PointValue(None, Quality.NO_COMMUNICATION, at)
        value, status = v.standing.live.get(role), v.standing.live_statuses.get(role, "")
        if value is None or isinstance(value, tuple):
            return PointValue(None, _told(status, Trust.BAD, Quality.NO_DATA), at)
        doubt = _told(status, Trust.UNCERTAIN, Quality.SUB_NORMAL)
        return PointValue(value, doubt if status else Quality.GOOD, at)

    return read


def phase(v: View) -> PointValue:
    """The code of the analyzer's phase now: its place in PHASE_TEXTS."""
    p = live(Role.PHASE)(v)
    if isinstance(p.value, Phase):
        return PointValue(list(Phase).index(p.value), p.quality, p.source_time)
    return PointValue(None, p.quality if p.value is None else Quality.NO_DATA, p.source_time)


def health_code(v: View) -> PointValue:
    """The code of the analyzer's NE 107 category: its place in HEALTH_TEXTS."""
    category = health(v.standing)
    if category is None:
        return PointValue(None, Quality.WAITING_FOR_INITIAL_DATA, v.at)
    return PointValue(HEALTH_TEXTS.index(category.value), Quality.GOOD, v.at)


def clock_error(v: View) -> PointValue:
    """How wrong the gateway's wall clock may be at most, in seconds."""
    error_s = v.standing.clock.largest_error_s
    return PointValue(error_s, Quality.NO_DATA if error_s is None else Quality.GOOD, v.at)


def onward(get: Callable[[Onward], int | None]) -> Callable[[View], PointValue]:
    """A figure of how results leave the gateway; no value where there is no such way."""

    def read(v: View) -> PointValue:
        value = get(v.standing.onward)
        return PointValue(value, Quality.NO_DATA if value is None else Quality.GOOD, v.at)

    return read


def round_trip(v: View) -> PointValue:
    """95th percentile of the link's round trips, s; no value before the first answer."""
    trip_ms = v.standing.link_figures.round_trip_p95_ms
    if trip_ms is None:
        return PointValue(None, Quality.NO_DATA, v.at)
    return PointValue(trip_ms / 1000.0, Quality.GOOD, v.at)


def alarm_word(get: Callable[[View], int | None]) -> Callable[[View], PointValue]:
    """A word of the alarms' bits; no value while no alarm's state is known."""

    def read(v: View) -> PointValue:
        word = get(v)
        return PointValue(word, Quality.NO_DATA if word is None else Quality.GOOD, v.at)

    return read

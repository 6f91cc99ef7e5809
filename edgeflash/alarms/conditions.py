"""When the condition of each alarm holds. Pure: everything known comes in as Facts.

None means that nothing is known either way: the alarm stays as it is. So no rejected cycle ever
clears an alarm that a cycle has raised.
"""

from __future__ import annotations

from dataclasses import dataclass

from edgeflash.clock_state import UNKNOWN_CLOCK, ClockState
from edgeflash.config.site import Analyzer, Product
from edgeflash.model import Verdict
from edgeflash.onward import NOTHING_ONWARD, Onward
from edgeflash.publication import Standing
from edgeflash.rules.low_flash import below_minimum
from edgeflash.trust import Quality, Trust

DEADBAND_C = 0.5
"""An accepted value must lie so far above the limit before `below_limit` returns. Common practice,
no source: about the repeatability of one analyzer, so that a product at its limit gives one alarm
and not one for each cycle."""

LOW_ROOM_BYTES = 500_000_000
"""Less free disk is a shortage: common practice, no source; some weeks for most sites."""

LARGEST_STEP_S = 2.0
"""A larger jump of the wall clock is an alarm. Common practice, no source: daily corrections by a
time service are far smaller, or slewed."""

LONGEST_UNSYNCHRONISED_S = 900.0
"""A wall clock that is not synchronised for longer is an alarm. Common practice, no source: a time
service needs some minutes after a start."""

STEADY_S = 10.0
"""An MQTT outlet is well when its session has stood so long. Common practice, no source: one that
is thrown out again and again is never well in between."""

CLOCK_RULE = "clock_off"
"""The rule that compares the analyzer's clock with ours."""

_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class SiteFacts:
    """What the gateway knows of itself.

    history_fault: why the history cannot be written; empty when it can. free_bytes: the room on
    the fuller disk of journal and history; None when it cannot be told. clock_step_s: by how much
    the wall clock moved against the monotonic clock since the last look. silence: what the
    heartbeats of the control system say, in words; empty when it is there. clock: the wall clock
    as the system keeps it. unsynchronised_s: for how long it has not been synchronised; 0 while it
    is, or nothing is known. onward: how results leave the gateway. mqtt_away, mqtt_set_aside,
    shipping_behind: what is wrong there, in words and for longer than the site allows; empty when
    nothing is.
    """

    history_fault: str = ""
    free_bytes: int | None = None
    clock_step_s: float = 0.0
    silence: str = ""
    clock: ClockState = UNKNOWN_CLOCK
    unsynchronised_s: float = 0.0
    onward: Onward = NOTHING_ONWARD
    mqtt_away: str = ""
    mqtt_set_aside: str = ""
    shipping_behind: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """All that the alarms of one analyzer look at.

    has_accepted: a cycle has been accepted since the start of the process. product: what the
    latest cycle was judged as. quality, reason: of the flash point as it is shown now.
    since_check_s: since the last check sample by the wall clock; None when there never was one.
    storage_fault: why results or alarms cannot be recorded; empty when they can.
    """

    analyzer: Analyzer
    standing: Standing
    has_accepted: bool
    product: Product | None
    quality: Quality
    reason: str
    since_check_s: float | None
    storage_fault: str
    site: SiteFacts


@dataclass(frozen=True, slots=True)
class Seen:
    """Whether a condition holds, and in words why it does."""

    holds: bool
    why: str = ""


CLEAR = Seen(False)


def possible_low_flash(facts: Facts) -> Seen | None:
    """Evidence raises it; the flag falls only with an accepted cycle without evidence.

    What was evidence before a crash may not be on disk, so a flag that is down at a start says
    nothing until a cycle has been accepted.
    """
    if facts.standing.low_flash_alarm:
        return Seen(True, "a cycle gave evidence of a flash point that is too low")
    return CLEAR if facts.has_accepted else None


def below_limit(facts: Facts) -> Seen | None:
    """The latest value that may be used lies below the product's minimum."""
    latest, product = facts.standing.latest, facts.product
    if latest is None or latest.published_c is None:
        return None
    value_c = latest.published_c
    minimum_c = product.minimum_c if product is not None else None
    if minimum_c is not None and below_minimum(value_c, product):
        return Seen(True, f"{value_c:.1f} °C against a limit of {minimum_c:g} °C")
    if latest.verdict is not Verdict.ACCEPTED:
        return None
    if minimum_c is not None and not value_c >= minimum_c + DEADBAND_C:
        return None
    return CLEAR


def unavailable(facts: Facts) -> Seen | None:
    """The flash point is shown with a bad quality, whatever the cause."""
    if facts.quality.trust is Trust.BAD:
        return Seen(True, facts.reason)
    return CLEAR


def verification_overdue(facts: Facts) -> Seen | None:
    """The last check sample is longer ago than the site allows, or there never was one."""
    verification, since_s = facts.analyzer.verification, facts.since_check_s
    if verification is None:
        return CLEAR
    if since_s is None:
        return Seen(True, "no check sample is on record")
    if since_s < 0:
        return None  # the wall clock has been set back: nobody knows how long ago it was
    if since_s > verification.due_days * _DAY_S:
        days = since_s / _DAY_S
        return Seen(True, f"{days:.1f} days ago; due every {verification.due_days:g} days")
    return CLEAR


def history_shortage(facts: Facts) -> Seen | None:
    """Results cannot be kept, or soon cannot."""
    if facts.storage_fault:
        return Seen(True, facts.storage_fault)
    if facts.site.history_fault:
        return Seen(True, facts.site.history_fault)
    free = facts.site.free_bytes
    if free is None:
        return None
    if free < LOW_ROOM_BYTES:
        return Seen(True, f"only {free / 1e6:.0f} MB are free on the disk")
    return CLEAR


def clock(facts: Facts) -> Seen | None:
    """The machine's clock was set or is not synchronised, or the analyzer's clock is off."""
    step_s, latest = facts.site.clock_step_s, facts.standing.latest
    if abs(step_s) > LARGEST_STEP_S:
        return Seen(True, f"the wall clock of the gateway was moved by {step_s:+.1f} s")
    alone_s = facts.site.unsynchronised_s
    if alone_s > LONGEST_UNSYNCHRONISED_S:
        why = f"the wall clock of the gateway has not been synchronised for {alone_s:.0f} s"
        return Seen(True, why)
    if latest is None:
        return CLEAR
    off = next((f for f in latest.findings if f.rule == CLOCK_RULE), None)
    if off is not None:
        return Seen(True, off.sentence)
    return None if latest.verdict is Verdict.REJECTED else CLEAR


def control_system_silent(facts: Facts) -> Seen | None:
    """The control system does not write its heartbeat."""
    return Seen(True, facts.site.silence) if facts.site.silence else CLEAR


def mqtt_away(facts: Facts) -> Seen | None:
    """An MQTT outlet has not brought its broker what it owes for longer than it may."""
    return Seen(True, facts.site.mqtt_away) if facts.site.mqtt_away else CLEAR


def mqtt_set_aside(facts: Facts) -> Seen | None:
    """A message that a broker will not have waits for somebody to look at it."""
    return Seen(True, facts.site.mqtt_set_aside) if facts.site.mqtt_set_aside else CLEAR


def shipping_behind(facts: Facts) -> Seen | None:
    """Sealed days are not in the store, for longer than they may lack there."""
    return Seen(True, facts.site.shipping_behind) if facts.site.shipping_behind else CLEAR

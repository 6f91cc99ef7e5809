"""The alarms of every analyzer, declared once. Pure.

From a declaration follow the published point, the row of `edgeflash alarms list` and the
documentation. Names, codes and order are for ever: a control system is built on them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from edgeflash.alarms import conditions
from edgeflash.alarms.conditions import (
    DEADBAND_C,
    LARGEST_STEP_S,
    LONGEST_UNSYNCHRONISED_S,
    LOW_ROOM_BYTES,
    STEADY_S,
    Facts,
    Seen,
)
from edgeflash.config.site import Alarm, Analyzer, Input, SiteFile


class Priority(StrEnum):
    """How soon somebody must act."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class SiteParts:
    """What of a site decides which alarms its analyzers have."""

    inputs: Sequence[Input] = ()
    has_mqtt: bool = False
    has_ship: bool = False

    @classmethod
    def of(cls, file: SiteFile) -> SiteParts:
        """The parts of a site file."""
        return cls(file.inputs, bool(file.mqtt), file.ship is not None)


NO_PARTS = SiteParts()


def _always(analyzer: Analyzer) -> bool:
    return True


def _anywhere(site: SiteParts) -> bool:
    return True


def _has_heartbeat(site: SiteParts) -> bool:
    return any(one.heartbeat for one in site.inputs)


def _has_mqtt(site: SiteParts) -> bool:
    return site.has_mqtt


def _has_ship(site: SiteParts) -> bool:
    return site.has_ship


def _has_product(analyzer: Analyzer) -> bool:
    named = (analyzer.product, analyzer.product_input, *(s.product for s in analyzer.streams))
    return any(named)


def _is_verified(analyzer: Analyzer) -> bool:
    return analyzer.verification is not None


@dataclass(frozen=True, slots=True)
class Declaration:
    """One alarm. code: its place; never used again.

    is_latched: once raised it stays until somebody acknowledges it, even after its condition is
    gone. on_delay_s, off_delay_s: how long the condition must hold, or be gone. is_instant: the
    on-delay is 0 and cannot be changed. is_always_on: it cannot be turned off. returns: what ends
    its condition. applies, applies_to_site: whether an analyzer, and a site, can have it.
    """

    code: int
    name: str
    title: str
    meaning: str
    returns: str
    response: str
    priority: Priority
    is_latched: bool
    condition: Callable[[Facts], Seen | None]
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    is_instant: bool = False
    is_always_on: bool = False
    applies: Callable[[Analyzer], bool] = _always
    needs: str = ""
    applies_to_site: Callable[[SiteParts], bool] = _anywhere


ALARMS: tuple[Declaration, ...] = (
    Declaration(
        0,
        "possible_low_flash",
        "AlarmPossibleLowFlash",
        "Evidence of a flash point below the product's limit or the start temperature, even from "
        "a rejected cycle.",
        "A later accepted cycle without such evidence.",
        "Treat the product as having a low flash point until a laboratory result says otherwise: "
        "stop or divert it as the site's procedure says, and take a sample.",
        Priority.HIGH,
        is_latched=True,
        condition=conditions.possible_low_flash,
        is_instant=True,
        is_always_on=True,
    ),
    Declaration(
        1,
        "below_limit",
        "AlarmBelowLimit",
        "The latest accepted or doubtful flash point is below the product's minimum.",
        f"An accepted flash point that lies at least {DEADBAND_C:g} °C above the limit, or an "
        "accepted one of a product without a limit.",
        "Hold or divert the product as the site's procedure says, and confirm with a laboratory "
        "sample.",
        Priority.HIGH,
        is_latched=True,
        condition=conditions.below_limit,
        applies=_has_product,
        needs="a product: `product`, `product_input`, or `product` of a stream",
    ),
    Declaration(
        2,
        "unavailable",
        "AlarmUnavailable",
        "The judged flash point has been shown with a bad quality for the on-delay.",
        "A flash point with a good or uncertain quality is shown.",
        "Control on something else. The point reason_text says what is wrong.",
        Priority.MEDIUM,
        is_latched=False,
        condition=conditions.unavailable,
        on_delay_s=60.0,
    ),
    Declaration(
        3,
        "verification_overdue",
        "AlarmVerificationOverdue",
        "The last check sample is longer ago than `due_days`, or there never was one.",
        "A check sample has been measured.",
        "Run a check sample.",
        Priority.LOW,
        is_latched=False,
        condition=conditions.verification_overdue,
        applies=_is_verified,
        needs="a `verification` table",
    ),
    Declaration(
        4,
        "history_shortage",
        "AlarmHistoryShortage",
        "Results cannot be written to the journal or the history, or less than "
        f"{LOW_ROOM_BYTES / 1e6:g} MB are free on a disk of theirs. Every analyzer shows it.",
        "Writing works again and there is room.",
        "Make room on the disk of the gateway, or mend it. A result that is not in the journal is "
        "not published.",
        Priority.MEDIUM,
        is_latched=False,
        condition=conditions.history_shortage,
        off_delay_s=60.0,
    ),
    Declaration(
        5,
        "clock",
        "AlarmClock",
        f"The wall clock of the gateway was moved by more than {LARGEST_STEP_S:g} s at once, or "
        f"has not been synchronised for more than {LONGEST_UNSYNCHRONISED_S:g} s, or the clock of "
        "the analyzer was off in the latest cycle (rule `clock_off`).",
        "By itself, the off-delay after the cause is gone. After a rejected cycle the clock of the "
        "analyzer is not known to be right.",
        "Find out who or what set the clock, and whether the time service of the machine runs and "
        "reaches its server: times in records may be wrong. No age and no quality depends on it.",
        Priority.LOW,
        is_latched=False,
        condition=conditions.clock,
        off_delay_s=600.0,
        is_instant=True,
    ),
    Declaration(
        6,
        "control_system_silent",
        "AlarmControlSystemSilent",
        "The control system has not written its heartbeat for longer than the `stale_s` of that "
        "input. Every analyzer shows it.",
        "The heartbeat is written again.",
        "Find out whether the control system still reads this gateway: who looks at its screens "
        "may see old values.",
        Priority.MEDIUM,
        is_latched=False,
        condition=conditions.control_system_silent,
        needs="an input with `heartbeat = true`",
        applies_to_site=_has_heartbeat,
    ),
    Declaration(
        7,
        "mqtt_away",
        "AlarmMqttAway",
        "An MQTT outlet has not been in session with its broker, or has not brought it what it "
        "owes, for longer than its `alarm_after_s`. Every analyzer shows it.",
        f"It has been in session for {STEADY_S:g} s, and delivers.",
        "The alarm names the outlet, the broker and the reason: find out whether the broker runs, "
        "can be reached and still knows this gateway. Results and events wait in the journal, on "
        "the disk of the gateway; whoever looks at the broker sees old values.",
        Priority.MEDIUM,
        is_latched=False,
        condition=conditions.mqtt_away,
        needs="an `[[mqtt]]` table",
        applies_to_site=_has_mqtt,
    ),
    Declaration(
        8,
        "mqtt_set_aside",
        "AlarmMqttSetAside",
        "A broker refuses a message of an MQTT outlet whenever it is offered, for a reason that "
        "concerns this message alone, so that it was set aside and those after it go on. Every "
        "analyzer shows it.",
        "The broker has taken every message that was set aside, or somebody has given them up.",
        "`edgeflash mqtt list` lists them with the broker's reason. Mend the broker (its largest "
        "packet, what it checks of payloads and topics) and have them tried again, or give them "
        "up: until then they are missing there.",
        Priority.MEDIUM,
        is_latched=False,
        condition=conditions.mqtt_set_aside,
        needs="an `[[mqtt]]` table",
        applies_to_site=_has_mqtt,
    ),
    Declaration(
        9,
        "shipping_behind",
        "AlarmShippingBehind",
        "For longer than the `alarm_after_s` of `[ship]`, no pass has brought all sealed days to "
        "the store. Every analyzer shows it.",
        "A pass has brought all of them.",
        "The alarm says why: find out whether the store runs, can be reached and takes our keys. "
        "The days wait in the history on the disk of the gateway, which deletes none of them.",
        Priority.LOW,
        is_latched=False,
        condition=conditions.shipping_behind,
        needs="a `[ship]` table",
        applies_to_site=_has_ship,
    ),
)

BY_NAME: dict[str, Declaration] = {alarm.name: alarm for alarm in ALARMS}


def in_force(analyzer: Analyzer, site: SiteParts = NO_PARTS) -> tuple[Declaration, ...]:
    """The alarms that this analyzer has, with the site file's delays."""
    return tuple(
        _with_delays(alarm, analyzer.alarms.get(alarm.name, Alarm()))
        for alarm in ALARMS
        if alarm.applies(analyzer)
        and alarm.applies_to_site(site)
        and (alarm.is_always_on or analyzer.alarms.get(alarm.name, Alarm()).enabled)
    )


def _with_delays(alarm: Declaration, change: Alarm) -> Declaration:
    on_s, off_s = change.on_delay_s, change.off_delay_s
    return replace(
        alarm,
        on_delay_s=alarm.on_delay_s if on_s is None or alarm.is_instant else on_s,
        off_delay_s=alarm.off_delay_s if off_s is None else off_s,
    )

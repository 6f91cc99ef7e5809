"""Signal rules: can the reading itself be trusted?"""

from __future__ import annotations

from edgeflash.config.site import Basis, Correction
from edgeflash.model import Role, Severity
from edgeflash.publication import LinkState
from edgeflash.rules.rule import (
    Breach,
    CycleContext,
    Family,
    LiveContext,
    Parameter,
    Parameters,
    Rule,
)
from edgeflash.trust import Category, Quality


def _link_down(c: LiveContext, p: Parameters) -> Breach | None:
    if c.link in (LinkState.UP, LinkState.MISCONFIGURED):
        return None
    return Breach(c.link_sentence or "the analyzer cannot be reached")


def _link_misconfigured(c: LiveContext, p: Parameters) -> Breach | None:
    if c.link is not LinkState.MISCONFIGURED:
        return None
    return Breach(c.link_sentence or "the analyzer refuses the mapped addresses")


def _scans_stale(c: LiveContext, p: Parameters) -> Breach | None:
    limit = p["stale_polls"] * c.analyzer.poll_s + c.analyzer.timeout_s * (c.analyzer.retries + 1)
    if c.link is not LinkState.UP or c.since_scan_s is None or c.since_scan_s <= limit:
        return None
    sentence = f"no reading for {c.since_scan_s:.1f} s although the connection stands"
    return Breach(sentence, c.since_scan_s, limit, "s")


def _torn_read(c: CycleContext, p: Parameters) -> Breach | None:
    if not c.cycle.torn:
        return None
    return Breach("the cycle number kept changing while the result was read")


def _not_available(c: CycleContext, p: Parameters) -> Breach | None:
    if c.computed.reported_c is not None or c.cycle.torn:
        return None
    seen = c.cycle.values.get(Role.IGNITION_SEEN) is True or bool(c.computed.ignition_count)
    if not seen:
        return None
    return Breach("an ignition was seen, but the analyzer gives no flash point")


def worst_fault(c: CycleContext | LiveContext, names: tuple[str, ...]) -> Breach | None:
    """A breach for the worst of the named fault bits, by NE 107 category."""
    place = c.register_map.roles.get(Role.FAULT_BITS)
    if place is None or not names:
        return None
    categories = {bit.name: bit.category for bit in (place.bits or {}).values()}
    severities = {
        Category.FAILURE: Severity.REJECT,
        Category.FUNCTION_CHECK: Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION: Severity.DOUBT,
        Category.MAINTENANCE_REQUIRED: Severity.NOTE,
        Category.OK: Severity.NOTE,
    }
    order = list(severities)
    known = sorted(names, key=lambda n: order.index(categories.get(n, Category.FAILURE)))
    category = categories.get(known[0], Category.FAILURE)
    text = ", ".join(n.replace("_", " ") for n in known)
    return Breach(f"the analyzer reports: {text}", severity=severities[category])


def _device_fault(c: CycleContext, p: Parameters) -> Breach | None:
    return worst_fault(c, c.cycle.faults_seen)


def _device_fault_now(c: LiveContext, p: Parameters) -> Breach | None:
    names = c.live.get(Role.FAULT_BITS)
    breach = worst_fault(c, names) if isinstance(names, tuple) else None
    return breach if breach is not None and breach.severity is Severity.REJECT else None


def _barometer_implausible(c: CycleContext, p: Parameters) -> Breach | None:
    uncorrected_reported = (
        c.analyzer.basis is Basis.REPORTED and c.analyzer.analyzer_corrects_barometer
    )
    if c.analyzer.correction is Correction.NONE or uncorrected_reported:
        return None
    pressure = c.computed.barometer_kpa
    low, high = p["low_kpa"], p["high_kpa"]
    usual = c.analyzer.barometer_kpa
    if pressure is None:
        return Breach("there is no barometer reading to correct the flash point with")
    if usual is not None and abs(pressure - usual) > p["apart_kpa"]:
        sentence = f"the barometer reads {pressure:.1f} kPa; usual here is {usual:g} kPa"
        return Breach(sentence, pressure, usual, "kPa")
    if low <= pressure <= high:
        return None
    sentence = f"a barometer reading of {pressure:.1f} kPa is not plausible at this site"
    return Breach(sentence, pressure, low if pressure < low else high, "kPa")


def _no_value(c: CycleContext, p: Parameters) -> Breach | None:
    if c.computed.corrected_c is not None:
        return None
    return Breach("the cycle gives no flash point to publish")


def _judging_failed(c: CycleContext, p: Parameters) -> Breach | None:
    """Never of itself: judge.unjudged makes this finding when the judging of a cycle fails."""
    return None


def _not_recorded(c: LiveContext, p: Parameters) -> Breach | None:
    if not c.storage_fault:
        return None
    return Breach(f"results cannot be recorded and are not published: {c.storage_fault}")


RULES: tuple[Rule, ...] = (
    Rule(
        101,
        "link_down",
        Family.SIGNAL,
        "The analyzer cannot be read.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE_NO_LINK,
        Quality.NO_COMMUNICATION,
        on_live=_link_down,
    ),
    Rule(
        102,
        "scans_stale",
        Family.SIGNAL,
        "The connection stands, but no reading has come for several polls.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE_NO_LINK,
        Quality.NO_COMMUNICATION,
        parameters=(Parameter("stale_polls", 5.0, "polls", "missed polls until stale"),),
        on_live=_scans_stale,
    ),
    Rule(
        103,
        "torn_read",
        Family.SIGNAL,
        "The cycle could not be read as one: its number changed during every reading.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.BAD,
        needs=(Role.CYCLE_NUMBER,),
        on_cycle=_torn_read,
    ),
    Rule(
        104,
        "not_available",
        Family.SIGNAL,
        "The analyzer saw an ignition but gives no number for the flash point.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.SENSOR_FAILURE,
        on_cycle=_not_available,
    ),
    Rule(
        105,
        "device_fault",
        Family.SIGNAL,
        "The analyzer reported a fault during the cycle; a failure rejects, others doubt.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.NOT_ACCURATE,
        Quality.DEVICE_FAILURE,
        needs=(Role.FAULT_BITS,),
        on_cycle=_device_fault,
    ),
    Rule(
        106,
        "barometer_implausible",
        Family.SIGNAL,
        "The barometer needed for the correction is missing or out of the plausible band.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.NOT_ACCURATE,
        Quality.SENSOR_FAILURE,
        needs=(Role.BAROMETRIC_PRESSURE,),
        parameters=(
            Parameter(
                "low_kpa", 82.0, "kPa", "lowest plausible", "ISO 2719 note: proven from 82.0 kPa"
            ),
            Parameter("high_kpa", 106.0, "kPa", "highest plausible"),
            Parameter("apart_kpa", 6.0, "kPa", "furthest from the site file's barometer_kpa"),
        ),
        on_cycle=_barometer_implausible,
    ),
    Rule(
        107,
        "device_fault_now",
        Family.SIGNAL,
        "The analyzer reports a failure at this moment.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.DEVICE_FAILURE,
        needs=(Role.FAULT_BITS,),
        on_live=_device_fault_now,
    ),
    Rule(
        108,
        "link_misconfigured",
        Family.SIGNAL,
        "The analyzer answers but refuses the mapped addresses: the register map does not fit it.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE_NO_LINK,
        Quality.CONFIGURATION,
        on_live=_link_misconfigured,
    ),
    Rule(
        109,
        "no_value",
        Family.SIGNAL,
        "The cycle gives no flash point at standard pressure. Always in force.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.NO_DATA,
        on_cycle=_no_value,
    ),
    Rule(
        110,
        "not_recorded",
        Family.SIGNAL,
        "New results cannot be written to the journal, so they are not published.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.NO_DATA,
        on_live=_not_recorded,
    ),
    Rule(
        111,
        "judging_failed",
        Family.SIGNAL,
        "The gateway itself failed while judging the cycle; its log says how.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.BAD,
        on_cycle=_judging_failed,
    ),
)

"""Signal rules: can the reading itself be trusted?"""

from __future__ import annotations

from edgeflash.config.site import Basis
from edgeflash.flash.finite import sampling_interval_s
from edgeflash.flash.gaps import Gap, gaps_longer_than, missing_fraction
from edgeflash.model import CycleSource, Role, Severity
from edgeflash.publication import LinkState
from edgeflash.rules import barometer
from edgeflash.rules.rule import (
    Breach,
    CycleContext,
    Family,
    LiveContext,
    Parameter,
    Parameters,
    Rule,
    TraceUse,
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


def _no_value(c: CycleContext, p: Parameters) -> Breach | None:
    if c.computed.corrected_c is not None:
        return None
    told = c.cycle.statuses.get(Role.FLASH_POINT)
    why = f": the analyzer's server says {told}" if told else ""
    return Breach(f"the cycle gives no flash point to publish{why}")


def _value_uncertain(c: CycleContext, p: Parameters) -> Breach | None:
    # What is called bad has no value: the rules on what is missing speak of it.
    told = {role: s for role, s in c.cycle.statuses.items() if not s.startswith("Bad")}
    if not told:
        return None
    which = ", ".join(f"{role.value.replace('_', ' ')} ({said})" for role, said in told.items())
    return Breach(f"the analyzer's server does not vouch for: {which}")


def _judging_failed(c: CycleContext, p: Parameters) -> Breach | None:
    """Never of itself: judge.unjudged makes this finding when the judging of a cycle fails."""
    return None


def _not_recorded(c: LiveContext, p: Parameters) -> Breach | None:
    if not c.storage_fault:
        return None
    return Breach(f"results cannot be recorded and are not published: {c.storage_fault}")


def _trace_gaps(c: CycleContext, p: Parameters) -> Breach | None:
    trace, onset_s = c.cycle.trace, c.computed.ignition_time_s
    if trace is None or c.cycle.torn:
        return None
    interval_s = sampling_interval_s(trace.time_s)
    if interval_s is not None and onset_s is not None:
        limit = max(p["gap_samples"] * interval_s, p["least_gap_s"])
        near = [
            gap
            for gap in gaps_longer_than(trace, limit)
            if gap.to_s >= onset_s - p["near_s"] and gap.from_s <= onset_s
        ]
        if near:
            worst = max(near, key=lambda gap: (gap.holds(onset_s), gap.length_s))
            return _gap_breach(worst, worst.holds(onset_s), limit)
    missing, most = missing_fraction(trace), p["missing_fraction"]
    if missing <= most:
        return None
    sentence = f"{missing:.0%} of the trace is not a number"
    return Breach(sentence, missing, most, "of samples", Severity.DOUBT)


def _trace_missing(c: CycleContext, p: Parameters) -> Breach | None:
    cycle, is_mapped = c.cycle, Role.TRACE_PRESSURE in c.register_map.roles
    if not is_mapped or cycle.trace is not None or cycle.torn:
        return None
    # Where the trace is to give the value, basis_substituted says that it could not.
    if cycle.source is CycleSource.RING or c.analyzer.basis is Basis.RECOMPUTED:
        return None
    return Breach("the analyzer gave no trace of the cycle, so that nothing checks its own figure")


def _gap_breach(gap: Gap, holds_ignition: bool, limit_s: float) -> Breach:
    where = "over the ignition" if holds_ignition else "before the ignition"
    sentence = f"the trace has no {gap.what} for {gap.length_s:.1f} s {where}"
    severity = Severity.REJECT if holds_ignition else Severity.DOUBT
    return Breach(sentence, gap.length_s, limit_s, "s", severity)


def _not_alive(c: LiveContext, p: Parameters) -> Breach | None:
    limit = max(p["still_s"], p["still_polls"] * c.analyzer.poll_s)
    if c.link is not LinkState.UP or c.alive_still_s is None or c.alive_still_s <= limit:
        return None
    sentence = f"the analyzer answers, but its sign of life stands for {c.alive_still_s:.0f} s"
    return Breach(sentence, c.alive_still_s, limit, "s")


def _clock_off(c: CycleContext, p: Parameters) -> Breach | None:
    ahead, limit = c.cycle.clock_ahead_s, p["most_s"]
    if ahead is None or abs(ahead) <= limit:
        return None
    way = "ahead of" if ahead > 0 else "behind"
    sentence = f"the analyzer's clock is {abs(ahead):.0f} s {way} ours; results are dated by ours"
    return Breach(sentence, ahead, limit if ahead > 0 else -limit, "s")


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
        always="a rejected cycle always says why",
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
    Rule(
        112,
        "trace_gaps",
        Family.SIGNAL,
        "Part of the trace is no number, or the trace has a gap at the ignition or before it.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.NOT_ACCURATE,
        Quality.SENSOR_FAILURE,
        trace=TraceUse.NEEDED,
        parameters=(
            Parameter("missing_fraction", 0.05, "of samples", "share that may be no number"),
            Parameter("gap_samples", 5.0, "samples", "longest gap, in sampling intervals"),
            Parameter("least_gap_s", 1.0, "s", "a shorter gap is none, however fine the trace"),
            Parameter("near_s", 20.0, "s", "how long before the ignition a gap counts"),
        ),
        on_cycle=_trace_gaps,
    ),
    Rule(
        113,
        "not_alive",
        Family.SIGNAL,
        "The analyzer answers, but its sign of life stands still: what it shows may be old.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.BAD,
        needs=(Role.ALIVE,),
        parameters=(
            Parameter("still_s", 30.0, "s", "longest time it may stand still"),
            Parameter("still_polls", 5.0, "polls", "and at least so many polls"),
        ),
        on_live=_not_alive,
    ),
    Rule(
        114,
        "clock_off",
        Family.SIGNAL,
        "The analyzer's clock is wrong. Its results are dated by the gateway's own clock.",
        Severity.NOTE,
        Category.MAINTENANCE_REQUIRED,
        Quality.GOOD,
        Quality.BAD,
        needs=(Role.RESULT_TIME,),
        parameters=(Parameter("most_s", 300.0, "s", "furthest from the gateway's clock"),),
        on_cycle=_clock_off,
    ),
    *barometer.RULES,
    Rule(
        116,
        "trace_missing",
        Family.SIGNAL,
        "The map has a trace, but none came with the cycle: the rules that look at it were blind.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        needs=(Role.TRACE_PRESSURE,),
        on_cycle=_trace_missing,
    ),
    Rule(
        117,
        "value_uncertain",
        Family.SIGNAL,
        "The analyzer's OPC UA server calls a value of the cycle uncertain, or put in by hand.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.NOT_ACCURATE,
        Quality.BAD,
        on_cycle=_value_uncertain,
    ),
)

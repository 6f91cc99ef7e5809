"""Barometer rules: can the correction to standard pressure be trusted?"""

from __future__ import annotations

from edgeflash.config.site import Basis, Correction
from edgeflash.flash.compute import barometer_read_kpa
from edgeflash.model import CycleSource, Role, Severity
from edgeflash.rules.rule import Breach, CycleContext, Family, Parameter, Parameters, Rule
from edgeflash.trust import Category, Quality

LOW_KPA, HIGH_KPA = 82.0, 106.0


def _gateway_uses_it(c: CycleContext) -> bool:
    """True when the gateway corrects the value to standard pressure."""
    corrected_before = c.analyzer.basis is Basis.REPORTED and c.analyzer.analyzer_corrects_barometer
    return c.analyzer.correction is not Correction.NONE and not corrected_before


def _analyzer_uses_it(c: CycleContext) -> bool:
    """True when the analyzer corrects, with the barometer that it shows."""
    is_shown = Role.BAROMETRIC_PRESSURE in c.register_map.roles
    return c.analyzer.analyzer_corrects_barometer and is_shown


def _barometer_implausible(c: CycleContext, p: Parameters) -> Breach | None:
    by_gateway = _gateway_uses_it(c)
    if not by_gateway and not _analyzer_uses_it(c):
        return None
    # A result from the ring comes without the pressure that it was corrected with.
    is_live = c.cycle.source is CycleSource.LIVE and not c.cycle.torn
    if not by_gateway and barometer_read_kpa(c.cycle) is None:
        said = "the analyzer corrects with its barometer, which gives no reading"
        return Breach(said) if is_live else None
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


def _barometer_jump(c: CycleContext, p: Parameters) -> Breach | None:
    span, read = c.cycle.spans.get(Role.BAROMETRIC_PRESSURE), barometer_read_kpa(c.cycle)
    is_used = _gateway_uses_it(c) or _analyzer_uses_it(c)
    if not is_used or read is None or c.cycle.torn:
        return None
    if span is not None and span.high - span.low > p["within_cycle_kpa"]:
        moved, limit = span.high - span.low, p["within_cycle_kpa"]
        return Breach(f"the barometer moved by {moved:.2f} kPa in the cycle", moved, limit, "kPa")
    before = c.previous
    if before is None or before.barometer_kpa is None:
        return None
    apart_s = (c.cycle.finished_at - before.finished_at).total_seconds()
    # What was out of the plausible band has been rejected for it, and is nothing to compare with.
    if apart_s > p["recent_s"] or not LOW_KPA <= before.barometer_kpa <= HIGH_KPA:
        return None
    moved = read - before.barometer_kpa
    if abs(moved) <= p["most_kpa"]:
        return None
    sentence = f"the barometer moved by {moved:+.2f} kPa since the last cycle"
    return Breach(sentence, moved, p["most_kpa"] if moved > 0 else -p["most_kpa"], "kPa")


RULES: tuple[Rule, ...] = (
    Rule(
        106,
        "barometer_implausible",
        Family.SIGNAL,
        "The barometer behind the correction is missing or not plausible, whoever corrects.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.NOT_ACCURATE,
        Quality.SENSOR_FAILURE,
        needs=(Role.BAROMETRIC_PRESSURE,),
        parameters=(
            Parameter(
                "low_kpa", LOW_KPA, "kPa", "lowest plausible", "ISO 2719 note: proven from 82.0 kPa"
            ),
            Parameter("high_kpa", HIGH_KPA, "kPa", "highest plausible"),
            Parameter("apart_kpa", 6.0, "kPa", "furthest from the site file's barometer_kpa"),
        ),
        on_cycle=_barometer_implausible,
    ),
    Rule(
        115,
        "barometer_jump",
        Family.SIGNAL,
        "The barometer behind the correction moved faster than the weather does, whoever corrects.",
        Severity.DOUBT,
        Category.FAILURE,
        Quality.NOT_ACCURATE,
        Quality.SENSOR_FAILURE,
        needs=(Role.BAROMETRIC_PRESSURE,),
        parameters=(
            Parameter("most_kpa", 1.0, "kPa", "largest move from one cycle to the next"),
            Parameter("within_cycle_kpa", 0.5, "kPa", "largest move within a cycle"),
            Parameter("recent_s", 3600.0, "s", "an older cycle tells nothing of this one"),
        ),
        on_cycle=_barometer_jump,
    ),
)

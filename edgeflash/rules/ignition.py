"""Ignition rules: was there a flash, and does the reported temperature belong to it?"""

from __future__ import annotations

import numpy as np

from edgeflash.config.site import Basis
from edgeflash.flash.compute import correction_due_c, ignition_temperature_c
from edgeflash.flash.pulse import PulseShape, pulse_shape
from edgeflash.model import CycleSource, Role, Severity
from edgeflash.rules.rule import Breach, CycleContext, Family, Parameter, Parameters, Rule, TraceUse
from edgeflash.trust import Category, Quality


def _no_ignition(c: CycleContext, p: Parameters) -> Breach | None:
    if c.cycle.torn:
        return None
    flag = c.cycle.values.get(Role.IGNITION_SEEN)
    in_trace = c.computed.ignition_count
    if in_trace is not None and in_trace > 0:
        return None
    claimed = flag is True or (flag is not False and c.computed.reported_c is not None)
    if in_trace is None and claimed:
        return None
    if in_trace == 0 and flag is True:
        return None
    return Breach(
        "no ignition by the end of the ramp: the flash point may lie above the range, "
        "or the igniter may be dead"
    )


def _weak(c: CycleContext, p: Parameters) -> Breach | None:
    peak, limit = c.computed.peak_kpa, p["least_peak_kpa"]
    if peak is None and not c.cycle.torn:
        peak = c.cycle.number_value(Role.PEAK_PRESSURE) if c.computed.reported_c else None
    if peak is None or peak >= limit:
        return None
    return Breach(f"the ignition reached only {peak:.1f} kPa", peak, limit, "kPa")


def _too_early(c: CycleContext, p: Parameters) -> Breach | None:
    count = c.cycle.number_value(Role.SPARK_COUNT)
    flash = ignition_temperature_c(c.cycle, c.computed)
    ignited = flash is not None or c.cycle.values.get(Role.IGNITION_SEEN) is True
    if not ignited or c.cycle.torn:
        return None
    if count is not None and count <= p["least_sparks"]:
        # An analyzer may count the sparks without a flash: 0 then means that the first one lit.
        at = f"at spark {count:.0f}" if count > 0 else "before a spark was counted"
        sentence = f"the sample lit {at}: it may flash below the start temperature"
        return Breach(sentence, count, p["least_sparks"], "sparks")
    start = c.computed.start_temperature_c
    if flash is None or start is None:
        return None
    above, limit = flash - start, p["least_above_start_c"]
    if above >= limit:
        return None
    sentence = f"the sample lit {above:.1f} °C above the start: it may flash below the start"
    return Breach(sentence, above, limit, "°C")


def _flag_disagrees(c: CycleContext, p: Parameters) -> Breach | None:
    flag, in_trace = c.cycle.values.get(Role.IGNITION_SEEN), c.computed.ignition_count
    if not isinstance(flag, bool) or in_trace is None or c.cycle.torn:
        return None
    if flag == (in_trace > 0):
        return None
    if flag:
        return Breach("the analyzer saw an ignition that its trace does not show")
    return Breach("the trace shows an ignition that the analyzer did not see")


def _recomputed_disagrees(c: CycleContext, p: Parameters) -> Breach | None:
    ours, theirs = c.computed.recomputed_c, c.computed.reported_c
    if ours is None or theirs is None:
        return None
    if c.analyzer.analyzer_corrects_barometer:
        due = correction_due_c(c.computed.barometer_kpa, c.analyzer.correction)
        if due is None:
            return None
        ours += due
    apart = abs(theirs - ours)
    if apart <= p["doubt_c"]:
        return None
    severity = Severity.REJECT if apart > p["reject_c"] else Severity.DOUBT
    limit = p["reject_c"] if severity is Severity.REJECT else p["doubt_c"]
    sentence = f"the analyzer reports {theirs:.2f} °C, its trace says {ours:.2f} °C"
    return Breach(sentence, apart, limit, "°C", severity)


def _not_a_flash(c: CycleContext, p: Parameters) -> Breach | None:
    trace, onset, peak = c.cycle.trace, c.computed.ignition_time_s, c.computed.peak_kpa
    if trace is None or onset is None or peak is None or c.computed.baseline_kpa is None:
        return None
    later = trace.pressure_kpa[trace.time_s >= onset + p["after_s"]]
    later = later[np.isfinite(later)]
    if len(later) < LEAST_LATER_SAMPLES:
        return None
    left = (float(np.median(later)) - c.computed.baseline_kpa) / peak
    if left <= p["most_left_fraction"]:
        return None
    sentence = f"{left:.0%} of the pressure rise still stood {p['after_s']:g} s later: a step"
    return Breach(sentence, left, p["most_left_fraction"], "of peak")


def _basis_substituted(c: CycleContext, p: Parameters) -> Breach | None:
    wanted = c.analyzer.basis is Basis.RECOMPUTED
    if not wanted or c.computed.basis != "reported" or c.cycle.source is CycleSource.RING:
        return None
    return Breach("the trace could not be used; the value is the analyzer's own")


def _pulse_shape(c: CycleContext, p: Parameters) -> Breach | None:
    shape = None if c.cycle.pulse is None or c.cycle.torn else pulse_shape(c.cycle.pulse)
    if shape is None:
        return None
    return _no_flash_shape(shape, p) or _odd_flash_shape(shape, p)


def _no_flash_shape(shape: PulseShape, p: Parameters) -> Breach | None:
    """What no flash does: stay, be gone at once, creep up."""
    left, most_left = shape.left_fraction, p["most_left_fraction"]
    if shape.after_peak_s >= p["most_decay_s"] / 2 and left > most_left:
        sentence = f"{left:.0%} of the pressure still stood {shape.after_peak_s:.2f} s on: a step"
        return Breach(sentence, left, most_left, "of peak")
    if shape.width_s is not None and shape.width_s < p["least_width_s"]:
        sentence = f"the pressure stood for {1000 * shape.width_s:.1f} ms only: a spark's pickup"
        return Breach(sentence, shape.width_s, p["least_width_s"], "s")
    if shape.rise_s is not None and shape.rise_s > p["most_rise_s"]:
        sentence = f"the pressure took {1000 * shape.rise_s:.0f} ms to rise: slower than any flash"
        return Breach(sentence, shape.rise_s, p["most_rise_s"], "s")
    return None


def _odd_flash_shape(shape: PulseShape, p: Parameters) -> Breach | None:
    """What a flash does seldom: rise or decay too fast, decay too slowly."""
    rise, decay = shape.rise_s, shape.decay_s
    if rise is not None and rise < p["least_rise_s"]:
        sentence = f"the pressure rose within {1000 * rise:.1f} ms: faster than a flash"
        return Breach(sentence, rise, p["least_rise_s"], "s", Severity.DOUBT)
    if decay is None:
        # Not down to a tenth when the capture ended: too slow, if it went on for long enough.
        decay = shape.after_peak_s if shape.after_peak_s > p["most_decay_s"] else None
    elif decay < p["least_decay_s"]:
        sentence = f"the pressure was gone within {1000 * decay:.0f} ms: faster than a flash"
        return Breach(sentence, decay, p["least_decay_s"], "s", Severity.DOUBT)
    if decay is None or decay <= p["most_decay_s"]:
        return None
    sentence = f"the pressure took {1000 * decay:.0f} ms or more to fall: slower than a flash"
    return Breach(sentence, decay, p["most_decay_s"], "s", Severity.DOUBT)


def _second_ignition(c: CycleContext, p: Parameters) -> Breach | None:
    count = c.computed.ignition_count
    if count is None or count <= p["most"]:
        return None
    sentence = f"the trace shows {count} ignitions; the first one counts"
    return Breach(sentence, float(count), p["most"], "ignitions")


LEAST_LATER_SAMPLES = 3

RULES: tuple[Rule, ...] = (
    Rule(
        301,
        "no_ignition",
        Family.IGNITION,
        "Nothing lit by the end of the ramp: flash point above the range, or a dead igniter.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.LAST_USABLE,
        Quality.OUT_OF_RANGE,
        on_cycle=_no_ignition,
    ),
    Rule(
        302,
        "ignition_weak",
        Family.IGNITION,
        "The pressure rise is smaller than a flash makes: fouled electrodes, little air, no seal.",
        Severity.DOUBT,
        Category.MAINTENANCE_REQUIRED,
        Quality.SUB_NORMAL,
        Quality.BAD,
        needs=(Role.PEAK_PRESSURE,),
        trace=TraceUse.INSTEAD,
        parameters=(
            Parameter(
                "least_peak_kpa",
                20.0,
                "kPa",
                "smallest rise of a sound flash",
                "ASTM D6450 and D7094 call a rise above 20 kPa a flash",
            ),
        ),
        on_cycle=_weak,
    ),
    Rule(
        303,
        "ignition_too_early",
        Family.IGNITION,
        "The sample lit at or near the first spark, so the true flash point may be lower.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.LAST_USABLE,
        Quality.OUT_OF_RANGE,
        parameters=(
            Parameter("least_sparks", 3.0, "sparks", "sparks that must not light it"),
            Parameter("least_above_start_c", 3.0, "°C", "least rise above the start"),
        ),
        low_flash=True,
        on_cycle=_too_early,
    ),
    Rule(
        304,
        "ignition_flag_disagrees",
        Family.IGNITION,
        "The analyzer's ignition flag and the pressure trace contradict each other.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.BAD,
        needs=(Role.IGNITION_SEEN,),
        trace=TraceUse.NEEDED,
        on_cycle=_flag_disagrees,
    ),
    Rule(
        305,
        "recomputed_disagrees",
        Family.IGNITION,
        "The reported flash point is not the one that its own trace shows.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.SUB_NORMAL,
        Quality.BAD,
        trace=TraceUse.NEEDED,
        parameters=(
            Parameter("doubt_c", 1.0, "°C", "difference that raises doubt"),
            Parameter("reject_c", 2.0, "°C", "difference that rejects"),
        ),
        on_cycle=_recomputed_disagrees,
    ),
    Rule(
        306,
        "basis_substituted",
        Family.IGNITION,
        "The recomputed value was asked for but could not be made; the reported one stands in.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        on_cycle=_basis_substituted,
    ),
    Rule(
        307,
        "not_a_flash",
        Family.IGNITION,
        "The pressure rose and stayed: a valve or a blockage, not a flash, which decays.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.BAD,
        trace=TraceUse.NEEDED,
        parameters=(
            Parameter("after_s", 1.0, "s", "time by which a flash has decayed"),
            Parameter("most_left_fraction", 0.5, "of peak", "rise that may be left by then"),
        ),
        on_cycle=_not_a_flash,
    ),
    Rule(
        308,
        "pulse_shape",
        Family.IGNITION,
        "The fast capture of the pressure does not look like a flash.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.SUB_NORMAL,
        Quality.BAD,
        needs=(Role.PULSE_PRESSURE,),
        parameters=(
            Parameter("least_rise_s", 0.002, "s", "shortest rise from 10 to 90 %"),
            Parameter("most_rise_s", 0.2, "s", "longest rise; a longer one rejects"),
            Parameter("least_width_s", 0.002, "s", "shortest pulse; a shorter one rejects"),
            Parameter("least_decay_s", 0.02, "s", "shortest fall to 10 %"),
            Parameter("most_decay_s", 0.5, "s", "longest fall to 10 %"),
            Parameter("most_left_fraction", 0.5, "of peak", "more at the end is a step: rejects"),
        ),
        on_cycle=_pulse_shape,
    ),
    Rule(
        309,
        "second_ignition",
        Family.IGNITION,
        "The trace shows more than one ignition. The first one is taken.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        trace=TraceUse.NEEDED,
        parameters=(Parameter("most", 1.0, "ignitions", "ignitions of an ordinary cycle"),),
        on_cycle=_second_ignition,
    ),
)

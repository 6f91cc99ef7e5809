"""Whether the cup holds the present stream and product yet. Pure."""

from __future__ import annotations

import math

from edgeflash.model import Role, Severity
from edgeflash.rules.memory import Remembered
from edgeflash.rules.rule import Breach, CycleContext, Parameters

SETTLING = "settling"


def settling(c: CycleContext, p: Parameters) -> Breach | None:
    """The breach of a cycle that saw two streams, or was filled too soon after a change."""
    cycle = c.cycle
    if len(cycle.streams) > 1:
        numbers = ", ".join(str(number) for number in cycle.streams)
        return Breach(f"the stream changed during the cycle: {numbers}", severity=Severity.REJECT)
    flowing_s, needed_s = flowing_before_filling_s(c), needed_before_filling_s(c)
    if flowing_s is None:
        return None
    if flowing_s >= needed_s:
        sentence = "the first cycle after a change of product: the cup may hold some of the other"
        return Breach(sentence, severity=Severity.DOUBT) if _is_first_of_product(c) else None
    sentence = (
        f"the cup was filled {flowing_s:.0f} s after a change of stream or product; the way from "
        f"the tap and the flushing take {needed_s:.0f} s"
    )
    return Breach(sentence, flowing_s, needed_s, "s", Severity.DOUBT)


def products_before(c: CycleContext) -> set[str]:
    """What else a cup may hold that has not settled: back to the last cycle that had."""
    names: set[str] = set()
    for r in reversed(c.memory.past):
        names.add(r.product)
        if SETTLING not in r.reasons:
            break
    return names


def needed_before_filling_s(c: CycleContext) -> float:
    """From a change at the tap until the cup holds the new product: transport lag and flushing.

    Without any known flow the flushing cannot be timed, and the lag alone counts.
    """
    analyzer, span = c.analyzer, c.cycle.spans.get(Role.SAMPLE_FLOW)
    flow_ml_per_min = analyzer.sample_flow_ml_per_min if span is None else span.mean
    if analyzer.flush_volume_ml == 0.0 or flow_ml_per_min is None:
        return analyzer.transport_lag_s
    if flow_ml_per_min <= 0.0:
        return math.inf
    return analyzer.transport_lag_s + 60.0 * analyzer.flush_volume_ml / flow_ml_per_min


def flowing_before_filling_s(c: CycleContext) -> float | None:
    """How long the present stream and product had been flowing when the cup was filled.

    At least that long: where the change was not watched, only the whole cycles since count. None
    when no change is known.
    """
    cycle, other = c.cycle, _last_other(c)
    of_stream_s = None
    if cycle.on_stream_s is not None and cycle.duration_s is not None:
        of_stream_s = max(0.0, cycle.on_stream_s - cycle.duration_s)
    if other is None:
        return of_stream_s
    whole_s = _whole_cycles_s(c, other)
    if c.memory.past[other].stream != c.assessment.stream:
        return whole_s if of_stream_s is None else of_stream_s
    return whole_s if of_stream_s is None else min(whole_s, of_stream_s)


def _is_first_of_product(c: CycleContext) -> bool:
    """True when the product has changed since the last cycle, and nobody saw when.

    Where it goes with the stream, a change that was watched tells how long it has been flowing.
    """
    place, past = _last_other(c), c.memory.past
    if place is None or past[place].product == c.product_name:
        return False
    if past[place].stream != c.assessment.stream and c.cycle.on_stream_s is not None:
        return False
    return not any(_is_comparable(r, c) for r in past[place + 1 :])


def _is_comparable(r: Remembered, c: CycleContext) -> bool:
    """A cycle caught up from the ring does not know its stream, and so says nothing."""
    return (r.stream is None) == (c.assessment.stream is None)


def _last_other(c: CycleContext) -> int | None:
    """Place of the last remembered cycle of another stream or product; None without one."""
    this, past = (c.assessment.stream, c.product_name), c.memory.past
    for i in range(len(past) - 1, -1, -1):
        if _is_comparable(past[i], c) and (past[i].stream, past[i].product) != this:
            return i
    return None


def _whole_cycles_s(c: CycleContext, other: int) -> float:
    """Length of the cycles that surely began after the change: all after the first since."""
    since = c.memory.past[other + 2 :]
    return sum((r.duration_s or 0.0 for r in since), start=0.0)

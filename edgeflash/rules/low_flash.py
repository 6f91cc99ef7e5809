"""Evidence of a possibly low flash point. It stands apart from the verdict on purpose.

A rejected cycle can still be the truth: light contamination shows as an ignition at the first
spark or as a value below the range. Whatever the verdict, evidence raises the alarm; only an
accepted cycle of the same stream without such evidence clears it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import isfinite

from edgeflash.config.site import Analyzer, Product
from edgeflash.flash.compute import (
    barometer_or_usual_kpa,
    correction_due_c,
    ignition_temperature_c,
    without_lift_c,
)
from edgeflash.model import Cycle, Finding, Result, Role, Severity, Verdict
from edgeflash.rules.catalogue import BY_CODE, BY_NAME
from edgeflash.rules.memory import LOW_FLASH_STANDS, Memory, is_check_sample
from edgeflash.rules.rule import CycleContext

BAROMETER_CODES = frozenset(
    BY_NAME[name].code for name in ("barometer_implausible", "barometer_jump")
)

STANDS = BY_NAME[LOW_FLASH_STANDS]


def below_minimum(value_c: float, product: Product | None) -> bool:
    """True when a flash point at standard pressure fails the product's minimum."""
    if product is None or product.minimum_c is None:
        return False
    if product.strict_minimum:
        return value_c <= product.minimum_c
    return value_c < product.minimum_c


def low_flash_evidence(context: CycleContext, breached: tuple[Finding, ...]) -> bool:
    """True when what this cycle shows is compatible with a flash point that is too low.

    Looks at the reported and the recomputed temperature, and without either at where the
    analyzer says it lit. A declared check sample says nothing about the product.
    """
    if is_check_sample(context.cycle):
        return False
    if any(BY_CODE[finding.code].low_flash for finding in breached):
        return True
    is_doubted = any(finding.code in BAROMETER_CODES for finding in breached)
    return any(
        observed_c < context.analyzer.range_low_c or below_minimum(standard_c, context.limit)
        for observed_c, standard_c in _seen(context, is_doubted)
    )


def _seen(context: CycleContext, is_doubted: bool) -> Iterator[tuple[float, float]]:
    """Each flash point the cycle shows: as observed at the most, and at standard pressure.

    is_doubted: the barometer is not believed, and must not lift a value over the limit, neither
    by our correction nor by the analyzer's own.
    """
    cycle, computed, analyzer = context.cycle, context.computed, context.analyzer
    due_c = correction_due_c(computed.barometer_kpa, analyzer.correction) or 0.0
    if is_doubted:
        due_c = min(0.0, due_c)
    down_c = min(0.0, due_c)
    reported_c, recomputed_c = computed.reported_c, computed.recomputed_c
    if recomputed_c is not None:
        yield recomputed_c + down_c, recomputed_c + due_c
    if reported_c is not None and not analyzer.analyzer_corrects_barometer:
        yield reported_c + down_c, reported_c + due_c
    elif reported_c is not None:
        own_c = without_lift_c(reported_c, cycle, analyzer) if is_doubted else reported_c
        yield own_c + down_c, own_c
    elif recomputed_c is None and (lit_c := ignition_temperature_c(cycle, computed)) is not None:
        yield lit_c + down_c, lit_c + due_c


def low_flash_unjudged(cycle: Cycle, analyzer: Analyzer, product: Product | None) -> bool:
    """The evidence of a cycle whose judging failed: by the reported flash point alone.

    No number at all counts as evidence, and no barometer, which nobody has checked, lifts it.
    """
    reported_c = cycle.number_value(Role.FLASH_POINT)
    if reported_c is None or not isfinite(reported_c):
        return True
    lowest_c = without_lift_c(reported_c, cycle, analyzer)
    if not analyzer.analyzer_corrects_barometer:
        pressure_kpa = barometer_or_usual_kpa(cycle, analyzer)
        lowest_c += min(0.0, correction_due_c(pressure_kpa, analyzer.correction) or 0.0)
    return lowest_c < analyzer.range_low_c or below_minimum(lowest_c, product)


def with_alarm(result: Result, memory: Memory, analyzer: Analyzer) -> Result:
    """A result with the alarm after it, and a note for each stream that the alarm stands for.

    An accepted cycle without evidence clears the alarm of its own stream only; a check sample
    clears none. Evidence of a cycle whose stream is not known (one from the ring) may be of any
    stream that is remembered: it stands for all of them. Where none is, and where the site declares
    no streams, everything is one stream, and any accepted cycle clears.
    """
    declared = {stream.number for stream in analyzer.streams}
    own = declared & {result.assessment.stream}
    clears = result.verdict is Verdict.ACCEPTED and not is_check_sample(result.cycle)
    held = set(memory.low_flash_streams) & declared
    if result.low_flash:
        held |= own or declared & {r.stream for r in memory.past}
    elif clears:
        held -= own
    alarm = result.low_flash or (memory.low_flash_alarm and not clears)
    others = [f for f in result.findings if f.code != STANDS.code]
    return replace(
        result,
        low_flash_alarm=alarm or bool(held),
        findings=(*others, *(_stands(number, held) for number in sorted(held))),
    )


def _stands(number: int, held: set[int]) -> Finding:
    """Each note names all the streams, so that one alone tells the whole."""
    names = " and ".join(str(n) for n in sorted(held))
    many = "streams" if len(held) > 1 else "stream"
    sentence = (
        f"the possible low flash point of {many} {names} stands; only an accepted cycle of the "
        "same stream clears it"
    )
    return Finding(STANDS.code, STANDS.name, Severity.NOTE, sentence, float(number))

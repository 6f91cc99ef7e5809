"""Evidence of a possibly low flash point. It stands apart from the verdict on purpose.

A rejected cycle can still be the truth: light contamination shows as an ignition at the first
spark or as a value below the range. Whatever the verdict, evidence raises the alarm; only an
accepted cycle without such evidence clears it.
"""

from __future__ import annotations

from edgeflash.config.site import Product
from edgeflash.flash.compute import correction_due_c, ignition_temperature_c
from edgeflash.model import Finding, Phase, Role, Verdict
from edgeflash.rules.catalogue import BY_CODE, BY_NAME
from edgeflash.rules.rule import CycleContext

BAROMETER_CODES = frozenset(
    BY_NAME[name].code for name in ("barometer_implausible", "barometer_jump")
)


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
    cycle, computed = context.cycle, context.computed
    if Phase.CHECK_SAMPLE in (cycle.phases or (cycle.values.get(Role.PHASE),)):
        return False
    if any(BY_CODE[finding.code].low_flash for finding in breached):
        return True
    due = correction_due_c(computed.barometer_kpa, context.analyzer.correction) or 0.0
    if any(finding.code in BAROMETER_CODES for finding in breached):
        due = min(0.0, due)  # a wrong barometer must not lift a value over the limit
    seen = [computed.recomputed_c, computed.reported_c]
    if seen == [None, None]:
        seen = [ignition_temperature_c(cycle, computed)]
    for observed in seen:
        if observed is None:
            continue
        if observed + min(0.0, due) < context.analyzer.range_low_c:
            return True
        is_corrected = (
            observed == computed.reported_c and context.analyzer.analyzer_corrects_barometer
        )
        if below_minimum(observed + (0.0 if is_corrected else due), context.product):
            return True
    return False


def alarm_after(alarm_before: bool, low_flash: bool, verdict: Verdict) -> bool:
    """The possible-low-flash alarm after a cycle."""
    if low_flash:
        return True
    return alarm_before and verdict is not Verdict.ACCEPTED

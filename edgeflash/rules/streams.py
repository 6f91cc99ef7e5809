"""Stream rules: is it known what was measured?"""

from __future__ import annotations

from edgeflash.model import CycleSource, Role, Severity
from edgeflash.rules.rule import Breach, CycleContext, Family, Parameters, Rule
from edgeflash.trust import Category, Quality


def _stream_unknown(c: CycleContext, p: Parameters) -> Breach | None:
    declared = [s.number for s in c.analyzer.streams]
    if not declared or c.cycle.source is CycleSource.RING or c.cycle.torn:
        return None
    if Role.STREAM not in c.register_map.roles or c.cycle.stream in declared:
        return None
    if c.cycle.stream is None:
        return Breach("the analyzer does not say which stream it measured")
    sentence = f"the analyzer measured stream {c.cycle.stream}, which the site file does not have"
    return Breach(sentence, float(c.cycle.stream))


def _product_unknown(c: CycleContext, p: Parameters) -> Breach | None:
    wanted = c.analyzer.product_input
    if wanted is None:
        return None
    reading = next((r for r in c.inputs if r.name == wanted), None)
    judged_as = f"; judged as {c.product_name}" if c.product_name else ""
    if reading is None or not reading.is_good:
        state = "is not good" if reading is not None else "was never written"
        return Breach(f"the input {wanted}, which names the product, {state}{judged_as}")
    if c.product is not None and c.product.number == reading.value:
        return None
    sentence = f"no product has the number {reading.value:g} of the input {wanted}{judged_as}"
    if c.analyzer.streams and c.cycle.stream not in {s.number for s in c.analyzer.streams}:
        sentence = (
            f"the number {reading.value:g} of the input {wanted} names no product of a stream that "
            f"is not known{judged_as}"
        )
    return Breach(sentence, reading.value)


RULES: tuple[Rule, ...] = (
    Rule(
        217,
        "stream_unknown",
        Family.CYCLE,
        "The site file does not have the stream that was measured, so its limits are not known.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        needs=(Role.STREAM,),
        keys=("streams",),
        on_cycle=_stream_unknown,
    ),
    Rule(
        218,
        "product_unknown",
        Family.CYCLE,
        "The control system does not say which product was measured.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        keys=("product_input",),
        on_cycle=_product_unknown,
    ),
)

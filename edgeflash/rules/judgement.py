"""The judging of one analyzer's cycles, as its site file has it. Pure.

Two steps, so that a long history can be judged again on all cores: `examine` asks what a cycle
shows by itself, from its trace, which is the work; `conclude` asks what it means after those
before it, in their order, which is little.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from math import inf

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.site import Analyzer, Product, Site, Stream
from edgeflash.flash.assess import assess
from edgeflash.flash.compute import compute
from edgeflash.flash.products import resolved
from edgeflash.model import Assessment, Computed, Cycle, Finding, InputReading, Result, Role, Scalar
from edgeflash.rules.judge import findings, result_of, unjudged
from edgeflash.rules.memory import Memory
from edgeflash.rules.rule import CycleContext
from edgeflash.rules.settling import products_before, settling
from edgeflash.rules.tuning import Tuned, rulebook


@dataclass(frozen=True, slots=True)
class Situation:
    """What holds for one stream and product: the analyzer as it is then, and its rules."""

    analyzer: Analyzer
    product_name: str
    product: Product | None
    rulebook: tuple[Tuned, ...]


@dataclass(frozen=True, slots=True)
class Examined:
    """What a cycle shows by itself."""

    computed: Computed
    findings: tuple[Finding, ...]


class Judgement:
    """Judges the cycles of one analyzer. Holds configuration only, no state."""

    def __init__(
        self, analyzer: Analyzer, register_map: AnalyzerMap, products: Mapping[str, Product]
    ) -> None:
        self.analyzer = analyzer
        self._map = register_map
        self._products = {name: resolved(product) for name, product in products.items()}
        self._by_number = {
            product.number: name for name, product in products.items() if product.number is not None
        }
        self._made_situation = cache(self._new_situation)

    @classmethod
    def of_site(cls, site: Site, analyzer: Analyzer) -> Judgement:
        """The judgement of one of the site's analyzers."""
        return cls(analyzer, site.maps[analyzer.id], site.file.products)

    def present_rules(self, live: Mapping[Role, Scalar]) -> tuple[Tuned, ...]:
        """The rules in force at a moment: those of the stream that flows then."""
        stream = live.get(Role.STREAM)
        if isinstance(stream, float) and stream.is_integer():
            stream = int(stream)
        return self._situation(stream if isinstance(stream, int) else None, None).rulebook

    def situation(self, cycle: Cycle, inputs: tuple[InputReading, ...] = ()) -> Situation:
        """What holds for this cycle."""
        return self._situation(cycle.stream, self._product_told(inputs))

    def examine(self, cycle: Cycle, inputs: tuple[InputReading, ...] = ()) -> Examined:
        """What the cycle shows by itself."""
        situation = self.situation(cycle, inputs)
        context = CycleContext(
            cycle,
            compute(cycle, situation.analyzer),
            situation.analyzer,
            self._map,
            situation.product,
            situation.product_name,
            inputs,
        )
        own = [t for t in situation.rulebook if not t.rule.looks_back]
        return Examined(context.computed, findings(context, own))

    def conclude(
        self,
        cycle: Cycle,
        examined: Examined,
        memory: Memory,
        judged_at: datetime,
        inputs: tuple[InputReading, ...] = (),
    ) -> Result:
        """The result of an examined cycle after what is remembered."""
        situation, computed = self.situation(cycle, inputs), examined.computed
        context = CycleContext(
            cycle,
            computed,
            situation.analyzer,
            self._map,
            situation.product,
            situation.product_name,
            inputs,
            Assessment(stream=cycle.stream),
            memory,
        )
        if settling(context, {}) is not None:
            names = {situation.product_name, *products_before(context)}
            context = replace(context, strictest=self._strictest(cycle, inputs, names))
        assessment = assess(cycle, computed, situation.analyzer, context.limit, inputs)
        context = replace(context, assessment=assessment)
        return result_of(context, situation.rulebook, examined.findings, judged_at)

    def judge(
        self,
        cycle: Cycle,
        memory: Memory,
        judged_at: datetime,
        inputs: tuple[InputReading, ...] = (),
    ) -> Result:
        """Both steps at once."""
        return self.conclude(cycle, self.examine(cycle, inputs), memory, judged_at, inputs)

    def failed(
        self,
        cycle: Cycle,
        failure: str,
        memory: Memory,
        judged_at: datetime,
        inputs: tuple[InputReading, ...] = (),
    ) -> Result:
        """The result of a cycle whose judging failed."""
        situation = self.situation(cycle, inputs)
        # Whether the cup has settled is not known either.
        names = {situation.product_name, *(r.product for r in memory.past[-1:])}
        return unjudged(
            cycle,
            situation.analyzer,
            self._strictest(cycle, inputs, names),
            situation.product_name,
            failure=failure,
            memory=memory,
            judged_at=judged_at,
            inputs=inputs,
        )

    def _product_told(self, inputs: tuple[InputReading, ...]) -> str | None:
        """The product that the control system names; None when it does not, or not well."""
        for reading in inputs:
            if reading.name == self.analyzer.product_input and reading.is_good:
                is_whole = reading.value.is_integer()
                return self._by_number.get(int(reading.value)) if is_whole else None
        return None

    def _strictest(
        self, cycle: Cycle, inputs: tuple[InputReading, ...], names: set[str]
    ) -> Product | None:
        """The strictest of these products and of those of all streams that the cycle saw."""
        told = self._product_told(inputs)
        seen = {self._situation(stream, told).product_name for stream in cycle.streams}
        return self._products.get(self._strictest_of(names | seen))

    def _strictest_of_all(self) -> str:
        """The strictest of the products that may be flowing.

        Nobody knows which it is, and too mild a limit could keep a danger silent.
        """
        names = {self.analyzer.product or "", *(s.product or "" for s in self.analyzer.streams)}
        if self.analyzer.product_input is not None:
            names |= set(self._by_number.values())
        return self._strictest_of(names)

    def _strictest_of(self, names: set[str]) -> str:
        """The product of the highest limit; of equal ones, that whose limit itself fails."""

        def strictness(name: str) -> tuple[float, bool]:
            product = self._products.get(name)
            if product is None or product.minimum_c is None:
                return -inf, False
            return product.minimum_c, bool(product.strict_minimum)

        return max(sorted(name for name in names if name), key=strictness, default="")

    def _situation(self, stream: int | None, product_told: str | None) -> Situation:
        """What holds; a stream that is not declared is as unknown as none, whatever its number."""
        is_declared = stream_of(self.analyzer, stream) is not None
        return self._made_situation(stream if is_declared else None, product_told)

    def _new_situation(self, stream: int | None, product_told: str | None) -> Situation:
        analyzer = for_stream(self.analyzer, stream)
        name = product_told or analyzer.product or ""
        is_input_silent = self.analyzer.product_input is not None and product_told is None
        is_stream_unknown = bool(self.analyzer.streams) and stream_of(analyzer, stream) is None
        if is_input_silent or is_stream_unknown:
            name = self._strictest_of_all()
        product = self._products.get(name)
        return Situation(analyzer, name, product, rulebook(analyzer))


def stream_of(analyzer: Analyzer, number: int | None) -> Stream | None:
    """The declared stream of that number."""
    return next((s for s in analyzer.streams if s.number == number), None)


def for_stream(analyzer: Analyzer, number: int | None) -> Analyzer:
    """The analyzer as it is while it measures that stream."""
    stream = stream_of(analyzer, number)
    if stream is None:
        return analyzer
    own = {
        name: value
        for name in (
            "product",
            "expected_c",
            "transport_lag_s",
            "flush_volume_ml",
            "prediction",
        )
        if (value := getattr(stream, name)) is not None
    }
    return analyzer.model_copy(update={**own, "rules": {**analyzer.rules, **stream.rules}})


__all__ = ["Examined", "Judgement", "Situation", "for_stream", "stream_of"]

"""What must hold whatever the site file says: no rule of last resort gone, no limit forgotten."""

from __future__ import annotations

from typing import Any

import pytest

from edgeflash.config.site import Product
from edgeflash.model import InputReading, Role
from edgeflash.rules.judge import unjudged
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import EMPTY, Memory
from edgeflash.rules.tuning import tuning_mistakes
from tests.simulated_line import BENCH_CUP, bench_analyzer
from tests.unit.rules.contexts import AT, SOUND, spoiled


@pytest.mark.parametrize(
    ("tuning", "is_refused"),
    [
        ({"enabled": False, "because": "test"}, True),
        ({"severity": "note"}, True),
        ({"severity": "reject"}, True),
        ({}, False),
    ],
)
def test_the_rule_of_a_missing_value_stays_as_it_is(
    tuning: dict[str, Any], is_refused: bool
) -> None:
    """A rejected cycle always says why: it is neither switched off nor given a severity."""
    found = list(tuning_mistakes(bench_analyzer(rules={"no_value": tuning})))
    assert [keys for keys, _ in found] == ([("no_value",)] if is_refused else [])
    assert all("always in force" in problem for _, problem in found)


@pytest.mark.parametrize("without", ["additive", "zinc-wash"])
def test_a_product_without_a_limit_is_never_the_strictest(without: str) -> None:
    """On a stream nobody declared, the product that has a limit is judged by, whatever the order
    of the names."""
    streams = [{"number": 1, "product": without}, {"number": 2, "product": "gas-oil"}]
    products = {without: Product(), "gas-oil": Product(minimum_c=55.0)}
    made = Judgement(bench_analyzer(product=without, streams=streams), BENCH_CUP, products)
    unknown = made.situation(spoiled({Role.STREAM: 7}))
    assert unknown.product_name == "gas-oil"
    assert unknown.product is not None
    assert unknown.product.minimum_c == 55.0


def test_without_any_product_the_unknown_has_no_name() -> None:
    """Streams that name no product leave nothing to judge by, and that is no failure."""
    made = Judgement(bench_analyzer(product=None, streams=[{"number": 1}]), BENCH_CUP, {})
    unknown = made.situation(spoiled({Role.STREAM: 7}))
    assert (unknown.product_name, unknown.product) == ("", None)


@pytest.mark.parametrize("reported_c", [62.0, 48.0, None])
def test_a_cycle_that_cannot_be_judged_keeps_what_was_reported(reported_c: float | None) -> None:
    """Rejected, but the number the analyzer gave is in the record."""
    cycle = spoiled({Role.FLASH_POINT: reported_c})
    result = unjudged(
        cycle,
        bench_analyzer(),
        Product(minimum_c=55.0),
        "gas-oil",
        failure="x",
        memory=Memory(),
        judged_at=AT,
    )
    assert (result.computed.reported_c, result.published_c) == (reported_c, None)


def test_a_result_keeps_the_inputs_it_was_judged_with() -> None:
    """Else nobody could judge it again."""
    told = (InputReading("grade", 3.0, True, 1.0),)
    made = Judgement(
        bench_analyzer(product="gas-oil", product_input="grade"),
        BENCH_CUP,
        {"gas-oil": Product(minimum_c=55.0, number=3)},
    )
    assert made.judge(SOUND, EMPTY, AT, told).inputs == told

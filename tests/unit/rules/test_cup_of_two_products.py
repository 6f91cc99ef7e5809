"""While the cup may still hold the product before, its limit holds too.

Limits: 55 °C for gas oil (EN 590), 38 °C for jet fuel (Jet A-1); from memory. 50 °C is good for
the one and a danger for the other.
"""

from __future__ import annotations

from typing import Any

import pytest

from edgeflash.config.site import Product
from edgeflash.model import InputReading, Result, Role, Verdict
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import EMPTY
from tests.simulated_line import BENCH_CUP, bench_analyzer
from tests.unit.rules.contexts import AT, spoiled
from tests.unit.rules.pasts import plain_cycle

ACCEPTED, DOUBTFUL, REJECTED = Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.REJECTED
PRODUCTS = {
    "gas-oil": Product(minimum_c=55.0, strict_minimum=True, number=1),
    "jet": Product(minimum_c=38.0, number=2),
    "marine": Product(minimum_c=60.0, number=3),
}
NUMBERS = {name: product.number for name, product in PRODUCTS.items()}
PLAIN = {
    name: {"enabled": False, "because": "plain cycles"}
    for name in ("trace_missing", "outlier", "frozen", "counter_repeated")
}
TWO = [{"number": 1, "product": "gas-oil"}, {"number": 2, "product": "jet"}]


class Cup:
    """Cycles of an analyzer whose product the control system tells, or its stream."""

    def __init__(self, **changes: Any) -> None:
        given: dict[str, Any] = {"product": None, "basis": "reported", "rules": PLAIN, **changes}
        self.judgement = Judgement(bench_analyzer(**given), BENCH_CUP, PRODUCTS)
        self.memory = EMPTY
        self.number = 0

    def judge(self, product: str, value_c: float, **changes: Any) -> Result:
        """The result of the next cycle, of the product that the control system tells."""
        self.number += 1
        values = {
            Role.STREAM: changes.pop("stream", 1),
            Role.FLASH_POINT: value_c,
            Role.BAROMETRIC_PRESSURE: 101.3,
        }
        cycle = plain_cycle(self.number, values=values, previous=None, **changes)
        told = (InputReading("grade", float(NUMBERS[product] or 0), True, 1.0),)
        result = self.judgement.judge(cycle, self.memory, AT, told)
        self.memory = self.memory.after(result)
        return result


def told_cup(**changes: Any) -> Cup:
    """Three good cycles of gas oil, so that it is known."""
    made = Cup(product_input="grade", **changes)
    for value_c in (62.0, 62.1, 61.9):
        assert made.judge("gas-oil", value_c).verdict is ACCEPTED
    return made


def test_a_change_to_a_milder_limit_hides_no_low_value_of_the_product_before() -> None:
    """Doubted although neither lag nor volume is stated; the second cycle is the new product's."""
    made = told_cup()
    first = made.judge("jet", 50.0)
    assert (first.verdict, first.reasons) == (DOUBTFUL, ("settling",))
    assert (first.low_flash, first.low_flash_alarm, first.product) == (True, True, "jet")
    assert (first.assessment.minimum_c, first.assessment.margin_c) == (55.0, -5.0)
    second = made.judge("jet", 50.1)
    assert (second.verdict, second.low_flash_alarm) == (ACCEPTED, False)
    assert second.assessment.minimum_c == 38.0


def test_a_good_value_for_both_is_no_danger() -> None:
    """Doubted, but not alarmed."""
    first = told_cup().judge("jet", 56.0)
    assert (first.verdict, first.low_flash) == (DOUBTFUL, False)


def test_the_stricter_limit_holds_for_as_long_as_the_cup_settles() -> None:
    """560 s at cycles of 180 s: the first after the change and four more."""
    made = told_cup(transport_lag_s=60.0, flush_volume_ml=500.0)
    evidence = [made.judge("jet", 50.0 + n / 8).low_flash for n in range(7)]
    assert evidence == [True, True, True, True, True, False, False]


def test_of_several_changes_the_strictest_of_all_holds() -> None:
    """Marine fuel between the two: neither the last nor the present limit is the highest."""
    made = told_cup(transport_lag_s=60.0, flush_volume_ml=500.0)
    assert not made.judge("marine", 61.0).low_flash
    assert made.judge("gas-oil", 59.0).low_flash
    assert made.judge("jet", 59.1).low_flash
    assert made.judge("jet", 59.1).assessment.minimum_c == 60.0


def test_a_change_to_a_stricter_limit_is_judged_by_it() -> None:
    """The new limit holds from the first cycle on."""
    made = Cup(product_input="grade")
    made.judge("jet", 50.0)
    assert made.judge("gas-oil", 50.1).low_flash


@pytest.mark.parametrize("order", [(1, 2), (2, 1)])
def test_two_streams_in_one_cycle_are_judged_by_the_stricter(order: tuple[int, int]) -> None:
    """Whichever of them came last."""
    made = Cup(streams=TWO)
    result = made.judge("jet", 50.0, stream=order[-1], streams=order)
    assert (result.verdict, result.reasons) == (REJECTED, ("settling",))
    assert result.low_flash


def test_a_watched_change_of_stream_settles_by_its_time() -> None:
    """Three seconds after it the cup may hold gas oil; a settled one is jet fuel and no danger."""
    made = Cup(streams=TWO, transport_lag_s=60.0, flush_volume_ml=100.0)
    made.judge("gas-oil", 62.0, stream=1)
    soon = made.judge("jet", 50.0, stream=2, streams=(2,), on_stream_s=183.0)
    assert (soon.verdict, soon.low_flash) == (DOUBTFUL, True)
    late = made.judge("jet", 50.1, stream=2, streams=(2,), on_stream_s=363.0)
    assert (late.verdict, late.low_flash) == (ACCEPTED, False)


def test_streams_by_turns_are_not_doubted_where_their_changes_are_watched() -> None:
    """The stream changed before the cup was filled, and the site states no time for it."""
    made = Cup(streams=TWO)
    made.judge("gas-oil", 62.0, stream=1)
    for stream, value_c in ((2, 50.0), (1, 62.1), (2, 50.1)):
        result = made.judge("jet", value_c, stream=stream, streams=(stream,), on_stream_s=181.0)
        assert (result.verdict, result.low_flash) == (ACCEPTED, False)


def test_of_equal_limits_the_one_that_itself_fails_is_the_stricter() -> None:
    """EN 590 asks for more than 55 °C (from memory): 55.0 °C fails it."""
    products = {"a": Product(minimum_c=55.0), "b": Product(minimum_c=55.0, strict_minimum=True)}
    for names in (("a", "b"), ("b", "a")):
        streams = [{"number": n + 1, "product": name} for n, name in enumerate(names)]
        made = Judgement(bench_analyzer(product=None, streams=streams), BENCH_CUP, products)
        assert made.situation(spoiled({Role.STREAM: 9})).product_name == "b"
        first = made.judge(spoiled({Role.STREAM: names.index("b") + 1}), EMPTY, AT)
        on = {Role.STREAM: names.index("a") + 1, Role.FLASH_POINT: 54.8}
        at_limit = spoiled({**on, Role.BAROMETRIC_PRESSURE: 100.5}, trace=None, cycle_number=43)
        assert made.judge(at_limit, EMPTY.after(first), AT).low_flash
        assert not made.judge(at_limit, EMPTY, AT).low_flash


def test_a_failed_judging_after_a_change_counts_by_the_stricter_limit() -> None:
    """Whether the cup had settled is not known then."""
    made = told_cup()
    told = (InputReading("grade", 2.0, True, 1.0),)
    values = {Role.FLASH_POINT: 50.0, Role.STREAM: 1}
    cycle = plain_cycle(4, values=values)
    failed = made.judgement.failed(cycle, "x", made.memory, AT, told)
    assert (failed.product, failed.low_flash) == ("jet", True)
    assert not made.judgement.failed(cycle, "x", EMPTY, AT, told).low_flash

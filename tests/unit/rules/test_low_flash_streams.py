"""The alarm of one stream is not cleared by another, however long ago it was raised.

The limit of 55 °C is that of EN 590 for gas oil (from memory).
"""

from __future__ import annotations

from typing import Any

import pytest

from edgeflash.config.site import Product
from edgeflash.journal.codec import decode, encode
from edgeflash.model import CycleSource, Phase, Result, Role, Verdict
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import EMPTY, PAST_CYCLES, Memory
from tests.simulated_line import BENCH_CUP, bench_analyzer
from tests.unit.rules.contexts import AT
from tests.unit.rules.pasts import Line, plain_cycle

ACCEPTED = Verdict.ACCEPTED
GOOD_C, LOW_C = 62.0, 50.0
MILD = {
    name: {"enabled": False, "because": "plain cycles, one stream after the other"}
    for name in ("trace_missing", "outlier", "frozen", "settling", "counter_repeated")
}


class Streams:
    """Cycles of an analyzer with streams, judged one after the other by all rules but a few."""

    def __init__(self, *numbers: int, **changes: Any) -> None:
        given: dict[str, Any] = {
            "basis": "reported",
            "product": "gas-oil",
            "streams": [{"number": n} for n in numbers],
            "rules": MILD,
            **changes,
        }
        analyzer = bench_analyzer(**given)
        products = {"gas-oil": Product(minimum_c=55.0, strict_minimum=True)}
        self.judgement = Judgement(analyzer, BENCH_CUP, products)
        self.memory = EMPTY
        self.results: list[Result] = []

    def judge(self, stream: int | None, value_c: float = GOOD_C, **changes: Any) -> Result:
        """The result of the next cycle."""
        usual = {Role.STREAM: stream, Role.FLASH_POINT: value_c, Role.BAROMETRIC_PRESSURE: 101.3}
        cycle = plain_cycle(len(self.results) + 1, values=usual, **{"previous": None, **changes})
        result = self.judgement.judge(cycle, self.memory, AT)
        self.results.append(result)
        self.memory = self.memory.after(result)
        return result

    def ring(self, value_c: float) -> Result:
        """The result of a cycle that was caught up, which does not know its stream."""
        return self.judge(None, value_c, source=CycleSource.RING)

    def alarms(self, *streams: int) -> list[bool]:
        """The alarm after an accepted good cycle of each of these streams."""
        results = [self.judge(stream) for stream in streams]
        assert {r.verdict for r in results} == {ACCEPTED}
        return [r.low_flash_alarm for r in results]


def raised(*streams: int, on: int = 1) -> Streams:
    """With the alarm raised by one stream."""
    made = Streams(*streams)
    made.alarms(*streams)
    assert made.judge(on, LOW_C).low_flash_alarm
    return made


def test_another_stream_does_not_clear_the_alarm() -> None:
    """Only an accepted cycle of the stream that raised it does, and then at once."""
    assert raised(1, 2).alarms(2, 2, 1, 2) == [True, True, False, False]


def test_each_stream_that_raised_it_must_clear_it() -> None:
    """Two raised it: the good cycle of one leaves it to the other, in any order."""
    for order in ((1, 2, 3), (2, 1, 3), (3, 1, 2)):
        made = raised(1, 2, 3)
        made.judge(2, LOW_C)
        alarms, left = [], {1, 2}
        for stream in order:
            left.discard(stream)
            alarms.append(bool(left))
        assert made.alarms(*order) == alarms


def test_a_cycle_that_is_not_accepted_clears_nothing() -> None:
    """Of the same stream, without evidence, but too long."""
    made = raised(1, 2)
    assert made.judge(1, duration_s=700.0).low_flash_alarm
    assert made.alarms(2, 1) == [True, False]


def test_the_alarm_says_for_which_streams_it_stands() -> None:
    """A note with each accepted cycle of the others: why the alarm still stands."""
    made = raised(1, 2, 3)
    made.judge(3, LOW_C)
    other = made.judge(2)
    assert (other.verdict, other.reasons) == (ACCEPTED, ())
    assert [(f.rule, f.measured) for f in other.findings] == [
        ("low_flash_stands", 1.0),
        ("low_flash_stands", 3.0),
    ]
    assert all("streams 1 and 3" in f.sentence for f in other.findings)
    assert [f.measured for f in made.judge(1).findings] == [3.0]
    assert made.judge(3).findings == ()


@pytest.mark.parametrize("since", [1, PAST_CYCLES - 1, PAST_CYCLES, 100])
def test_a_restart_forgets_no_stream(since: int) -> None:
    """Stream 1 raised it, then came so many cycles of streams 2 and 3: what the journal's last
    64 results tell is the same, and only stream 1 clears."""
    made = raised(1, 2, 3)
    made.alarms(*([2] * since))
    kept = [decode(encode(result)) for result in made.results[-PAST_CYCLES:]]
    made.memory = Memory.of(kept)
    assert made.memory.low_flash_streams == (1,)
    assert made.alarms(3, 2, 3, 1) == [True, True, True, False]


def test_evidence_of_an_unknown_stream_stands_for_all_that_are_remembered() -> None:
    """A result from the ring does not know its stream: it may be any that was flowing."""
    made = Streams(1, 2, 3)
    made.alarms(1, 2)
    assert made.ring(LOW_C).low_flash_alarm
    assert made.alarms(1, 3, 2) == [True, True, False]


def test_where_no_stream_is_known_any_accepted_cycle_clears() -> None:
    """Else an alarm raised before the first known stream would stand for ever."""
    made = Streams(1, 2)
    assert made.ring(LOW_C).low_flash_alarm
    assert made.alarms(2) == [False]


def test_a_cycle_of_an_unknown_stream_clears_no_stream() -> None:
    """Stream 9 is not declared, and the site doubts it only by a note."""
    made = raised(1, 2)
    made.judgement = Streams(1, 2, rules={**MILD, "stream_unknown": {"severity": "note"}}).judgement
    assert made.alarms(9, 9, 1) == [True, True, False]


def test_a_stream_that_the_site_has_no_more_holds_nothing() -> None:
    """It could never clear the alarm; the next accepted cycle does."""
    made = raised(1, 2)
    made.judgement = Streams(2, 3).judgement
    assert made.alarms(3) == [False]


def test_without_declared_streams_everything_is_one_stream() -> None:
    """Whatever the analyzer reads out as its stream."""
    made = Streams()
    made.alarms(1)
    assert made.judge(1, LOW_C).low_flash_alarm
    assert made.judge(2, duration_s=700.0).low_flash_alarm
    assert made.alarms(2) == [False]


def test_a_failed_judging_raises_the_alarm_of_its_stream() -> None:
    """Of that one only, although both are remembered: its next good cycle clears it."""
    made = Streams(1, 2)
    made.alarms(1, 2)
    values = {Role.STREAM: 1, Role.FLASH_POINT: LOW_C}
    failed = made.judgement.failed(plain_cycle(3, values=values), "x", made.memory, AT)
    made.results.append(failed)
    made.memory = made.memory.after(failed)
    assert failed.low_flash_alarm
    assert made.alarms(2, 1) == [True, False]
    made.memory = EMPTY.after(made.results[0]).after(made.results[1]).after(failed)
    assert made.alarms(1) == [False]


@pytest.mark.parametrize(
    "tuning", [{"severity": "note"}, {"enabled": False, "because": "we know"}], ids=["note", "off"]
)
def test_a_check_sample_is_never_one_of_the_product(tuning: dict[str, Any]) -> None:
    """However the rule is tuned: no value, and the alarm stands."""
    made = Streams(rules={**MILD, "check_sample": tuning})
    assert made.judge(None, LOW_C).low_flash_alarm
    check = made.judge(None, phases=(Phase.CHECK_SAMPLE, Phase.HEAT))
    assert (check.verdict, check.published_c) == (Verdict.REJECTED, None)
    assert check.low_flash_alarm
    assert made.alarms(1) == [False]


def test_an_accepted_check_sample_clears_nothing() -> None:
    """An older edgeflash may have recorded one: asked without the rule that rejects it."""
    line = Line(memory=Memory(low_flash_alarm=True))
    check = line.judge(GOOD_C, is_check=True, own=())
    assert (check.verdict, check.low_flash_alarm) == (ACCEPTED, True)
    assert not line.judge(GOOD_C).low_flash_alarm

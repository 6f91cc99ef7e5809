"""Verdicts, the possible-low-flash alarm, and the tuning of rules."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeflash.config.site import Analyzer, Product, RuleTuning
from edgeflash.model import Cycle, Declared, InputReading, Phase, Role, Severity, Verdict
from edgeflash.rules.catalogue import BY_CODE, RULES, blind_rules
from edgeflash.rules.judge import unjudged
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.low_flash import below_minimum, low_flash_evidence
from edgeflash.rules.memory import EMPTY, Memory
from edgeflash.rules.tuning import changes, rulebook, tuning_mistakes
from tests.simulated_line import BENCH_CUP, bench_analyzer
from tests.unit.flash.traces import trace
from tests.unit.rules.contexts import AT, SOUND, context, found, judged, judgement, spoiled


def low_trace_cycle(start_c: float = 32.0) -> Cycle:
    """A sound measurement of a product that flashes 10 °C lower, at 52 °C."""
    low = trace(flash_s=120.0, length_s=122.5, start_c=start_c, lag_s=3.0, pressure_noise_kpa=0.3)
    return spoiled({Role.FLASH_POINT: 52.0, Role.START_TEMPERATURE: start_c}, trace=low)


def test_the_worst_finding_decides() -> None:
    """A doubt and a rejection together reject; the rejection is named first."""
    result = judged(spoiled({Role.FLASH_POINT: None, Role.PEAK_PRESSURE: 12.0}))
    assert result.verdict is Verdict.REJECTED
    assert result.reasons[0] == "not_available"
    assert result.published_c is None


def test_no_value_is_said_only_where_nothing_else_explains() -> None:
    """It is the last resort, not a second reason."""
    result = judged(spoiled({Role.FLASH_POINT: None}, trace=None))
    assert "not_available" in result.reasons
    assert "no_value" not in result.reasons


def test_a_rejected_cycle_always_says_why() -> None:
    """However the rules are tuned, no cycle is rejected without a reason."""
    off = {rule.name: {"enabled": False, "because": "test"} for rule in RULES}
    off.pop("no_value")
    result = judged(spoiled({Role.FLASH_POINT: None}, trace=None), rules=off)
    assert (result.verdict, result.reasons) == (Verdict.REJECTED, ("no_value",))


def test_an_accepted_value_below_the_limit_raises_the_alarm() -> None:
    """The product's minimum is 55 °C: 52 °C is believed, published and alarmed."""
    result = judged(low_trace_cycle())
    assert result.verdict is Verdict.ACCEPTED
    assert (result.low_flash, result.low_flash_alarm) == (True, True)


@pytest.mark.parametrize(
    "cycle",
    [
        spoiled({Role.SPARK_COUNT: 1}),
        spoiled({Role.FLASH_POINT: 20.0}, trace=None),
        spoiled({Role.FLASH_POINT: 50.0}),
        spoiled({Role.FLASH_POINT: None}, trace=low_trace_cycle().trace),
        spoiled({Role.FLASH_POINT: 50.0}, phases=(Phase.MAINTENANCE,)),
    ],
    ids=["first spark", "below range", "reported low only", "trace low only", "in maintenance"],
)
def test_a_rejected_cycle_can_raise_the_alarm(cycle: Cycle) -> None:
    """Evidence of a low flash point counts whatever the verdict."""
    result = judged(cycle)
    assert result.verdict is Verdict.REJECTED
    assert (result.low_flash, result.low_flash_alarm) == (True, True)


def test_without_a_product_the_range_is_the_limit() -> None:
    """A site that names no minimum still hears of a value below what can be measured."""
    below, inside = spoiled({Role.FLASH_POINT: 24.9}, trace=None), spoiled(trace=None)
    for cycle, is_low in ((below, True), (inside, False)):
        made = replace(context(cycle), product=None)
        assert low_flash_evidence(made, ()) is is_low


def test_a_wrong_barometer_does_not_lift_a_low_value_over_the_limit() -> None:
    """50 °C at "60 kPa" would be corrected by +10 °C: rejected, and alarmed all the same."""
    low = low_trace_cycle(start_c=30.0)
    broken = replace(low, values={**low.values, Role.BAROMETRIC_PRESSURE: 60.0})
    result = judged(broken)
    assert (result.verdict, result.low_flash) == (Verdict.REJECTED, True)


@pytest.mark.parametrize("form", ["celsius_kpa", "celsius_mmhg", "none"])
@pytest.mark.parametrize("has_trace", [True, False])
def test_a_wrong_barometer_of_the_analyzer_lifts_no_low_value_either(
    has_trace: bool, form: str
) -> None:
    """52 °C at "60 kPa" is reported as 52 + 0.25·(101.3 − 60) = 62.3 °C (ISO 2719): rejected, and
    alarmed for the 52 °C, from the trace or from the report alone."""
    low = low_trace_cycle()
    values = {**low.values, Role.BAROMETRIC_PRESSURE: 60.0, Role.FLASH_POINT: 62.325}
    lifted = replace(low, values=values, trace=low.trace if has_trace else None)
    result = judged(lifted, basis="reported", analyzer_corrects_barometer=True, correction=form)
    assert (result.verdict, result.reasons[0]) == (Verdict.REJECTED, "barometer_implausible")
    assert result.low_flash
    usual = {**values, Role.BAROMETRIC_PRESSURE: 100.5}
    good = spoiled({**usual, Role.FLASH_POINT: 62.2})
    assert not judged(good, basis="reported", analyzer_corrects_barometer=True).low_flash


def test_a_wrong_barometer_never_raises_what_the_analyzer_reports() -> None:
    """At "112 kPa" the analyzer takes 2.7 °C off; they are not given back to a low value."""
    cycle = spoiled({Role.BAROMETRIC_PRESSURE: 112.0, Role.FLASH_POINT: 54.0}, trace=None)
    result = judged(cycle, basis="reported", analyzer_corrects_barometer=True)
    assert (result.verdict, result.low_flash) == (Verdict.REJECTED, True)


def test_where_it_lit_counts_when_there_is_no_flash_point() -> None:
    """Rejected without a number, but the analyzer says it lit at 42.5 °C."""
    cycle = spoiled({Role.FLASH_POINT: None, Role.IGNITION_TEMPERATURE: 42.5}, trace=None)
    assert judged(cycle).low_flash


def test_a_cycle_that_cannot_be_judged_is_rejected_and_never_silent() -> None:
    """Kept with its reason; a low or missing number raises the alarm, an ordinary one does not."""
    for flash_c, is_low in ((62.0, False), (48.0, True), (None, True)):
        result = unjudged(
            spoiled({Role.FLASH_POINT: flash_c}),
            bench_analyzer(),
            Product(minimum_c=55.0),
            "gas-oil",
            failure="OverflowError()",
            memory=Memory(),
            judged_at=AT,
        )
        assert (result.verdict, result.reasons) == (Verdict.REJECTED, ("judging_failed",))
        assert (result.published_c, result.low_flash_alarm) == (None, is_low)


@pytest.mark.parametrize(
    ("flash_c", "pressure_kpa", "corrects", "is_low"),
    [
        (55.5, 105.5, False, True),
        (56.5, 105.5, False, False),
        (54.5, 95.0, False, True),
        (55.5, None, False, False),
        (62.3, 60.0, True, True),
        (62.3, 100.5, True, False),
        (float("nan"), 100.5, False, True),
        (62.0, float("nan"), False, False),
        (62.0, float("inf"), False, True),
    ],
)
def test_an_unjudged_cycle_counts_by_its_lowest_reading(
    flash_c: float, pressure_kpa: float | None, corrects: bool, is_low: bool
) -> None:
    """0.25·(101.3 − p) °C (ISO 2719): downwards it counts, upwards nobody has checked it."""
    result = unjudged(
        spoiled({Role.FLASH_POINT: flash_c, Role.BAROMETRIC_PRESSURE: pressure_kpa}),
        bench_analyzer(analyzer_corrects_barometer=corrects),
        Product(minimum_c=55.0),
        "gas-oil",
        failure="x",
        memory=Memory(),
        judged_at=AT,
    )
    assert result.low_flash is is_low


def test_a_check_sample_says_nothing_about_the_product() -> None:
    """A low-flash check fluid is no alarm."""
    result = judged(spoiled({Role.FLASH_POINT: 40.0}, phases=(Phase.CHECK_SAMPLE, Phase.HEAT)))
    assert not result.low_flash


def test_a_declared_check_sample_is_as_one_of_the_analyzer() -> None:
    """Wholly declared, it says nothing about the product; partly, it may be the product."""
    low = {Role.FLASH_POINT: 40.0}
    assert not judged(spoiled(low, declared=(Declared.CHECK_SAMPLE,))).low_flash
    assert judged(spoiled(low, declared=(Declared.CHECK_SAMPLE_PARTLY,))).low_flash
    assert judged(spoiled(low, declared=(Declared.MAINTENANCE,))).low_flash


@pytest.mark.parametrize("declared", list(Declared))
def test_what_is_declared_clears_no_alarm(declared: Declared) -> None:
    """Whatever a site has tuned."""
    mild = {
        "maintenance": {"severity": "note"},
        "check_sample": {"enabled": False, "because": "test"},
    }
    cycle = spoiled(declared=(declared,))
    result = judged(cycle, Memory(low_flash_alarm=True), rules=mild)
    assert result.low_flash_alarm is (declared is not Declared.MAINTENANCE)


def test_only_an_accepted_cycle_clears_the_alarm() -> None:
    """Rejected and doubtful cycles without evidence leave it standing."""
    rejected = spoiled(faults_seen=("heater_fault",))
    doubtful = spoiled(duration_s=700.0)
    assert judged(rejected, Memory(low_flash_alarm=True)).low_flash_alarm
    assert judged(doubtful, Memory(low_flash_alarm=True)).low_flash_alarm
    assert not judged(SOUND, Memory(low_flash_alarm=True)).low_flash_alarm


def test_the_limit_of_en_590_itself_fails() -> None:
    """EN 590 asks for more than 55.0 °C (from memory): exactly 55.0 is evidence of too low."""
    exclusive = Product(minimum_c=55.0, strict_minimum=True)
    inclusive = Product(minimum_c=55.0)
    assert below_minimum(55.0, exclusive)
    assert not below_minimum(55.0, inclusive)
    assert not below_minimum(55.01, exclusive)


def test_a_reported_value_that_the_analyzer_corrects_is_not_corrected_again() -> None:
    """Correction is applied once (ISO 2719): by the analyzer or by the gateway."""
    cycle = spoiled({Role.BAROMETRIC_PRESSURE: 95.0, Role.FLASH_POINT: 63.575})
    once = judged(cycle, basis="reported", analyzer_corrects_barometer=True)
    assert once.computed.correction_c == 0.0
    assert once.published_c == 63.575
    assert "recomputed_disagrees" not in once.reasons


def test_tuning_lowers_but_never_raises() -> None:
    """A lowered severity holds; a rule's breach cannot be made worse than the rule."""
    lowered = {"sample_flow": {"severity": "note"}, "cycle_too_long": {"severity": "reject"}}
    book = {t.rule.name: t for t in rulebook(bench_analyzer(rules=lowered))}
    assert book["sample_flow"].severity(None) is Severity.NOTE
    long = found(spoiled(duration_s=700.0), rules=lowered)["cycle_too_long"]
    assert long.severity is Severity.DOUBT


def test_parameters_are_tuned_one_by_one() -> None:
    """One changed parameter leaves the others at their defaults."""
    tuned = {"recomputed_disagrees": {"parameters": {"doubt_c": 2.0}}}
    assert "recomputed_disagrees" not in found(spoiled({Role.FLASH_POINT: 63.5}), rules=tuned)
    assert found(spoiled({Role.FLASH_POINT: 64.5}), rules=tuned)["recomputed_disagrees"]


def test_mistakes_in_tuning_are_named() -> None:
    """An unknown rule, an unknown parameter and the untouchable rules, with their reasons."""
    analyzer = bench_analyzer().model_copy(
        update={
            "rules": {
                "ignition_week": RuleTuning(),
                "ramp_rate": RuleTuning(parameters={"doubt": 0.2}),
                "no_value": RuleTuning(enabled=False, because="quiet"),
                "check_sample": RuleTuning(severity=Severity.NOTE),
                "low_flash_stands": RuleTuning(enabled=False, because="quiet"),
            }
        }
    )
    problems = dict(tuning_mistakes(analyzer))
    assert "did you mean 'ignition_weak'" in problems[("ignition_week",)]
    assert "doubt_fraction" in problems[("ramp_rate", "parameters", "doubt")]
    for name in ("no_value", "check_sample", "low_flash_stands"):
        assert "always in force and cannot be changed: " in problems[(name,)]
    assert "never one of the product" in problems[("check_sample",)]


def test_codes_and_names_are_unique_and_in_their_family() -> None:
    """A code is never used twice, and its first digit is the family."""
    assert len({rule.name for rule in RULES}) == len(RULES) == len(BY_CODE)
    families = {rule.code // 100: rule.family for rule in RULES}
    assert all(families[rule.code // 100] is rule.family for rule in RULES)
    assert all((rule.on_cycle is None) != (rule.on_live is None) for rule in RULES)


def test_blind_rules_name_what_would_open_their_eyes() -> None:
    """With the two required roles only, most rules are blind; a trace opens some."""
    bare, analyzer = frozenset({Role.CYCLE_NUMBER, Role.FLASH_POINT}), bench_analyzer()
    blind = {b.rule: b for b in blind_rules(bare, False, analyzer)}
    assert blind["recomputed_disagrees"].unmapped == ("a trace",)
    assert blind["ignition_weak"].unmapped == ("peak_pressure",)
    assert "ignition_weak" not in {b.rule for b in blind_rules(bare, True, analyzer)}
    assert not {"torn_read", "outlier", "frozen"} & set(blind)


@pytest.mark.parametrize("rule", ["check_out_of_limits", "verification_overdue"])
def test_a_rule_is_blind_without_its_key_of_the_site_file(rule: str) -> None:
    """It is named with the key, and sees once the key is set."""
    roles, verification = frozenset(Role), {"reference_c": 66.0, "sd_c": 0.5}
    blind = {b.rule: b for b in blind_rules(roles, True, bench_analyzer())}
    assert (blind[rule].unmapped, blind[rule].unset) == ((), ("verification",))
    seeing = bench_analyzer(verification=verification)
    assert rule not in {b.rule for b in blind_rules(roles, True, seeing)}


def test_a_key_of_one_stream_opens_the_eyes_too() -> None:
    """A prediction for one of the streams is enough to use the rule there."""
    prediction = {"kind": "value", "value": "expected-by-lab"}
    streams = [{"number": 1}, {"number": 2, "prediction": prediction}]
    roles = frozenset(Role)
    for given, is_blind in (([{"number": 1}], True), (streams, False)):
        analyzer = bench_analyzer(streams=given)
        blind = {b.rule for b in blind_rules(roles, True, analyzer)}
        assert ("prediction_disagrees" in blind) is is_blind


def test_every_key_that_a_rule_needs_is_one_of_the_site_file() -> None:
    """A misspelt key would make a rule blind for ever."""
    assert {key for rule in RULES for key in rule.keys} <= set(Analyzer.model_fields)


def test_what_a_site_has_made_milder_is_said() -> None:
    """Off and lowered rules, with their reasons, of the analyzer and of one stream."""
    analyzer = bench_analyzer(
        rules={"sample_flow": {"enabled": False, "because": "no flow sensor"}},
        streams=[{"number": 2, "rules": {"outlier": {"severity": "note"}}}],
    )
    assert [str(change) for change in changes(analyzer)] == [
        "sample_flow off, because: no flow sensor",
        "outlier at most note on stream 2, without a reason",
    ]


def test_a_rule_of_the_present_follows_the_stream_that_flows() -> None:
    """Stream 2 has its own longest time; an unknown stream has the analyzer's."""
    tuned = {"result_overdue": {"parameters": {"longest_s": 300.0}}}
    made = judgement(streams=[{"number": 2, "product": "gas-oil", "rules": tuned}])

    def longest_s(stream: float | str | None) -> float:
        rules = made.present_rules({Role.STREAM: stream})
        return next(t.parameters["longest_s"] for t in rules if t.rule.name == "result_overdue")

    assert [longest_s(s) for s in (2, 2.0, 1, 2.5, "2", None)] == [300, 300, 600, 600, 600, 600]


def test_an_unknown_stream_or_product_is_judged_by_the_strictest_limit() -> None:
    """Nobody knows which limit holds, and too mild a one could keep a danger silent."""
    products = {
        "kerosene": Product(minimum_c=38.0, number=1),
        "gas-oil": Product(minimum_c=55.0, number=2),
        "marine": Product(minimum_c=60.0, number=3),
    }
    by_stream = Judgement(
        bench_analyzer(
            product="kerosene",
            streams=[{"number": 1, "product": "kerosene"}, {"number": 2, "product": "gas-oil"}],
        ),
        BENCH_CUP,
        products,
    )
    named = {n: by_stream.situation(spoiled({Role.STREAM: n})).product_name for n in (1, 2, 7)}
    assert named == {1: "kerosene", 2: "gas-oil", 7: "gas-oil"}
    by_input = Judgement(
        bench_analyzer(product="kerosene", product_input="grade"), BENCH_CUP, products
    )
    for value, is_good, name in (
        (1.0, True, "kerosene"),
        (3.0, True, "marine"),
        (1.0, False, "marine"),
        (1.5, True, "marine"),
        (9.0, True, "marine"),
    ):
        told = (InputReading("grade", value, is_good, 1.0),)
        assert by_input.situation(SOUND, told).product_name == name, (value, is_good)
        result = by_input.judge(SOUND, EMPTY, AT, told)
        is_known = is_good and value in (1.0, 3.0)
        assert ("product_unknown" in result.reasons) is not is_known
    low = by_input.failed(spoiled({Role.FLASH_POINT: 58.0}), "x", EMPTY, AT)
    assert (low.product, low.low_flash) == ("marine", True)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -float("inf"), 1e300, 2.5])
def test_a_stream_that_is_no_number_is_not_known(number: float) -> None:
    """The cycle is judged all the same, as one of an unknown stream."""
    cycle = spoiled({Role.STREAM: number})
    assert cycle.stream is None
    result = judged(cycle, streams=[{"number": 1, "product": "gas-oil"}])
    assert result.reasons == ("stream_unknown",)


def test_streams_that_are_not_declared_take_no_room() -> None:
    """An analyzer that counts its stream number up must not fill the memory."""
    made = judgement(streams=[{"number": 1, "product": "gas-oil"}])
    books = {id(made.present_rules({Role.STREAM: n})) for n in range(2, 200)}
    assert len(books) == 1
    assert made.situation(spoiled({Role.STREAM: 7})) is made.situation(spoiled({Role.STREAM: 8}))
    assert made.situation(spoiled({Role.STREAM: 1})) is not made.situation(
        spoiled({Role.STREAM: 7})
    )

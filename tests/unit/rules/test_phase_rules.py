"""Phases in and out of order, left out, and when nothing may be said of them.

The order clean, zero, heat, flash, purge, and that a zero taken before the cleaning spark is
invalid: common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest

from edgeflash.model import Continuity, Cycle, CycleSource, Phase, Role, Severity
from edgeflash.rules.memory import Memory
from edgeflash.rules.phase_order import is_in_order, is_zeroed_before_cleaned, passed_over
from edgeflash.rules.rule import Breach
from tests.simulated_line import BENCH_CUP
from tests.unit.rules.contexts import asked, judged, spoiled

LETTERS = {
    "i": Phase.IDLE,
    "c": Phase.CLEAN,
    "z": Phase.ZERO,
    "h": Phase.HEAT,
    "f": Phase.FLASHED,
    "p": Phase.PURGE,
    "m": Phase.MAINTENANCE,
    "k": Phase.CHECK_SAMPLE,
    "x": Phase.FAULT,
}


def phases(letters: str) -> tuple[Phase, ...]:
    """Phases by their first letters; k: check sample, x: fault."""
    return tuple(LETTERS[letter] for letter in letters)


def seen(letters: str, **changes: Any) -> Cycle:
    """The sound cycle with these phases, read every second."""
    return spoiled(phases=phases(letters), **changes)


IN_ORDER = [
    "iczhfp",  # the result comes at the end of the purge
    "pczhf",  # or at the flash, and the purge is the next cycle's first
    "fpiczh",
    "piczhfp",  # or in the purge
    "iczizhp",
    "iczczhfp",  # cleaned again, zeroed again
    "hfp",  # the reading began in the heating
    "p",
    "",
    "i",
    "iczhp",  # nothing lit
]
OUT_OF_ORDER = [
    "iczphf",  # purged before the heating
    "iczhczfp",  # cleaned in the middle of the ramp
    "iczhphfp",  # heated twice
    "pczhfpc",
    "icfhp",
]


@pytest.mark.parametrize("letters", IN_ORDER)
def test_an_ordinary_round_is_in_order(letters: str) -> None:
    """Wherever it begins, and with idling anywhere."""
    assert is_in_order(phases(letters))
    cycle = seen(letters, values={Role.IGNITION_SEEN: "f" in letters})
    assert asked("phases_wrong", cycle) is None


@pytest.mark.parametrize("letters", OUT_OF_ORDER)
def test_what_goes_round_more_than_once_is_out_of_order(letters: str) -> None:
    """It is doubted, and the sentence lists what was seen."""
    assert not is_in_order(phases(letters))
    breach = asked("phases_wrong", seen(letters))
    assert breach is not None
    assert breach.severity is Severity.DOUBT
    assert ", ".join(phases(letters)) in breach.sentence


@pytest.mark.parametrize(
    ("letters", "is_wrong"),
    [
        ("iczhfp", False),
        ("izchfp", True),
        ("iczchfp", True),
        ("iczczhfp", False),
        ("ichfp", False),
        ("izhfp", False),
        ("izhcfp", False),
        ("czc", True),
    ],
)
def test_the_zero_comes_after_the_cleaning(letters: str, is_wrong: bool) -> None:
    """The last thing before the heating is the zeroing, if there was one."""
    assert is_zeroed_before_cleaned(phases(letters)) is is_wrong


def test_a_zero_before_the_cleaning_is_doubted() -> None:
    """The sentence says what was done the wrong way round."""
    breach = asked("phases_wrong", seen("izchfp"))
    assert breach is not None
    assert breach.severity is Severity.DOUBT
    assert "zeroed before the electrodes" in breach.sentence


@pytest.mark.parametrize(
    ("letters", "missing"),
    [
        ("iczhfp", ""),
        ("izhfp", "c"),
        ("ichfp", "z"),
        ("ihfp", "cz"),
        ("iczfp", "h"),
        ("iczp", "hf"),
        ("iczhp", "f"),
        ("iczhf", "p"),
        ("ip", "czhf"),
        ("hfp", ""),  # the reading began in the heating: nobody knows what came before
        ("zhfp", ""),
        ("chfp", "z"),
        ("fp", ""),
        ("p", ""),
        ("", ""),
        ("i", ""),
        ("icz", ""),
        ("iczh", "p"),
        ("pczhf", ""),
        ("pzhf", "c"),
        ("pchf", "z"),
        ("pch", "z"),
        ("pcz", ""),  # the cycle before ended, this one has begun: nothing is known of the rest
        ("fczh", "p"),  # the purge of the cycle before
        ("fpizh", "c"),
        ("hczhfp", ""),  # seen later
        ("iczhczfp", ""),
        ("pizhfp", "c"),
    ],
)
def test_a_phase_between_two_that_were_seen_was_left_out(letters: str, missing: str) -> None:
    """By hand, from the order of the phases."""
    assert passed_over(phases(letters)) == frozenset(phases(missing))


@pytest.mark.parametrize(
    ("letters", "severity", "word"),
    [
        ("iczfp", None, "not heated"),
        ("iczhf", Severity.DOUBT, "not purged"),
        ("iczhp", Severity.DOUBT, "flash phase"),
        ("iczhxfp", None, "fault state"),
    ],
)
def test_what_was_left_out_is_said(letters: str, severity: Severity | None, word: str) -> None:
    """Without heating it is no measurement: the rule's own severity, which rejects."""
    breach = asked("phases_wrong", seen(letters, values={Role.IGNITION_SEEN: True}))
    assert breach is not None
    assert breach.severity is severity
    assert word in breach.sentence


@pytest.mark.parametrize("flag", [False, None])
def test_without_an_ignition_there_is_no_flash_phase(flag: bool | None) -> None:
    """Only a claimed ignition goes through it."""
    assert asked("phases_wrong", seen("iczhp", values={Role.IGNITION_SEEN: flag})) is None


UNKNOWN: list[dict[str, Any]] = [
    {"longest_gap_s": 3.0, "duration_s": 300.0},
    {"longest_gap_s": 2.0, "duration_s": 133.0},
    {"longest_gap_s": None},
    {"duration_s": None},
    {"continuity": Continuity.FIRST},
    {"continuity": Continuity.SKIP},
    {"continuity": Continuity.RESET},
    {"source": CycleSource.RING},
]


@pytest.mark.parametrize("changes", UNKNOWN, ids=str)
def test_a_phase_that_may_have_passed_unseen_is_not_missed(changes: dict[str, Any]) -> None:
    """Slow reading, a first cycle, a gap: silence of all three rules about what is missing."""
    for letters in ("iczfp", "ihfp", "iczhf"):
        cycle = seen(letters, **changes)
        for rule in ("phases_wrong", "not_cleaned", "not_zeroed"):
            assert asked(rule, cycle) is None, (rule, letters)


@pytest.mark.parametrize(
    "changes",
    [
        {"longest_gap_s": 2.99, "duration_s": 300.0},
        {"longest_gap_s": 2.0, "duration_s": 134.0},
        {"continuity": Continuity.WRAP},
    ],
    ids=str,
)
def test_a_phase_that_must_have_been_seen_is_missed(changes: dict[str, Any]) -> None:
    """Just inside the limits of 3 s and of 0.015 of the cycle; a wrap is a cycle like another."""
    assert asked("phases_wrong", seen("iczfp", **changes)) is not None
    assert asked("not_cleaned", seen("izhfp", **changes)) is not None
    assert asked("not_zeroed", seen("ichfp", **changes)) is not None


@pytest.mark.parametrize("letters", ["imp", "ikp", "imzchfp", "ikhphfp"])
def test_maintenance_and_check_samples_are_left_to_their_rules(letters: str) -> None:
    """Whatever order they bring with them."""
    for rule in ("phases_wrong", "not_cleaned", "not_zeroed"):
        assert asked(rule, seen(letters)) is None


def test_a_phase_that_the_map_does_not_name_is_never_missing() -> None:
    """An analyzer that shows no purge cannot leave it out."""
    place = BENCH_CUP.roles[Role.PHASE]
    assert place.values is not None
    named = {n: p for n, p in place.values.items() if p not in (Phase.PURGE, Phase.HEAT)}
    poor = place.model_copy(update={"values": named})
    register_map = BENCH_CUP.model_copy(update={"roles": {**BENCH_CUP.roles, Role.PHASE: poor}})
    for letters in ("iczhf", "iczfp"):
        assert asked("phases_wrong", seen(letters), seen={"register_map": register_map}) is None
    unmapped = {role: p for role, p in BENCH_CUP.roles.items() if role is not Role.PHASE}
    blind = BENCH_CUP.model_copy(update={"roles": unmapped})
    assert asked("phases_wrong", seen("iczfp"), seen={"register_map": blind}) is None


DUE = [("not_cleaned", "clean_every", "izhfp"), ("not_zeroed", "zero_every", "ichfp")]


def memory_of(*cycles: Cycle) -> Memory:
    """The memory after these cycles, judged one after the other."""
    memory = Memory()
    for number, cycle in enumerate(cycles):
        made = spoiled(cycle_number=number, phases=cycle.phases, longest_gap_s=cycle.longest_gap_s)
        memory = memory.after(judged(made, memory))
    return memory


def due(rule: str, key: str, letters: str, every: int, *past: Cycle) -> Breach | None:
    """What the rule says of a cycle with these phases after those."""
    return asked(rule, seen(letters), seen={"memory": memory_of(*past)}, **{key: every})


@pytest.mark.parametrize(("rule", "key", "letters"), DUE)
def test_what_is_due_in_every_cycle_is_missed_at_once(rule: str, key: str, letters: str) -> None:
    """No past is needed for that."""
    breach = due(rule, key, letters, 1)
    assert breach is not None
    assert (breach.measured, breach.limit, breach.unit) == (1.0, 0.0, "cycles")
    assert "before the heating" in breach.sentence
    assert due(rule, key, "iczhfp", 1) is None


@pytest.mark.parametrize(("rule", "key", "letters"), DUE)
def test_what_is_due_in_every_third_cycle_looks_back(rule: str, key: str, letters: str) -> None:
    """Two cycles without it before this one; with it in one, or with one unknown, all is well."""
    with_it, without = seen("iczhfp"), seen(letters)
    unwatched = seen(letters, longest_gap_s=61.0)
    breach = due(rule, key, letters, 3, with_it, without, without)
    assert breach is not None
    assert (breach.measured, breach.limit) == (3.0, 2.0)
    assert "in the last 3 cycles" in breach.sentence
    for past in (
        (with_it, without),
        (without, with_it),
        (without,),
        (),
        (without, unwatched),
        (unwatched, without),
    ):
        assert due(rule, key, letters, 3, *past) is None, past


def test_the_two_rules_do_not_speak_for_each_other() -> None:
    """Not cleaned is not the same as not zeroed."""
    assert asked("not_zeroed", seen("izhfp")) is None
    assert asked("not_cleaned", seen("ichfp")) is None

"""What was shown against what was sent, and the record of it."""

from __future__ import annotations

import struct
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.errors import UsageError
from edgeflash.outlets.values import OutletUnits
from edgeflash.points import PointType
from edgeflash.signal_check.answers import HELP, AnswersFile, Person, StoppedError
from edgeflash.signal_check.compare import (
    Answer,
    Outcome,
    answer_of,
    compared,
    tolerance_of,
)
from edgeflash.signal_check.keeping import Keeper
from edgeflash.signal_check.plan import Step, plan
from edgeflash.signal_check.record import Row, Signed, as_csv, as_markdown, of_csv, row_of
from edgeflash.trust import Quality, Trust

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
STEPS = {s.key: s for s in plan(OutletUnits("degC", "kPa"))}
FLASH = replace(STEPS["flash_point_c", 1], expected=62.5)
BAD = STEPS["flash_point_c", 3]
PASSED, FAILED = Outcome.PASSED, Outcome.FAILED


@pytest.mark.parametrize(
    ("line", "outcome", "deviation"),
    [
        ("62.5", PASSED, 0.0),
        ("62,5 uncertain", PASSED, 0.0),
        ("62.55", PASSED, 0.05),
        ("62.56", FAILED, 0.06),
        ("62.44 uncertain", FAILED, -0.06),
        ("62.5 good", FAILED, None),
        ("62.5 BAD", FAILED, None),
        ("144.5", FAILED, 82.0),  # °F taken for °C
        ("nan", FAILED, None),
        ("inf", FAILED, None),
        ("warm", FAILED, None),
    ],
)
def test_a_number(line: str, outcome: Outcome, deviation: float | None) -> None:
    """62.5 sent as uncertain; a display of one decimal may be off by 0.05."""
    found = compared(FLASH, answer_of(line), 0.05)
    assert found.outcome is outcome
    assert found.deviation == (None if deviation is None else pytest.approx(deviation, abs=1e-9))
    assert bool(found.why) is (outcome is FAILED)


@pytest.mark.parametrize(
    ("line", "outcome"),
    [("bad", PASSED), ("nan bad", PASSED), ("- bad", PASSED), ("62.5 bad", FAILED), ("", FAILED)],
)
def test_no_value_must_be_shown_as_none(line: str, outcome: Outcome) -> None:
    """A number beside a bad quality is not what was sent; silence proves nothing."""
    assert compared(BAD, answer_of(line), 0.05).outcome is outcome


@pytest.mark.parametrize(
    ("key", "right", "wrong"),
    [
        (("possible_low_flash", 1), ("1", "true", "ON"), ("0", "off", "maybe", "")),
        (("possible_low_flash", 2), ("0", "False"), ("1", "yes")),
        (("reason_text", 1), ("TEST ReasonText",), ("TEST Product", "test reasontext")),
        (("verdict", 1), ("3", "3.0 uncertain", "Rejected"), ("2", "3.0001", "accepted")),
        (("verdict", 2), ("0",), ("65535",)),
    ],
)
def test_other_types(key: tuple[str, int], right: tuple[str, ...], wrong: tuple[str, ...]) -> None:
    """Exactly what was sent; a state by its number or by its text."""
    assert {compared(STEPS[key], answer_of(line), 0.05).outcome for line in right} == {PASSED}
    assert {compared(STEPS[key], answer_of(line), 0.05).outcome for line in wrong} == {FAILED}


def test_a_time_in_any_of_its_forms() -> None:
    """ISO 8601, with or without a zone, s or µs since 1970 (POSIX); to one second."""
    sent = STEPS["sampled_at", 1].expected
    assert isinstance(sent, datetime)
    us = (sent - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    right = (sent.isoformat(), f"{sent:%Y-%m-%dT%H:%M:%S}", str(us), str(us / 1e6))
    late = sent + timedelta(seconds=2)
    local = sent.replace(tzinfo=None) + timedelta(hours=2)
    for text in right:
        assert compared(STEPS["sampled_at", 1], Answer(text), 0.0).outcome is PASSED
    for text in (late.isoformat(), local.isoformat(), "noon", "1e300"):
        assert compared(STEPS["sampled_at", 1], Answer(text), 0.0).outcome is FAILED


@given(st.floats(-1e30, 1e30))
def test_single_precision_alone_is_no_failure(sent: float) -> None:
    """What a float32 register gives back (IEEE 754, by the standard library) passes."""
    step = replace(FLASH, expected=sent)
    shown = struct.unpack(">f", struct.pack(">f", sent))[0]
    found = compared(step, Answer(repr(shown)), 0.0)
    assert found.outcome is PASSED or abs(sent) < 1.2e-38
    assert tolerance_of(step, 0.0) <= 1.2e-7 * abs(sent)


def row(step: Step = FLASH, line: str = "62.5", note: str = "") -> Row:
    """The row of an answer."""
    answer = replace(answer_of(line), note=note)
    found = compared(step, answer, 0.05)
    return row_of("kestrel-1", "opcua", step, answer, found, 0.05, AT, AT)


@given(st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\r\0")))
def test_the_record_reads_back_what_it_wrote(note: str) -> None:
    """Whatever somebody remarked."""
    rows = [row(note=note), row(BAD, "bad")]
    assert rows == of_csv(as_csv(rows))


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", as_csv([row()]).replace("passed", "fine")])
def test_a_foreign_file_is_no_record(text: str) -> None:
    """Nothing is resumed from it."""
    with pytest.raises(UsageError):
        of_csv(text)


def test_the_page_says_who_and_what_is_missing() -> None:
    """Names, times, deviations, cautions; and that it is not signed where it is not."""
    rows = [row(), row(BAD, "62.5 bad", "a|b\nc")]
    text = as_markdown("Larkwater", rows, [STEPS["stream", 1]], None, "taken back")
    assert "1 passed, 1 failed; 1 of the plan not done" in text
    assert "**Not signed off.**" in text
    assert "Not done: `stream`" in text
    assert "a\\|b c" in text
    assert "2031-04-05T06:07:08Z" in text
    by = Signed("M. Arden", "O. Quist", AT)
    signed_off = as_markdown("Larkwater", rows, [], by, "taken back")
    assert "Checked by: M. Arden. Witnessed by: O. Quist." in signed_off
    assert "Not signed" not in signed_off
    assert "Put every loop" in signed_off


def test_a_check_resumes_where_it_was(tmp_path: Path) -> None:
    """What passed is not done again; what failed is; another analyzer's record is refused."""
    steps, base = (FLASH, BAD), tmp_path / "check"

    def opened(analyzer: str = "kestrel-1", *, anew: bool = False) -> Keeper:
        return Keeper(base, "Larkwater", analyzer, "opcua", steps, anew=anew)

    first = opened()
    first.keep(row())
    first.keep(row(BAD, "7 bad"))
    again = opened()
    assert again.done == {FLASH.key}
    again.keep(row(BAD, "bad"))
    assert again.all_passed
    again.write(Signed("Mara", "", AT), "taken back")
    assert {r.checked_by for r in of_csv((tmp_path / "check.csv").read_text("utf-8"))} == {"Mara"}
    assert opened(anew=True).done == set()
    with pytest.raises(UsageError, match="another analyzer"):
        opened("kestrel-2")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["check.csv", "check.md"]


def test_a_person_remarks_skips_and_stops() -> None:
    """In words that are not values; the end of the input stops as `quit` does."""
    lines = iter(["", "note pointer sticks", "62.5 uncertain", "skip no screen", "quit"])
    said: list[str] = []
    person = Person(lambda prompt: next(lines), said.append, tells=False)
    assert person.of(FLASH, 1, 9, 60.0) == Answer("62.5", Trust.UNCERTAIN, "pointer sticks")
    skipped = person.of(FLASH, 2, 9, 60.0)
    assert (skipped.outcome, skipped.note) == (Outcome.SKIPPED, "no screen")
    with pytest.raises(StoppedError):
        person.of(FLASH, 3, 9, 60.0)
    assert not any("62.5" in line for line in said), "the sent value is not told"

    def ended(prompt: str) -> str:
        raise EOFError

    with pytest.raises(StoppedError):
        Person(ended, said.append, tells=True).of(FLASH, 1, 9, 60.0)
    assert "62.5, uncertain" in said[-1]


def test_a_person_is_told_how_before_the_first_value_and_when_lost() -> None:
    """What to type, in 80 columns; which of a point's values it is cannot be taken for a value."""
    lines = iter(["62.5", "", "62.5"])
    said: list[str] = []
    person = Person(lambda prompt: next(lines), said.append, tells=False)
    person.of(FLASH, 1, 9, 60.0)
    assert said[0] == HELP[0]
    assert "test value 1 of this point, shown for at most 60 s" in said[-1]
    asked = len(said)
    person.of(FLASH, 2, 9, 60.0)
    assert said.count(HELP[0]) == 2 and len(said) == asked + 2 + len(HELP)
    assert all(len(line) <= 80 for line in HELP)


def test_a_state_may_be_told_in_the_words_of_a_display() -> None:
    """A multi-state point shows its text on most screens; another state's text fails."""
    step = STEPS["link_state", 1]
    assert step.text == "misconfigured"
    assert compared(step, Answer("Misconfigured"), 0.05).outcome is PASSED
    assert compared(step, Answer(str(step.expected)), 0.05).outcome is PASSED
    assert compared(step, Answer("up"), 0.05).outcome is FAILED
    assert compared(STEPS["reason_code", 1], Answer(""), 0.05).outcome is FAILED


def test_a_quality_that_is_none_is_no_answer(tmp_path: Path) -> None:
    """A misspelt one must not pass for one that nobody looked at."""
    path = tmp_path / "answers.csv"
    path.write_text("point,step,value,quality\nflash_point_c,1,62.5,God\n", "utf-8")
    with pytest.raises(UsageError, match="flash_point_c, step 1: the quality 'god' is none of"):
        AnswersFile(path).of(FLASH, 1, 9, 0.0)


def test_answers_come_from_a_file_as_it_grows(tmp_path: Path) -> None:
    """A row counts when its line is whole; without one in time there is no answer."""
    path = tmp_path / "answers.csv"
    path.write_text(
        "point,step,value,quality\nflash_point_c,1,62.5,Uncertain\nstream,1,10", "utf-8"
    )
    file = AnswersFile(path)
    assert file.of(FLASH, 1, 9, 0.0) == Answer("62.5", Trust.UNCERTAIN)
    assert file.of(STEPS["stream", 1], 2, 9, 0.0).outcome is Outcome.NO_ANSWER
    path.write_text("point,value\n", "utf-8")
    with pytest.raises(UsageError, match="must have the columns"):
        file.of(FLASH, 1, 9, 0.0)
    with pytest.raises(UsageError, match="nowhere"):
        AnswersFile(tmp_path / "nowhere").of(FLASH, 1, 9, 0.0)


def test_skipped_and_unanswered_pass_nothing() -> None:
    """They are neither right nor wrong."""
    for outcome in (Outcome.SKIPPED, Outcome.NO_ANSWER):
        assert compared(FLASH, Answer("62.5", outcome=outcome), 0.05).outcome is outcome


def test_a_test_value_is_uncertain_unless_asked() -> None:
    """By the quality table."""
    assert {s.quality for s in STEPS.values()} == {Quality.TEST, Quality.BAD}
    assert all(s.type is not PointType.FLAG or s.value in (True, False) for s in STEPS.values())

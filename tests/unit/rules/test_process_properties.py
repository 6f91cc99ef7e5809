"""Properties of the process rules over any sequence of cycles."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.model import Severity, Verdict
from edgeflash.rules.memory import Memory
from tests.simulated_line import bench_analyzer
from tests.unit.rules.pasts import NEVER_FROZEN, UNSOUND, Line, said

ACCEPTED, NOTE = Verdict.ACCEPTED, Severity.NOTE

VALUES = st.integers(-200, 200).map(lambda i: 62.0 + i / 8.0)
STEPS = st.lists(st.tuples(VALUES, st.booleans()), max_size=12)


def played(steps: list[tuple[float, bool]], shift_c: float = 0.0, hidden_c: float = 0.0) -> Line:
    """A line through these cycles: (value, sound); hidden_c moves the unsound ones alone."""
    made = Line(bench_analyzer(rules=NEVER_FROZEN)).add([62.0 + shift_c] * 6)
    for value_c, is_sound in steps:
        own = () if is_sound else UNSOUND
        made.judge(value_c + shift_c + (0.0 if is_sound else hidden_c), own=own)
    return made


def outlier_severities(made: Line) -> list[tuple[Verdict, Severity | None]]:
    """Of each cycle: its verdict and what the outlier rule said."""
    found = [(r.verdict, said(r, "outlier")) for r in made.results]
    return [(verdict, f.severity if f else None) for verdict, f in found]


@settings(deadline=None)
@given(STEPS, st.integers(-20, 40))
def test_the_scale_has_no_favourite_place(steps: list[tuple[float, bool]], shift_c: int) -> None:
    """All values moved by one amount give the same verdicts."""
    assert outlier_severities(played(steps)) == outlier_severities(played(steps, float(shift_c)))


@settings(deadline=None)
@given(STEPS, VALUES, st.integers(-40, 40))
def test_unsound_values_change_nothing_for_the_next(
    steps: list[tuple[float, bool]], last_c: float, hidden_c: int
) -> None:
    """Whatever doubted cycles showed, the sound ones are judged the same."""
    plain, moved = played(steps), played(steps, hidden_c=float(hidden_c))
    for one, other, (_, is_sound) in zip(plain.results[6:], moved.results[6:], steps, strict=True):
        if is_sound:
            assert one.findings == other.findings
    assert plain.judge(last_c).findings == moved.judge(last_c).findings


@settings(deadline=None)
@given(st.lists(VALUES, max_size=12))
def test_an_outlier_is_never_part_of_the_reference_before_it_is_confirmed(
    values: list[float],
) -> None:
    """Without the unconfirmed outliers between them, the other cycles are judged the same."""
    made = played([(v, True) for v in values])
    verdicts = [r.verdict for r in made.results[6:]]
    for i, verdict in enumerate(verdicts):
        confirmed = i + 1 < len(values) and said(made.results[6 + i + 1], "outlier")
        if verdict is ACCEPTED or (confirmed and confirmed.severity is NOTE):
            continue
        without = played([(v, True) for v in values[:i] + values[i + 1 :]])
        after = i + 1
        if after < len(values) and verdicts[after] is ACCEPTED:
            assert without.results[6 + i].findings == made.results[6 + after].findings


@settings(deadline=None, max_examples=20)
@given(st.lists(VALUES, min_size=70, max_size=90), VALUES)
def test_the_last_64_results_tell_the_whole_past(values: list[float], last_c: float) -> None:
    """After a restart the journal's last results give the same verdict."""
    made = Line().add([62.0])
    for value_c in values:
        made.judge(value_c, computed={"reported_c": value_c})
    found = made.judge(last_c, computed={"reported_c": last_c}).findings
    past = made.results[:-1]
    for memory in (Memory.of(past), Memory.of(past[-64:])):
        restarted = Line(memory=memory, results=list(past))
        again = restarted.judge(last_c, computed={"reported_c": last_c})
        assert again.findings == found

"""What people declare: when it ends, which cycles it touches, what a restart makes of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.declared import (
    MOST_PERIODS,
    Period,
    UnreadablePeriodsError,
    as_text,
    declare,
    end,
    of_cycle,
    of_text,
    over,
    running,
    since_cycle,
)
from edgeflash.model import Continuity, Cycle, CycleSource, Declared

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
MAINTENANCE, CHECK = Declared.MAINTENANCE, Declared.CHECK_SAMPLE
PARTLY = Declared.CHECK_SAMPLE_PARTLY
CYCLE = Cycle("kestrel-1", 0, 17, CycleSource.LIVE, Continuity.NEXT, 0, AT, {}, duration_s=300.0)


def at(mono_s: float) -> datetime:
    """The wall clock at an instant of the monotonic one, while nobody sets it."""
    return AT + timedelta(seconds=mono_s)


def declared(kind: Declared, since_s: float, minutes: float) -> tuple[Period, ...]:
    """One period."""
    return declare((), kind, minutes, "mara", "why", at(since_s), since_s)


@pytest.mark.parametrize(
    ("since_s", "until_s", "expected"),
    [
        (0.0, 599.0, ()),
        (0.0, 600.0, (PARTLY,)),  # it began at this very instant: a part may be in it
        (599.0, 900.0, (PARTLY,)),
        (600.0, 900.0, (CHECK,)),
        (601.0, 1200.0, (CHECK,)),
        (900.0, 1201.0, (PARTLY,)),
        (0.0, 2000.0, (PARTLY,)),
        (1200.0, 1500.0, ()),
    ],
)
def test_a_check_sample_counts_only_for_cycles_wholly_in_it(
    since_s: float, until_s: float, expected: tuple[Declared, ...]
) -> None:
    """Declared from 600 s for ten minutes, so until 1200 s."""
    assert expected == of_cycle(declared(CHECK, 600.0, 10.0), CYCLE, since_s, until_s)


@pytest.mark.parametrize(
    "cycle",
    [
        replace(CYCLE, source=CycleSource.RING),
        replace(CYCLE, continuity=Continuity.SKIP, missed=1),
        replace(CYCLE, continuity=Continuity.RESET),
        replace(CYCLE, continuity=Continuity.FIRST),
        replace(CYCLE, duration_s=None),
    ],
)
def test_a_cycle_that_was_not_watched_is_no_check(cycle: Cycle) -> None:
    """Nobody knows when it began, even where all that could be is in the period."""
    assert of_cycle(declared(CHECK, 0.0, 60.0), cycle, 600.0, 900.0) == (PARTLY,)


def test_maintenance_taints_every_cycle_it_touches() -> None:
    """A part is enough; both may be declared."""
    both = declare(declared(MAINTENANCE, 600.0, 1.0), CHECK, 60.0, "mara", "", AT, 0.0)
    assert of_cycle(both, CYCLE, 300.0, 601.0) == (CHECK, MAINTENANCE)


def test_it_ends_by_itself_and_by_hand() -> None:
    """By the monotonic clock; anew moves the end, to an earlier time as well."""
    periods = declared(MAINTENANCE, 0.0, 10.0)
    assert running(periods, 599.9) == (MAINTENANCE,)
    assert running(periods, 600.0) == ()
    assert periods == over(periods, 600.0)
    longer = declare(periods, MAINTENANCE, 10.0, "ole", "more", at(300.0), 300.0)
    assert len(longer) == 1
    assert (at(0.0), at(900.0), "ole") == (longer[0].since, longer[0].until, longer[0].by)
    ended = end(longer, MAINTENANCE, at(400.0), 400.0)
    assert () == running(ended, 401.0) == over(ended, 401.0)
    assert of_cycle(ended, CYCLE, 399.0, 700.0) == (MAINTENANCE,)
    assert of_cycle(ended, CYCLE, 400.0, 700.0) == ()


def test_what_touches_no_cycle_any_more_is_forgotten() -> None:
    """Not before: a cycle that was under way may still come."""
    ended = end(declared(CHECK, 0.0, 10.0), CHECK, at(60.0), 60.0)
    assert ended == since_cycle(ended, 59.0)
    assert since_cycle(ended, 60.0) == ()


def test_a_restart_goes_on_where_it_was() -> None:
    """The rest of the time, counted by the wall clock, on a monotonic clock that began anew."""
    text = as_text(declared(CHECK, 0.0, 10.0))
    (period,) = of_text(text, at(240.0), 5.0)
    assert (period.since_mono_s, period.until_mono_s) == (5.0 - 240.0, 5.0 + 360.0)
    (gone,) = of_text(text, at(6000.0), 5.0)
    assert running((gone,), 5.0) == ()
    assert (gone,) == over((gone,), 5.0)


def test_a_clock_set_back_makes_nothing_shorter() -> None:
    """Nobody knows how much is left: all of it, and no cycle is known to lie wholly in it."""
    (period,) = of_text(as_text(declared(CHECK, 0.0, 10.0)), at(-7200.0), 5.0)
    assert running((period,), 604.9) == (CHECK,)
    assert running((period,), 605.0) == ()
    assert of_cycle((period,), CYCLE, 100.0, 400.0) == (PARTLY,)


@pytest.mark.parametrize("text", ["", "{}x", '[{"kind": "check_sample"}]', "[3]", "7"])
def test_damage_is_said(text: str) -> None:
    """Never read as nothing declared."""
    with pytest.raises(UnreadablePeriodsError):
        of_text(text, AT, 0.0)


def test_many_declarations_stay_bounded_and_taint_no_less() -> None:
    """What is joined covers its gaps, and counts no cycle as a check measurement."""
    periods: tuple[Period, ...] = ()
    for n in range(3 * MOST_PERIODS):
        periods = declare(periods, CHECK, 1.0, "mara", "", at(100.0 * n), 100.0 * n)
        periods = end(periods, CHECK, at(100.0 * n + 10.0), 100.0 * n + 10.0)
    assert len(periods) == MOST_PERIODS
    assert of_cycle(periods, CYCLE, 1.0, 9.0) == (PARTLY,)
    assert of_cycle(periods, CYCLE, 9501.0, 9509.0) == (CHECK,)


@given(
    st.lists(st.tuples(st.floats(0.0, 900.0), st.floats(0.1, 10.0)), max_size=6),
    st.lists(st.floats(1.0, 300.0), min_size=2, max_size=8),
)
def test_a_restart_at_any_time_changes_no_cycle(
    told: list[tuple[float, float]], lengths_s: list[float]
) -> None:
    """Kept as text and read again, the periods touch the same cycles in the same way."""
    periods: tuple[Period, ...] = ()
    for since_s, minutes in sorted(told):
        periods = declare(periods, CHECK, minutes, "mara", "", at(since_s), since_s)
    again = of_text(as_text(periods), at(2000.0), 2000.0)
    since_s = 0.0
    for length_s in lengths_s:
        until_s = since_s + length_s
        before, after = (of_cycle(p, CYCLE, since_s, until_s) for p in (periods, again))
        on_an_edge = any(
            abs(edge - x) < 1e-3
            for p in periods
            for edge in (p.since_mono_s, p.until_mono_s)
            for x in (since_s, until_s)
        )
        assert before == after or on_an_edge
        since_s = until_s

"""Which files go: never the present, never what is owed, the oldest first, no more than asked."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from edgeflash.history.columns import TableName
from edgeflash.history.layout import Partition, period_of
from edgeflash.history.retention import (
    UNSEEN,
    WAIT,
    AgeWatch,
    HeldFile,
    Limits,
    Reason,
    to_delete,
)

NOW = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)
DAY = timedelta(days=1)
R, T = TableName.RESULTS, TableName.TRACES


def held(table: TableName, *periods: str, analyzer: str = "kestrel-1") -> list[HeldFile]:
    return [HeldFile(Partition(table, analyzer, period), 1000) for period in periods]


def periods(files: list[HeldFile], limits: Limits, **more: object) -> list[str]:
    """What goes of the results, or of the traces where there are only those."""
    table = files[0].partition.table
    owed = more.pop("owed_from", {})
    going = to_delete(files, {table: limits}, NOW, owed, **more)  # type: ignore[arg-type]
    return [d.file.partition.period for d in going]


def test_without_limits_everything_stays_for_ever() -> None:
    """Nothing is deleted that nobody asked for."""
    assert to_delete(held(R, "1999-01"), {}, NOW, {}) == ()
    assert periods(held(R, "1999-01"), Limits()) == []


def test_a_month_goes_when_its_last_day_is_old_enough() -> None:
    """March ended 43.5 days before 14 May, noon; a day of traces counts from its own end."""
    files = held(R, "2026-02", "2026-03", "2026-04", "2026-05")
    assert periods(files, Limits(keep_days=43.5)) == ["2026-02", "2026-03"]
    assert periods(files, Limits(keep_days=43.6)) == ["2026-02"]
    days = held(T, "2026-05-11", "2026-05-12", "2026-05-13", "2026-05-14")
    assert periods(days, Limits(keep_days=1)) == ["2026-05-11", "2026-05-12"]


def test_the_size_is_that_of_the_whole_table_and_the_oldest_of_all_goes() -> None:
    """Whosever it is: 5 files of 1000 bytes and room for 3500."""
    files = held(R, "2026-02", "2026-04") + held(
        R, "2026-01", "2026-03", "2026-05", analyzer="kestrel-2"
    )
    assert periods(files, Limits(keep_bytes=3500)) == ["2026-01", "2026-02"]
    assert periods(files, Limits(keep_bytes=5000)) == []


def test_what_goes_by_its_age_counts_for_the_size() -> None:
    """One more would go by its size alone."""
    files = held(R, "2026-01", "2026-02", "2026-03", "2026-04")
    going = to_delete(files, {R: Limits(keep_days=90, keep_bytes=2000)}, NOW, {})
    assert [(d.file.partition.period, d.reason) for d in going] == [
        ("2026-01", Reason.AGE),
        ("2026-02", Reason.SIZE),
    ]


def test_what_is_owed_stays_and_all_that_is_younger() -> None:
    """Owed from 1 April, 0:00: March may go. A moment earlier: it may not."""
    files = held(R, "2026-02", "2026-03", "2026-04")
    april = datetime(2026, 4, 1, tzinfo=UTC)
    assert periods(files, Limits(keep_bytes=1), owed_from={R: april}) == ["2026-02", "2026-03"]
    just_before = april - timedelta(microseconds=1)
    assert periods(files, Limits(keep_days=1), owed_from={R: just_before}) == ["2026-02"]
    assert periods(files, Limits(keep_days=1), owed_from={T: just_before}) == [
        "2026-02",
        "2026-03",
        "2026-04",
    ]


def test_a_clock_that_is_not_trusted_deletes_by_size_alone() -> None:
    """The room on the disk is a fact, whatever time it is."""
    files = held(R, "2026-02", "2026-03", "2026-04")
    assert periods(files, Limits(keep_days=1, keep_bytes=2500), by_age=False) == ["2026-02"]


months = st.integers(0, 40).map(
    lambda n: f"{2024 + n // 12}-{n % 12 + 1:02d}"  # up to May 2027: the clock may have been ahead
)
days = st.integers(-400, 30).map(lambda n: period_of(T, NOW + n * DAY))
files_of = st.one_of(
    *(
        st.lists(
            st.tuples(st.sampled_from(["kestrel-1", "kestrel-2", ""]), period, st.integers(0, 9)),
            unique_by=lambda f: f[:2],
            max_size=30,
        ).map(
            lambda some, table=table: [
                HeldFile(Partition(table, name, period), size) for name, period, size in some
            ]
        )
        for table, period in ((R, months), (T, days), (TableName.EVENTS, months))
    )
)
limits_of = st.builds(
    Limits,
    st.none() | st.floats(1, 900, allow_nan=False),
    st.none() | st.integers(0, 200),
)


@given(
    st.lists(files_of, max_size=3),
    st.dictionaries(st.sampled_from([R, T, TableName.EVENTS]), limits_of),
    st.dictionaries(
        st.sampled_from([R, T, TableName.EVENTS]),
        st.integers(-900, 30).map(lambda n: NOW + n * DAY),
    ),
    st.booleans(),
)
def test_whatever_there_is(
    some: list[list[HeldFile]],
    limits: dict[TableName, Limits],
    owed_from: dict[TableName, datetime],
    by_age: bool,
) -> None:
    """Never the present, never what is owed, the oldest first, the size reached if it can be, what
    is too old gone if it may be, and nothing else."""
    files = list({f.partition: f for group in some for f in group}.values())
    going = to_delete(files, limits, NOW, owed_from, by_age=by_age)
    gone = [d.file for d in going]
    assert len(set(gone)) == len(gone)
    for table in TableName:
        limit = limits.get(table, Limits())
        all_of = [f for f in files if f.partition.table is table]
        left = [f for f in all_of if f not in gone]
        free_until = min(NOW, owed_from.get(table, NOW))
        for file in all_of:
            if file in gone:
                assert file.partition.end <= free_until
        gone_periods = [f.partition.period for f in gone if f.partition.table is table]
        assert gone_periods == sorted(gone_periods)
        assert all(p <= f.partition.period for p in gone_periods for f in left)
        free = [f for f in left if f.partition.end <= free_until]
        if limit.keep_bytes is not None and free:
            assert sum(f.size_bytes for f in left) <= limit.keep_bytes
        if limit.keep_days is not None and by_age:
            assert all(NOW - f.partition.end < limit.keep_days * DAY for f in free)
        for number, deletion in enumerate(d for d in going if d.file.partition.table is table):
            old = limit.keep_days is not None and by_age
            old = old and NOW - deletion.file.partition.end >= (limit.keep_days or 0) * DAY
            before = [d.file for d in going if d.file.partition.table is table][:number]
            total = sum(f.size_bytes for f in all_of) - sum(f.size_bytes for f in before)
            too_much = limit.keep_bytes is not None and total > limit.keep_bytes
            assert old or too_much
            assert deletion.reason is (Reason.AGE if old else Reason.SIZE)


# The clock


def test_looks_that_follow_each_other_trust_the_clock() -> None:
    """Hour by hour, and after a night or a day without power."""
    watch, now = AgeWatch(), NOW
    for step in (timedelta(0), timedelta(hours=1), DAY, UNSEEN):
        now += step
        watch = watch.looked(now, None)
        assert watch == AgeWatch(now, None)


def test_after_a_jump_nothing_goes_by_its_age_for_a_week() -> None:
    """Whether it is a wrong clock or a gateway that was off: nobody can tell at once."""
    ahead = NOW + 20_000 * DAY
    watch = AgeWatch().looked(NOW, None).looked(ahead, None)
    assert watch.waits_until == ahead + WAIT
    for hours in range(1, 168):
        watch = watch.looked(ahead + timedelta(hours=hours), None)
        assert watch.waits_until == ahead + WAIT
    assert watch.looked(ahead + WAIT, None).waits_until is None


def test_a_clock_set_back_is_trusted_again() -> None:
    """A week of the year 2081 need not be waited for."""
    ahead = NOW + 20_000 * DAY
    watch = AgeWatch().looked(NOW, None).looked(ahead, None)
    assert watch.looked(NOW + timedelta(hours=1), None) == AgeWatch(NOW + timedelta(hours=1), None)


def test_the_first_look_compares_with_the_files() -> None:
    """A clock that is wrong at the very first start of a version that deletes."""
    assert AgeWatch().looked(NOW, NOW + 17 * DAY).waits_until is None
    assert AgeWatch().looked(NOW, NOW - DAY).waits_until is None
    assert AgeWatch().looked(NOW, NOW - 3 * DAY).waits_until == NOW + WAIT
    assert AgeWatch().looked(NOW, None).waits_until is None

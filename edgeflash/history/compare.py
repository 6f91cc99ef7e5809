"""A file's rows beside those that the ledger and the journal say it must hold. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from edgeflash.history.file_rows import FACTS, FileRows, Key
from edgeflash.history.findings import Finding, Problem
from edgeflash.history.layout import Partition
from edgeflash.journal.ledger import CountedRow, LedgerPage, Tally

_SHOWN = 3


@dataclass(frozen=True, slots=True)
class Expected:
    """What a file must hold.

    page: of the ledger, read before the file was opened. tail: rows of entries after the page's
    position, with the entry's number, read after the file was. own: rows of entries up to that
    position that the journal still has. is_foreign: of each row, whether another journal has
    counted it. whole_after: of days after it the ledger knows every row.
    """

    page: LedgerPage
    tail: Collection[tuple[int, CountedRow]]
    own: Mapping[Key, int]
    is_foreign: Sequence[bool]
    whole_after: str

    @property
    def days(self) -> dict[str, Tally]:
        """Of each day what had come to the files by the page's position."""
        found = dict(self.page.days)
        for seq, row in self.tail:
            if seq <= self.page.last_seq:
                found[row.day] = found.get(row.day, Tally()) - Tally(1, row.digest)
        return found


def compared(partition: Partition, path: str, held: FileRows, expected: Expected) -> list[Finding]:
    """What is wrong with a readable file."""
    found = [
        Finding(problem, path, sentence, partition, rows)
        for problem, rows, sentence in (
            (Problem.UNSORTED, int(not held.is_sorted), "its rows are not in order"),
            (Problem.DAMAGED_ROWS, held.damaged, f"{held.damaged} rows lack their key or time"),
            (Problem.DOUBLED_ROWS, held.doubled, f"{held.doubled} rows stand in it twice"),
            (
                Problem.MISPLACED_ROWS,
                held.misplaced,
                f"{held.misplaced} rows are of another analyzer or time",
            ),
        )
        if rows
    ]
    noted = {note.sha256 for note in expected.page.fingerprints}
    if noted and held.sha256 not in noted:
        sentence = "its bytes are not those that the gateway wrote"
        rows = {note.rows for note in expected.page.fingerprints}
        if held.rows not in rows:
            sentence += f": it has {held.rows} rows, and had {max(rows)}"
        found.append(Finding(Problem.CHANGED_BYTES, path, sentence, partition))
    found += _beside_journal(partition, path, held, expected)
    found += _beside_ledger(partition, path, held, expected)
    return found


@dataclass(frozen=True, slots=True)
class OwnRows:
    """Keys of the journal's own rows beside those of a file. missing: not there. changed: there,
    with other figures. taken: a row of an earlier journal has the key."""

    missing: tuple[Key, ...]
    changed: tuple[Key, ...]
    taken: tuple[Key, ...]


def own_rows(partition: Partition, held: FileRows, expected: Expected) -> OwnRows:
    """What of the rows that the journal still has is in the file as it should be."""
    there: dict[Key, int] = {}
    others: set[Key] = set()
    for key, digest, is_foreign in zip(held.keys, held.digests, expected.is_foreign, strict=True):
        if is_foreign:
            others.add(key)
        else:
            there[key] = digest
    if FACTS[partition.table].names_journal_in_key:
        others.clear()  # such keys are never those of another journal
    own = expected.own
    missing = own.keys() - there.keys()
    changed = {k for k, digest in own.items() if there.get(k, digest) != digest}
    return OwnRows(
        missing=tuple(sorted(missing - others)),
        changed=tuple(sorted(changed)) if held.has_figures else (),
        taken=tuple(sorted(missing & others)),
    )


def _beside_journal(
    partition: Partition, path: str, held: FileRows, expected: Expected
) -> Iterable[Finding]:
    own = own_rows(partition, held, expected)
    if own.missing and not expected.page.was_deleted:
        count = len(own.missing)
        sentence = f"{count} rows that the journal has are not in it: {_shown(own.missing)}"
        yield Finding(Problem.MISSING_ROWS, path, sentence, partition, count)
    if own.changed:
        count = len(own.changed)
        sentence = f"{count} rows differ from those of the journal: {_shown(own.changed)}"
        yield Finding(Problem.CHANGED_ROWS, path, sentence, partition, count)
    if own.taken:
        count = len(own.taken)
        sentence = (
            f"{count} rows of the journal cannot come into it: rows of an earlier journal have "
            f"their keys: {_shown(own.taken)}"
        )
        yield Finding(Problem.KEY_TAKEN, path, sentence, partition, count)


def _beside_ledger(
    partition: Partition, path: str, held: FileRows, expected: Expected
) -> Iterable[Finding]:
    if expected.page.was_deleted or not FACTS[partition.table].figures:
        return
    coming = {row.key for _, row in expected.tail}
    sums: defaultdict[str, Tally] = defaultdict(Tally)
    for key, day, digest, is_foreign in zip(
        held.keys, held.days, held.digests, expected.is_foreign, strict=True
    ):
        if not is_foreign and key not in coming:
            sums[day] += Tally(1, digest)
    days = expected.days
    for day in sorted(days.keys() | sums.keys()):
        if not day.startswith(partition.period):
            continue  # said as misplaced
        wanted, there = days.get(day, Tally()), sums.get(day, Tally())
        is_whole = day > expected.whole_after
        if there.rows < wanted.rows:
            lost = wanted.rows - there.rows
            sentence = f"{day}: {there.rows} rows, {lost} fewer than were ever recorded"
            yield Finding(Problem.TOO_FEW_ROWS, path, sentence, partition, lost)
        elif is_whole and there.rows > wanted.rows:
            more = there.rows - wanted.rows
            sentence = f"{day}: {there.rows} rows, {more} more than were ever recorded"
            yield Finding(Problem.TOO_MANY_ROWS, path, sentence, partition, more)
        elif is_whole and held.has_figures and there.checksum != wanted.checksum:
            sentence = f"{day}: its {there.rows} rows are not what was recorded"
            yield Finding(Problem.OTHER_CONTENT, path, sentence, partition, there.rows)


def _shown(keys: Sequence[Key]) -> str:
    texts = ["/".join(map(str, key)) for key in keys[:_SHOWN]]
    return ", ".join(texts) + (", …" if len(keys) > _SHOWN else "")

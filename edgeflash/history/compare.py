"""A file's rows beside those that the ledger and the journal say it must hold. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
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
    position that the journal still has. foreign: keys that came from another journal.
    whole_after: of days after it the ledger knows every row.
    """

    page: LedgerPage
    tail: Collection[tuple[int, CountedRow]]
    own: Mapping[Key, int]
    foreign: Collection[Key]
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
        found.append(Finding(Problem.CHANGED_BYTES, path, sentence, partition))
    found += _beside_journal(partition, path, held, expected)
    found += _beside_ledger(partition, path, held, expected)
    return found


def _beside_journal(
    partition: Partition, path: str, held: FileRows, expected: Expected
) -> Iterable[Finding]:
    digests = dict(zip(held.keys, held.digests, strict=True))
    if not expected.page.was_deleted:
        missing = sorted(expected.own.keys() - digests.keys())
        if missing:
            sentence = f"{len(missing)} rows that the journal has are not in it: {_shown(missing)}"
            yield Finding(Problem.MISSING_ROWS, path, sentence, partition, len(missing))
    if not held.has_figures:
        return
    other = [k for k, digest in expected.own.items() if digests.get(k, digest) != digest]
    taken = sorted(k for k in other if k in expected.foreign)
    changed = sorted(k for k in other if k not in expected.foreign)
    if changed:
        sentence = f"{len(changed)} rows differ from those of the journal: {_shown(changed)}"
        yield Finding(Problem.CHANGED_ROWS, path, sentence, partition, len(changed))
    if taken:
        sentence = (
            f"{len(taken)} rows of the journal cannot come into it: rows of an earlier journal "
            f"have their keys: {_shown(taken)}"
        )
        yield Finding(Problem.KEY_TAKEN, path, sentence, partition, len(taken))


def _beside_ledger(
    partition: Partition, path: str, held: FileRows, expected: Expected
) -> Iterable[Finding]:
    if expected.page.was_deleted or not FACTS[partition.table].figures:
        return
    coming = {row.key for _, row in expected.tail}
    sums: defaultdict[str, Tally] = defaultdict(Tally)
    for key, day, digest in zip(held.keys, held.days, held.digests, strict=True):
        if key not in expected.foreign and key not in coming:
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


def _shown(keys: list[Key]) -> str:
    texts = ["/".join(map(str, key)) for key in keys[:_SHOWN]]
    return ", ".join(texts) + (", …" if len(keys) > _SHOWN else "")

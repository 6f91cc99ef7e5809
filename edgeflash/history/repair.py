"""Mending what verification finds, with the rows that the journal still has.

Nothing is thrown away: what a file held before is kept beside the history. What cannot be mended
is found by looking again afterwards, and said. Each file is replaced at one go, so that readers see
it as it was or mended.
"""

from __future__ import annotations

import os
import shutil
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pyarrow as pa

from edgeflash.errors import StorageError
from edgeflash.history.file_rows import FACTS, Key, day_of_us, plain_values
from edgeflash.history.files import UNREADABLE, read_file, rows_in, set_aside, sync_folder
from edgeflash.history.findings import Finding, Problem, Report
from edgeflash.history.fingerprint import fingerprint
from edgeflash.history.journal_rows import CONSUMERS, feed_of
from edgeflash.history.layout import UNREADABLE_FOLDER, Partition, rows_by_partition
from edgeflash.history.merge import in_order, with_new_rows
from edgeflash.history.schema import TABLES
from edgeflash.history.verify import Progress, Verification, no_progress
from edgeflash.history.writer import HistoryWriter
from edgeflash.journal import Journal
from edgeflash.journal.ledger import EVENTS

_CHUNK = 256
_BATCH_ROWS = 4096
"""Rows for files that only lack some, between two rounds of putting them there."""
_AT_ONCE = 16
"""Files whose rows of the journal are held together, for one look through the journal."""

_REWRITTEN = frozenset(
    {
        Problem.UNSORTED,
        Problem.DAMAGED_ROWS,
        Problem.DOUBLED_ROWS,
        Problem.MISPLACED_ROWS,
        Problem.CHANGED_ROWS,
        Problem.CHANGED_BYTES,
    }
)
_FILLED = frozenset({Problem.UNREADABLE, Problem.MISSING_FILE, Problem.MISSING_ROWS})


@dataclass(frozen=True, slots=True)
class Mended:
    """What was done to one file.

    brought_back: rows that came from the journal. taken_out: rows that were damaged, doubled or did
    not belong there, and are not in it any more. unproven: rows of a file with changed bytes that
    the journal has no longer: kept as they are. kept_as: where the file of before is, below the
    history folder; empty when there was none.
    """

    partition: Partition
    brought_back: int = 0
    taken_out: int = 0
    unproven: int = 0
    kept_as: str = ""

    @property
    def path(self) -> str:
        """Of the file, below the history folder."""
        return str(self.partition.path(Path()))


@dataclass(frozen=True, slots=True)
class RepairReport:
    """before: what was found. mended: what was done. left: what is still wrong. noted: files of
    before the ledger that are sound, and now have their fingerprint in it."""

    before: Report
    mended: tuple[Mended, ...] = ()
    left: tuple[Finding, ...] = ()
    noted: int = 0

    @property
    def unproven(self) -> int:
        """Rows of files with changed bytes that are kept as they are."""
        return sum(m.unproven for m in self.mended)


def repair(
    folder: Path, journal: Journal, writer: HistoryWriter, on_progress: Progress = no_progress
) -> RepairReport:
    """Verifies, and mends what it can. writer: the one writer of the folder, which waits meanwhile.

    May be broken off at any moment, and run again. Raises StorageError.
    """
    before = Verification(folder, journal).run(on_progress)
    partitions = sorted({f.partition for f in before.findings if f.partition is not None})
    strangers = tuple(f for f in before.findings if f.partition is None)
    if not partitions and not before.unnoted_files:
        return RepairReport(before, left=strangers)
    try:
        with writer.alone():
            mending = _Mending(folder, journal, writer)
            left = mending.run(partitions, on_progress)
            noted = mending.note_sound_files() if before.unnoted_files else 0
    except OSError as error:
        raise StorageError(f"{folder}: cannot be mended: {error}; run it again") from error
    done = tuple(m for m in mending.done.values() if m != Mended(m.partition))
    return RepairReport(before, done, (*left, *strangers), noted)


class _Mending:
    """done: what was, by file."""

    def __init__(self, folder: Path, journal: Journal, writer: HistoryWriter) -> None:
        self._folder = folder
        self._journal = journal
        self._writer = writer
        self._look = Verification(folder, journal)
        self._rows_before: dict[Partition, int | None] = {}
        self.done: dict[Partition, Mended] = {}

    def run(self, partitions: Sequence[Partition], on_progress: Progress) -> list[Finding]:
        """Mends what it can of these files; what is still wrong with them."""
        self._look.read_journal()
        problems = {p: {f.problem for f in self._look.check(p)} for p in partitions}
        to_rewrite = [p for p, found in problems.items() if found & _REWRITTEN]
        to_fill = [p for p, found in problems.items() if found & _FILLED and p not in to_rewrite]
        self._rows_before = {
            p: self._look.noted_rows(p)
            for p in (*to_rewrite, *to_fill)
            if not self._look.knows_all_of(p)
        }
        for begin in range(0, len(to_rewrite), _AT_ONCE):
            on_progress("repair", begin, len(to_rewrite))
            some = to_rewrite[begin : begin + _AT_ONCE]
            held = self._gathered(some)
            for partition in some:
                is_suspect = Problem.CHANGED_BYTES in problems[partition]
                self._rewrite(partition, is_suspect, held.get(partition))
        for partition in to_fill:
            kept_as = ""
            if Problem.UNREADABLE in problems[partition]:
                kept_as = self._inside(set_aside(self._folder, partition))
            self.done[partition] = Mended(partition, kept_as=kept_as)
        self._fill(to_fill)
        self._look = Verification(self._folder, self._journal)
        self._look.read_journal(on_progress)
        return [finding for partition in partitions for finding in self._still_wrong(partition)]

    def _still_wrong(self, partition: Partition) -> list[Finding]:
        """What is wrong with a file now. Where the ledger does not count all rows that it once had,
        how many were written last is held against how many there are, and are still to come: after
        a crash the journal gives again what had been in the file."""
        found = self._look.check(partition)
        if found or partition not in self._rows_before:
            return found
        before, done = self._rows_before[partition], self.done[partition]
        if before is None:
            if not done.kept_as.endswith(UNREADABLE):
                return []
            lost, had = None, "nobody knows how many rows it had"
        else:
            there = rows_in(self._folder, partition) + self._look.rows_to_come(partition)
            lost = before - there
            if lost <= 0:
                return []
            had = f"at least {lost} of the {before} rows it had are gone"
        sentence = f"{had}: the journal has no more of them; take the file from a backup"
        return [Finding(Problem.LOST_ROWS, done.path, sentence, partition, lost)]

    def note_sound_files(self) -> int:
        """Gives files of before the ledger, when they are sound, their fingerprint in it; how
        many."""
        count = 0
        for partition in self._look.partitions():
            path = partition.path(self._folder)
            if self._look.noted_rows(partition) is not None or not path.exists():
                continue
            if not self._look.check(partition):
                rows = len(read_file(self._folder, partition, TABLES[partition.table].order))
                self._journal.note_file(fingerprint(path, partition, rows))
                count += 1
        return count

    def _rewrite(self, partition: Partition, is_suspect: bool, own: pa.Table | None) -> None:
        """Puts one file in order. is_suspect: its bytes have changed, in any column maybe, so that
        what the journal has comes from there, whole. own: that."""
        kept_as = self._kept_copy(partition)
        table = read_file(self._folder, partition)
        renewed = frozenset(
            self._look.own_keys(partition) if is_suspect else self._look.own_rows(partition).changed
        )
        # What was trimmed from the journal since it was looked through must stay as it is here.
        renewed &= self._journal_keys(partition, own)
        keep, taken_out = self._kept(partition, table, renewed)
        rest = in_order(table.filter(pa.array(keep, pa.bool_())), partition.table)
        merged = None if own is None else with_new_rows(rest, own, partition.table)
        merged = rest if merged is None else merged
        if len(merged):
            self._writer.put_in_place_of(partition, merged)
        else:
            set_aside(self._folder, partition)
        self.done[partition] = Mended(
            partition,
            brought_back=len(merged) - len(rest),
            taken_out=taken_out,
            unproven=len(rest) if is_suspect else 0,
            kept_as=kept_as,
        )

    def _kept(
        self, partition: Partition, table: pa.Table, renewed: Collection[Key]
    ) -> tuple[list[bool], int]:
        """Which rows stay, and how many are taken out and do not come back from the journal."""
        declared, facts = TABLES[partition.table], FACTS[partition.table]

        def tuples(names: Sequence[str]) -> list[Key]:
            return list(zip(*(plain_values(table[name]) for name in names), strict=True))

        journal_keys = tuples(facts.journal_key)
        journals_us = plain_values(table["journal_begun_at"]) if facts.names_journal else ()
        is_foreign = self._look.is_foreign(partition, journal_keys, journals_us)
        seen: set[Key] = set()
        keep, taken_out = list[bool](), 0
        for key, journal_key, at_us, analyzer, foreign in zip(
            tuples(declared.key_in_file),
            journal_keys,
            plain_values(table[declared.time]),
            plain_values(table["analyzer"]),
            is_foreign,
            strict=True,
        ):
            if journal_key in renewed and not foreign:
                keep.append(False)
                continue
            belongs = (
                at_us is not None
                and None not in key
                and key not in seen
                and (analyzer or "") == partition.analyzer
                and day_of_us(at_us).startswith(partition.period)
            )
            seen.add(key)
            keep.append(belongs)
            taken_out += not belongs
        return keep, taken_out

    def _journal_keys(self, partition: Partition, own: pa.Table | None) -> frozenset[Key]:
        if own is None:
            return frozenset()
        columns = (plain_values(own[name]) for name in FACTS[partition.table].journal_key)
        return frozenset(zip(*columns, strict=True))

    def _gathered(self, partitions: Collection[Partition]) -> Mapping[Partition, pa.Table]:
        """What the journal has of some files."""
        found: defaultdict[Partition, list[pa.Table]] = defaultdict(list)
        for partition, rows in self._journal_rows(frozenset(partitions)):
            found[partition].append(rows)
        return {partition: pa.concat_tables(tables) for partition, tables in found.items()}

    def _fill(self, partitions: Collection[Partition]) -> None:
        """Brings rows back into files that lack them."""
        batch: defaultdict[Partition, list[pa.Table]] = defaultdict(list)
        count = 0
        for partition, rows in self._journal_rows(frozenset(partitions)):
            batch[partition].append(rows)
            count += len(rows)
            if count >= _BATCH_ROWS:
                self._put(batch)
                batch.clear()
                count = 0
        self._put(batch)

    def _put(self, batch: Mapping[Partition, list[pa.Table]]) -> None:
        for partition in sorted(batch):
            added = self._writer.put(partition, pa.concat_tables(batch[partition]))
            done = self.done[partition]
            self.done[partition] = replace(done, brought_back=done.brought_back + added)

    def _journal_rows(
        self, partitions: frozenset[Partition]
    ) -> Iterator[tuple[Partition, pa.Table]]:
        """The rows of some files that had come to them, as the journal has them."""
        for feed, consumer in CONSUMERS.items():
            if not any(feed_of(p.table) == feed for p in partitions):
                continue
            seq, up_to = 0, self._journal.position(consumer)
            after = (
                self._journal.event_lines_after if feed == EVENTS else self._journal.entries_after
            )
            while seq < up_to and (lines := after(seq, _CHUNK)):
                seq = lines[-1].seq
                held = rows_by_partition([line for line in lines if line.seq <= up_to])
                yield from ((p, rows) for p, rows in held.items() if p in partitions)

    def _kept_copy(self, partition: Partition) -> str:
        """The file as it is, under a second name beside the history; that name."""
        path, aside = partition.path(self._folder), self._folder / UNREADABLE_FOLDER
        aside.mkdir(parents=True, exist_ok=True)
        number = 1
        while (target := aside / f"{partition.flat_name}~{number}.before_repair").exists():
            number += 1
        try:
            os.link(path, target)
        except OSError:
            shutil.copy2(path, target)  # a file system without hard links
        sync_folder(aside)
        return self._inside(target)

    def _inside(self, path: Path) -> str:
        return str(path.relative_to(self._folder))

"""What the rules catch: every fault at strengths from invisible to gross, and clean cycles.

    python -m tests.bench.bench_detection --jobs 2 --out docs/detection.md

Prints the page, or writes it. Ends with 1 when a gross fault was not always caught by its rule,
or clean cycles were rejected or doubted more often than promised.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from scipy import stats

from edgeflash.rules.catalogue import RULES, VERSION
from tests.bench.faults_cases import CASES, Case
from tests.bench.faults_run import (
    CLEAN_CYCLES,
    CLEAN_FUELS_C,
    Score,
    clean,
    over_cores,
    score_of,
    threshold,
)

MOST_REJECTED, MOST_DOUBTED = 1 / 2000, 1 / 200


def _arguments(given: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_detection")
    parser.add_argument("--cycles", type=int, default=200, help="faulty cycles of each strength")
    parser.add_argument("--clean", type=int, default=20_000, help="clean cycles")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--only", action="append", default=[], help="a case; may come again")
    parser.add_argument("--commit", default="COMMIT", help="of the rules, for the page")
    parser.add_argument("--out", type=Path, help="the page; standard output by default")
    return parser.parse_args(given)


def main(given: Sequence[str] | None = None) -> int:
    """Runs it all; the exit code."""
    options = _arguments(given)
    cases = [case for case in CASES if not options.only or case.name in options.only]
    jobs = [(case.name, strength, options.cycles) for case in cases for strength in case.strengths]
    scores = over_cores(score_of, jobs, options.jobs, "faults")
    clean_jobs = [(seed, CLEAN_CYCLES) for seed in range(-(-options.clean // CLEAN_CYCLES))]
    cleans = over_cores(clean, clean_jobs, options.jobs, "clean") if clean_jobs else []
    counted = sum(count for count, _, _ in cleans)
    rejected = sum((r for _, r, _ in cleans), Counter[str]())
    doubted = sum((d for _, _, d in cleans), Counter[str]())
    text = page(options, cases, scores, counted, rejected, doubted)
    if options.out is None:
        print(text)
    else:
        options.out.write_text(text, encoding="utf-8")
    missing = [
        case.name for case in cases if case.is_gross_sure and _of(case, scores)[-1].share < 1
    ]
    for name in missing:
        print(f"not always caught when gross: {name}", file=sys.stderr)
    too_many = (
        rejected.total() > MOST_REJECTED * counted or doubted.total() > MOST_DOUBTED * counted
    )
    return int(bool(missing) or too_many)


def _of(case: Case, scores: Sequence[Score]) -> list[Score]:
    return [one for one in scores if one.case == case.name]


def page(
    options: argparse.Namespace,
    cases: Sequence[Case],
    scores: Sequence[Score],
    counted: int,
    rejected: Counter[str],
    doubted: Counter[str],
) -> str:
    """The page."""
    command = (
        f"python -m tests.bench.bench_detection --cycles {options.cycles} "
        f"--clean {options.clean} --jobs {options.jobs} --out docs/detection.md"
    )
    lines = [
        "# What the rules catch",
        "",
        f"Made by `{command}` on {datetime.now(UTC):%Y-%m-%d}, rule catalogue {VERSION}, commit "
        f"{options.commit}.",
        "",
        "Simulated cycles: a cup with its own physics behind the bench cup's register map, read by",
        "the gateway's own link, assembler, computation and rules, all rules as they come. Each",
        "faulty cycle follows 15 clean ones. The figures hold for this simulator; on site, replay",
        "your own history.",
        "",
        "## Faults",
        "",
        f"{options.cycles} faulty cycles of each strength, from what nobody can see to gross.",
        "By its rule: a rule that is meant for the fault spoke. By another: the cycle was not",
        "accepted, for another reason. Missed: accepted as if nothing was wrong, which is right",
        "for strengths that do no harm. Off: the published values of the missed ones, from the",
        "lowest to the highest, less the true flash point of what was in the cup; a sound cycle is",
        "off by 0 to one step between two sparks (0.33 °C), give or take the noise.",
        "",
        "| fault | strength | by its rule | by another | missed | missed: off, °C | which other |",
        "| --- | ---: | ---: | ---: | ---: | ---: | --- |",
    ]
    for one in scores:
        case = next(c for c in cases if c.name == one.case)
        strength = f"{one.strength:g} {case.unit}".strip() if len(case.strengths) > 1 else ""
        which = ", ".join(f"`{name}` {count}" for name, count in one.others)
        shares = (f"{n / one.cycles:.1%}" for n in (one.intended, one.other, one.missed))
        off = "" if one.off_c is None else "{:+.1f} to {:+.1f}".format(*one.off_c)
        lines.append(f"| {one.case} | {strength} | {' | '.join(shares)} | {off} | {which} |")
    lines += [
        "",
        "## Detection thresholds",
        "",
        "The strength at which 95 % are caught by the rules named, straight between the strengths",
        "of the table above.",
        "",
        "| fault | rules meant for it | 95 % caught from | gross, by its rule |",
        "| --- | --- | ---: | ---: |",
    ]
    for case in cases:
        own = _of(case, scores)
        found = threshold(own)
        shown = "not reached" if found is None else f"{found:.3g} {case.unit}".strip()
        if len(case.strengths) == 1 and found is not None:
            shown = "always" if own[-1].share == 1.0 else "yes"
        rules = ", ".join(f"`{name}`" for name in case.rules)
        note = f" ({case.note})" if case.note else ""
        lines.append(f"| {case.name}{note} | {rules} | {shown} | {own[-1].share:.1%} |")
    lines += ["", *_silent(cases, scores), "", "## Clean cycles", ""]
    if counted:
        fuels = ", ".join(f"{fuel:g}" for fuel in CLEAN_FUELS_C)
        lines += [
            f"{counted} cycles without any fault, of fuels that flash at {fuels} °C and drift, in "
            f"runs of {CLEAN_CYCLES}.",
            f"Rejected: {_told(rejected.total(), counted)}; promised: at most one in "
            f"{1 / MOST_REJECTED:.0f}.",
            f"Doubted: {_told(doubted.total(), counted)}; promised: at most one in "
            f"{1 / MOST_DOUBTED:.0f}.",
            "Limits after Clopper and Pearson (scipy), two-sided, 95 %.",
            "",
        ]
        if rejected or doubted:
            lines += ["| rule, first reason | rejected | doubted |", "| --- | ---: | ---: |"]
            for name in sorted({*rejected, *doubted}):
                lines.append(f"| `{name}` | {rejected[name]} | {doubted[name]} |")
            lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def _silent(cases: Sequence[Case], scores: Sequence[Score]) -> list[str]:
    """Which rules this table says nothing of."""
    spoke = frozenset[str]().union(*(one.spoke for one in scores))
    meant = {name for case in cases for name in case.rules}
    unmeant = [rule.name for rule in RULES if rule.name not in meant]
    return [
        "## Rules without a fault of their own",
        "",
        "Each rule is tested in both directions in `tests/unit/rules/test_rules.py`. Here,",
        f"{len(meant)} of {len(RULES)} have a fault that they are meant for. The others (*: spoke "
        "all the same):",
        ", ".join(f"`{name}`{'*' * (name in spoke)}" for name in unmeant) + ".",
        "",
        "Meant for a fault, and never spoke: "
        + (", ".join(f"`{name}`" for name in sorted(meant - spoke)) or "none")
        + ".",
    ]


def _told(count: int, total: int) -> str:
    """So many of all, as a share with its confidence limits."""
    low, high = stats.binomtest(count, total).proportion_ci(0.95, method="exact")
    share = "none" if count == 0 else f"one in {total / count:.0f}"
    rarest = "never" if low == 0 else f"one in {1 / low:.0f}"
    return f"{count} ({share}; the true share is between {rarest} and one in {1 / high:.0f})"


if __name__ == "__main__":
    sys.exit(main())

"""What mutation testing found: draws mutants, asks about the unclear ones again, counts.

For tests/bench/mutation.sh, in the folder where mutmut works:

    python -m tests.bench.mutation_counts draw 12 1   12 of each file, by seed 1: their names
    python -m tests.bench.mutation_counts again       the unclear ones, each in a process of its own
    python -m tests.bench.mutation_counts table       what became of all, as the page has it

Why again: mutmut switches a mutant on in a process that has imported everything already, and runs
the tests that reached the function. What is called when modules are imported (the tables of methods
and rules) is past by then, and such a mutant survives unseen. A new process sees it, with all the
tests. One that ran out of time on a busy machine is asked again, too.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from time import monotonic

from scipy import stats

MUTANTS = Path("mutants")
AGAIN = Path("again.json")
PATIENCE = 10.0
"""Times what the tests take without a mutant: after that it hangs."""

KILLED, SURVIVED, HANGS = "killed", "survived", "hangs"
EXITS = {0: SURVIVED, 1: KILLED, 3: KILLED, 5: SURVIVED, 33: SURVIVED}
"""By mutmut's exit codes: 5 and 33 are mutants that no test reaches; others are unclear."""


@dataclass(frozen=True, slots=True)
class Stratum:
    """One file: how many mutants it has, and what became of those that were drawn."""

    name: str
    all: int
    outcomes: Counter[str]

    @property
    def drawn(self) -> int:
        """How many were tested."""
        return self.outcomes.total()

    @property
    def killed(self) -> int:
        """One that hangs is noticed, too."""
        return self.outcomes[KILLED] + self.outcomes[HANGS]


def files() -> Iterator[tuple[str, dict[str, int | None]]]:
    """Each file with mutants, and their exit codes; None: not tested."""
    for meta in sorted((MUTANTS / "edgeflash").rglob("*.meta")):
        codes = json.loads(meta.read_text("utf-8"))["exit_code_by_key"]
        if codes:
            yield str(meta.relative_to(MUTANTS)).removesuffix(".meta"), codes


def draw(each: int, seed: int) -> Iterator[str]:
    """So many of each file, or all where it has fewer."""
    chance = random.Random(seed)
    for _, codes in files():
        yield from chance.sample(sorted(codes), min(len(codes), each))


def again() -> dict[str, str]:
    """What becomes of the survivors and the unclear ones where the mutant is on from the start.

    Survivors whose function is not called at import survive: mutmut's own word is enough. Raises
    RuntimeError when the tests fail without any mutant: nothing could be concluded then.
    """
    early = _called_at_import()
    begun = monotonic()
    if _asked("") != SURVIVED:
        raise RuntimeError("the tests fail without a mutant")
    patience_s = PATIENCE * (monotonic() - begun)
    found: dict[str, str] = {}
    for _, codes in files():
        for name, code in codes.items():
            if code is None or EXITS.get(code) == KILLED:
                continue
            if EXITS.get(code) == SURVIVED and name.rpartition("__mutmut_")[0] not in early:
                continue
            found[name] = _asked(name, patience_s)
            print(f"{name}: mutmut {code}, again {found[name]}", file=sys.stderr, flush=True)
    return found


def _called_at_import() -> frozenset[str]:
    """Every function that is called while modules and tests are imported and tests collected."""
    told = Path("called_at_import.json").resolve()
    code = f"""
import json, pathlib, pytest, sys
from mutmut.state import state
pytest.main(sys.argv[1:])
pathlib.Path({str(told)!r}).write_text(json.dumps(sorted(state()._stats)))
"""
    subprocess.run(
        [sys.executable, "-c", code, "--collect-only", "-qqq", "--rootdir=.", *_words()],
        cwd=MUTANTS,
        env=_environment("stats"),
        stdout=subprocess.DEVNULL,
        check=True,
    )
    return frozenset(json.loads(told.read_text("utf-8")))


def _words() -> list[str]:
    settings = tomllib.loads(Path("pyproject.toml").read_text("utf-8"))["tool"]["mutmut"]
    return [*settings["pytest_add_cli_args"], *settings["pytest_add_cli_args_test_selection"]]


def _environment(mutant: str) -> dict[str, str]:
    return {**os.environ, "MUTANT_UNDER_TEST": mutant, "PYTHONPATH": "."}


def _asked(mutant: str, patience_s: float | None = None) -> str:
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "--rootdir=.", *_words()],
            cwd=MUTANTS,
            env=_environment(mutant),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=patience_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return HANGS
    # 2: a module could not even be imported.
    return SURVIVED if done.returncode == 0 else KILLED


def strata() -> list[Stratum]:
    """Every file, with what became of its mutants after they were asked again."""
    later: dict[str, str] = json.loads(AGAIN.read_text("utf-8"))
    return [
        Stratum(
            name,
            len(codes),
            Counter(
                later.get(mutant) or EXITS.get(code, HANGS)
                for mutant, code in codes.items()
                if code is not None
            ),
        )
        for name, codes in files()
    ]


def weighted(found: list[Stratum]) -> tuple[float, float, float]:
    """The share of all mutants that is killed, and its limits (two-sided, 95 %).

    Each file counts by its size. Limits after Korn and Graubard (1998, from memory): those of
    Clopper and Pearson for the sample that would be as sure if all files counted alike.
    """
    sure = [one for one in found if one.drawn]
    total = sum(one.all for one in sure)
    share = sum(one.all * one.killed / one.drawn for one in sure) / total
    size = total**2 / sum(one.all**2 / one.drawn for one in sure)
    killed = share * size
    low = 0.0 if killed <= 0 else float(stats.beta.ppf(0.025, killed, size - killed + 1))
    high = 1.0 if killed >= size else float(stats.beta.ppf(0.975, killed + 1, size - killed))
    return share, low, high


def table(found: list[Stratum]) -> Iterator[str]:
    """The lines for the page."""
    yield "| file | all mutants | drawn | killed | of them by hanging | survived |"
    yield "| --- | ---: | ---: | ---: | ---: | ---: |"
    rows = [(f"`{one.name}`", one.all, one.outcomes) for one in found if one.drawn]
    outcomes = sum((one.outcomes for one in found), Counter[str]())
    for name, size, seen in (*rows, ("all", sum(one.all for one in found), outcomes)):
        killed = seen[KILLED] + seen[HANGS]
        yield f"| {name} | {size} | {seen.total()} | {killed} | {seen[HANGS]} | {seen[SURVIVED]} |"
    share, low, high = weighted(found)
    yield ""
    yield (
        f"Weighted by the size of the files: {share:.1%} of all mutants are killed "
        f"(95 % limits: {low:.1%} to {high:.1%})."
    )
    later: dict[str, str] = json.loads(AGAIN.read_text("utf-8"))
    seen_at_import = sum(outcome == KILLED for outcome in later.values())
    yield f"{seen_at_import} of the killed were killed only in a process of their own."
    yield ""
    yield "Survivors:"
    for _, codes in files():
        for name, code in codes.items():
            if (later.get(name) or EXITS.get(code if code is not None else -1)) == SURVIVED:
                yield f"- {name}"


def main(words: list[str]) -> None:
    """One of the three."""
    match words:
        case ["draw", each, seed]:
            print(*draw(int(each), int(seed)), sep="\n")
        case ["again"]:
            AGAIN.write_text(json.dumps(again(), indent=1), encoding="utf-8")
        case ["table"]:
            print(*table(strata()), sep="\n")
        case _:
            sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])

"""The statements of the Sparkplug specification for edge nodes, and the tests that check each.

Eclipse Sparkplug Specification 3.0.0, an open standard. Identifiers and what they ask are from
memory and in our words, in sparkplug_statements.csv; there may be others in the specification.
Refresh the page with
`python -m tests.unit.outlets.sparkplug_statements > docs/sparkplug-conformance.md`.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from edgeflash.rules.page import markdown_table

FILES = {
    "node": "tests/unit/outlets/test_sparkplug_node.py",
    "metrics": "tests/unit/outlets/test_sparkplug_metrics.py",
    "payload": "tests/unit/outlets/test_sparkplug_payload.py",
    "speech": "tests/unit/outlets/test_sparkplug_speech.py",
    "session": "tests/property/test_sparkplug_session.py",
    "checks": "tests/unit/config/test_sparkplug_checks.py",
    "decodes": "tests/peers/test_sparkplug_decodes.py",
    "broker": "tests/peers/test_sparkplug_broker.py",
    "gateway": "tests/peers/test_sparkplug_gateway.py",
}


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement. tests: `file:test` of FILES; why_not: instead of tests. binds_us: an edge node
    like ours has to do it."""

    section: str
    id: str
    asks: str
    binds_us: bool
    tests: tuple[str, ...]
    why_not: str


def _read() -> tuple[Statement, ...]:
    with Path(__file__).with_suffix(".csv").open(encoding="utf-8", newline="") as lines:
        return tuple(
            Statement(
                row["section"],
                row["statement"],
                row["asks"],
                row["binds_us"] == "yes",
                tuple(row["tests"].split()),
                row["why_not"],
            )
            for row in csv.DictReader(lines)
        )


STATEMENTS = _read()
OURS = tuple(s for s in STATEMENTS if s.binds_us)
CHECKED = tuple(s for s in OURS if s.tests)


def share_percent() -> float:
    """How many of the statements that bind us a test checks."""
    return 100.0 * len(CHECKED) / len(OURS)


def page() -> str:
    """The page of the documentation, with a line feed at its end."""
    return "\n\n".join(_parts()) + "\n"


def _parts() -> Iterator[str]:
    yield "# Sparkplug conformance"
    yield (
        "Made from a list in the tests; do not edit by hand. Refresh with\n"
        "`python -m tests.unit.outlets.sparkplug_statements > docs/sparkplug-conformance.md`."
    )
    yield (
        "What the Eclipse Sparkplug Specification 3.0.0, an open standard, asks of edge nodes and\n"
        "devices, and the tests that check it. Identifiers (there with `tck-id-` before them) and\n"
        "contents are from memory, in our words, and the list may lack some: compare before you\n"
        "rely on one. This is our own test, not a certification. What the node sends:\n"
        "[Sparkplug](sparkplug.md)."
    )
    yield (
        f"{len(STATEMENTS)} statements, of which {len(OURS)} bind a node like ours; tests check\n"
        f"**{len(CHECKED)} of these ({share_percent():.0f} %)**."
    )
    for section, group in groupby(STATEMENTS, lambda s: s.section):
        yield f"## {section}"
        yield markdown_table(
            ("Statement", "What it asks", "Checked by"),
            ((f"`{s.id}`", s.asks, _checked_by(s)) for s in group),
        )
    yield "## Where the tests are"
    yield markdown_table(("Name", "File"), ((f"`{n}`", f"`{f}`") for n, f in FILES.items()))


def _checked_by(statement: Statement) -> str:
    if statement.tests:
        return ", ".join(f"`{test}`" for test in statement.tests)
    return f"{'nothing' if statement.binds_us else 'does not apply'}: {statement.why_not}"


if __name__ == "__main__":
    print(page(), end="")

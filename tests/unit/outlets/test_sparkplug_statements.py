"""The list of Sparkplug statements is true: its tests are there, and its page is current."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from tests.unit.outlets.sparkplug_statements import FILES, OURS, STATEMENTS, page, share_percent

ROOT = Path(__file__).resolve().parents[3]


def names_of_tests(file: str) -> set[str]:
    """The tests of a file."""
    tree = ast.parse((ROOT / file).read_text("utf-8"))
    kinds = ast.FunctionDef | ast.AsyncFunctionDef
    return {n.name for n in tree.body if isinstance(n, kinds) and n.name.startswith("test_")}


def test_every_statement_names_tests_that_exist_or_says_why_not() -> None:
    """And each stands once."""
    there = {name: names_of_tests(file) for name, file in FILES.items()}
    assert len({s.id for s in STATEMENTS}) == len(STATEMENTS)
    for statement in STATEMENTS:
        assert bool(statement.tests) != bool(statement.why_not), statement.id
        for test in statement.tests:
            file, name = test.split(":")
            assert name in there[file], f"{statement.id}: {test} is not there"


def test_nearly_all_that_binds_us_is_checked() -> None:
    """The share is computed from the list, and stated on the page."""
    assert len(OURS) >= 120
    assert share_percent() >= 95.0
    assert f"({share_percent():.0f} %)" in page()


def test_identifiers_in_docstrings_are_of_the_list() -> None:
    """A test that names a statement names one that the list has."""
    known = {s.id for s in STATEMENTS}
    families = "topics|payloads|message-flow|operational-behavior|principles"
    text = "".join((ROOT / file).read_text("utf-8") for file in FILES.values())
    named = set(re.findall(rf"(?<![\w-])(?:{families})-[\w-]*\w", text))
    assert len(named) > 25
    assert named <= known, sorted(named - known)


def test_the_page_is_current() -> None:
    """The committed page is what the list says now."""
    assert (ROOT / "docs" / "sparkplug-conformance.md").read_text("utf-8") == page()

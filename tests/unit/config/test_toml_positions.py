"""Each key of a TOML text has the line it stands on."""

from __future__ import annotations

import random
import tomllib
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.config.toml_positions import KeyPath, key_lines, line_of
from tests.unit.config.toml_writer import TomlWriter

_TEXTS = st.text(
    st.one_of(st.sampled_from("\n\t\r\"'\\#[]{}=,.ab"), st.characters(exclude_categories=["Cs"])),
    max_size=8,
)
_KEYS = st.one_of(st.sampled_from(["a", "b", "c-d", "1", "true"]), _TEXTS)
_SCALARS = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    _TEXTS,
    st.dates(),
    st.datetimes(),
    st.times(),
)
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(_KEYS, inner, max_size=4),
        st.lists(st.dictionaries(_KEYS, inner, max_size=3), min_size=1, max_size=3),
    ),
    max_leaves=10,
)
_DOCUMENTS = st.dictionaries(_KEYS, _VALUES, max_size=5)


def paths_of(value: Any, path: KeyPath = ()) -> set[KeyPath]:
    """Every path in a document as tomllib gives it."""
    if isinstance(value, dict):
        items: list[tuple[str | int, Any]] = list(value.items())
    else:
        items = list(enumerate(value)) if isinstance(value, list) else []
    found = {path} if path else set()
    return found.union(*(paths_of(inner, (*path, key)) for key, inner in items))


@settings(max_examples=100, deadline=None)
@given(document=_DOCUMENTS, seed=st.integers(0, 2**32))
def test_every_path_has_the_line_it_was_written_on(document: dict[str, Any], seed: int) -> None:
    """For generated documents in every style of TOML; tomllib vouches for the text."""
    written = TomlWriter(document, random.Random(seed))
    assert tomllib.loads(written.text) == document
    lines = key_lines(written.text)
    assert set(lines) == paths_of(document)
    assert lines == written.lines
    assert key_lines(written.text.replace("\n", "\r\n")) == written.lines


@settings(max_examples=300, deadline=None)
@given(text=st.text(st.sampled_from("[]{}\"'=.,#\\\n ab1"), max_size=40))
def test_it_ends_for_any_text(text: str) -> None:
    """A text that is no TOML gives no promise, but an end; one that is gives every path."""
    lines = key_lines(text)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert set(lines) == paths_of(document)


def test_tables_in_and_out_of_order() -> None:
    """A table named after its child has its own line; arrays of tables count on."""
    text = """
[a.b]
x = 1
[a]
"y z" = 2
[[a.list]]
[a.list.deep]
n = [
  1,
  { k = 'v' },
]
[[a.list]]
p.q = \"\"\"
[not.a.table]
\"\"\"
"""
    lines = key_lines(text)
    assert lines[("a",)] == 4
    assert lines[("a", "b")] == 2
    assert lines[("a", "y z")] == 5
    assert lines[("a", "list", 0)] == 6
    assert lines[("a", "list", 0, "deep", "n", 1, "k")] == 10
    assert lines[("a", "list", 1, "p", "q")] == 13
    assert set(lines) == paths_of(tomllib.loads(text))


def test_quotes_before_the_closing_quotes() -> None:
    """Up to two quotes may stand before the three that close a string (TOML 1.0, "String")."""
    text = "a = \"\"\"x\n\"\"\"\"\"\nb = ['''y\n''''', 1]\n\nc = 2\n"
    assert tomllib.loads(text) == {"a": 'x\n""', "b": ["y\n''", 1], "c": 2}
    lines = {("a",): 1, ("b",): 3, ("b", 0): 3, ("b", 1): 4, ("c",): 6}
    assert key_lines(text) == lines


def test_a_path_that_is_not_there_has_the_line_around_it() -> None:
    """A missing key is shown at its table, anything else at the top."""
    lines = key_lines("\n[a]\nb = 1\n")
    assert line_of(lines, ("a", "c", 0)) == 2
    assert line_of(lines, ("z",)) == 1
    assert line_of(lines, ()) == 1

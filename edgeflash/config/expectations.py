"""What a key expects, in words, read from the JSON Schema of its model."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import date, time
from difflib import get_close_matches
from typing import Any

from edgeflash.config.problems import key_text
from edgeflash.config.toml_positions import KeyPath

Schema = Mapping[str, Any]

_PATTERNS = {
    r"^[a-z][a-z0-9-]{0,31}$": "lower-case letters, digits and hyphens, a letter first, "
    "at most 32 characters",
    r"^[a-z][a-z0-9_]{0,39}$": "lower-case letters, digits and underscores, a letter first, "
    "at most 40 characters",
}


def node_at(schema: Schema, path: KeyPath) -> Schema | None:
    """The part of the schema that speaks of a path; None when the schema knows no such place."""
    node: Schema | None = schema
    for part in path:
        node = _step(schema, resolved(schema, node), part) if node is not None else None
    return resolved(schema, node) if node is not None else None


def resolved(root: Schema, node: Schema) -> Schema:
    """The node a reference points to."""
    while "$ref" in node:
        node = root["$defs"][str(node["$ref"]).removeprefix("#/$defs/")]
    return node


def _step(root: Schema, node: Schema, part: str | int) -> Schema | None:
    found: Any
    if isinstance(part, int):
        found = node.get("items")
    elif part in node.get("properties", {}):
        found = node["properties"][part]
    elif "patternProperties" in node:
        found = next(iter(node["patternProperties"].values()))
    else:
        found = node.get("additionalProperties")
    return found if isinstance(found, Mapping) else None


def expected(root: Schema, path: KeyPath) -> str:
    """What stands right at a path: "a whole number from 1 to 200", "one of \\"abcd\\", …"."""
    node = node_at(root, path)
    return "something else" if node is None else _words(root, node, path)


def _words(root: Schema, node: Schema, path: KeyPath) -> str:
    node = resolved(root, node)
    if "const" in node:
        return in_toml(node["const"])
    if "enum" in node:
        return f"one of {listed(node['enum'])}"
    if "anyOf" in node:
        return _any_words(root, node["anyOf"], path)
    match node.get("type"):
        case "integer":
            return f"a whole number{_range(node)}"
        case "number":
            return f"a number{_range(node)}"
        case "boolean":
            return "true or false"
        case "string":
            return f"text in quotes{_shape(node)}"
        case "array":
            return _list_words(root, node, path)
        case "object":
            return f"one table, [{key_text(path)}]" if path else "a table"
    return "something else"


def _any_words(root: Schema, kinds: Iterable[Schema], path: KeyPath) -> str:
    words = [_words(root, kind, path) for kind in kinds]
    if "a number" in words and "a whole number" in words:
        words.remove("a whole number")
    return " or ".join(words)


def _list_words(root: Schema, node: Schema, path: KeyPath) -> str:
    items = resolved(root, node.get("items", {}))
    if items.get("type") == "object":
        return f"a list of tables, [[{key_text(path)}]]"
    return f"a list; each element is {_words(root, items, path)}"


def _range(node: Schema) -> str:
    low, above = node.get("minimum"), node.get("exclusiveMinimum")
    high = node.get("maximum")
    if low is not None and high is not None:
        return f" from {low:g} to {high:g}"
    parts = [f"above {above:g}"] if above is not None else []
    parts += [f"{low:g} or more"] if low is not None else []
    parts += [f"at most {high:g}"] if high is not None else []
    return (" " if low is None or len(parts) > 1 else ", ") + " and ".join(parts) if parts else ""


def _shape(node: Schema) -> str:
    if "pattern" in node:
        return f" ({_PATTERNS.get(node['pattern'], node['pattern'])})"
    low, high = node.get("minLength"), node.get("maxLength")
    if high is not None:
        return f" of {low or 0} to {high} characters"
    return ""


def key_words(root: Schema, table: KeyPath, key: str) -> str:
    """What is wrong with a key that names an entry of a table of entries, and what would do."""
    node = node_at(root, table) or {}
    names = resolved(root, node.get("propertyNames", {})).get("enum")
    if names:
        thing = str(table[-1]).removesuffix("s")
        return f"unknown {thing} '{key}'{nearest(key, names)}"
    if "patternProperties" in node:
        pattern = next(iter(node["patternProperties"]))
        return f"the name '{key}' must be {_PATTERNS.get(pattern, pattern)}"
    # JSON keys are text, so the schema is silent about them; only bits and values are numbered.
    bits = " from 0 to 31" if table and table[-1] == "bits" else ""
    return f"the key '{key}' must be a whole number{bits}"


def unknown_key(root: Schema, table: KeyPath, key: str) -> tuple[str, str | None]:
    """The sentence about an unknown key, and the known key that was probably meant."""
    known = list((node_at(root, table) or {}).get("properties", {}))
    return f"unknown key '{key}'{nearest(key, known)}", guess(key, known)


def guess(word: str, known: Iterable[str]) -> str | None:
    """The known word that was probably meant."""
    return next(iter(get_close_matches(word.lower(), list(known), n=1, cutoff=0.6)), None)


def nearest(word: str, known: Iterable[str]) -> str:
    """The tail of a sentence about an unknown word: the nearest known one, or all of them.

    Those that begin with the word are all named: which of them is meant cannot be guessed.
    """
    known = list(known)
    longer = [name for name in known if word and name.startswith(f"{word}-")]
    if len(longer) > 1:
        return f"; there are: {', '.join(longer)}"
    meant = guess(word, known)
    if meant is not None:
        return f"; did you mean '{meant}'?"
    return f"; known here: {', '.join(known)}" if known else "; nothing is known here"


def listed(values: Iterable[object]) -> str:
    """Values as TOML, separated by commas."""
    return ", ".join(in_toml(value) for value in values)


def in_toml(value: object) -> str:
    """A short picture of a value as it would stand in the file."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return f'"{value}"' if len(value) <= 40 else f'"{value[:37]}…"'
        case float() if not math.isfinite(value):
            return str(value)
        case float():
            return f"{value:.12g}"
        case dict():
            return "a table"
        case list() | tuple():
            tables = value and all(isinstance(item, dict) for item in value)
            return "a list of tables" if tables else "a list"
        case date() | time():
            return "a date or time"
    text = str(value)
    return text if len(text) <= 40 else f"{text[:37]}…"

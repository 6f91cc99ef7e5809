"""Writes a document as TOML in a random choice of styles and notes the line of every path."""

from __future__ import annotations

import random
from datetime import date, datetime, time
from typing import Any

from edgeflash.config.toml_positions import KeyPath


class TomlWriter:
    """`text` is the file; `lines` holds, for each path, the line this writer put it on.

    Styles in use: table and array-of-tables headers, dotted keys, inline tables, bare and both
    quoted kinds of key, all four kinds of string, arrays over several lines, comments, blank lines.
    """

    def __init__(self, document: dict[str, Any], chance: random.Random) -> None:
        self._chance = chance
        self._out: list[str] = []
        self._line = 1
        self.lines: dict[KeyPath, int] = {}
        self._table(document, (), ())
        self.text = "".join(self._out)

    def _write(self, text: str) -> None:
        self._out.append(text)
        self._line += text.count("\n")

    def _note(self, path: KeyPath) -> None:
        self.lines.setdefault(path, self._line)

    def _noise(self) -> None:
        if self._chance.random() < 0.2:
            self._write(self._chance.choice(["\n", "# a = 1 # [x]\n", "  \n", "\t# '''\n"]))

    def _space(self) -> str:
        return self._chance.choice(["", " ", "\t", "  "])

    def _table(self, table: dict[str, Any], path: KeyPath, header: tuple[str, ...]) -> None:
        later: list[str] = []
        for key, value in table.items():
            is_table = isinstance(value, dict)
            tables = isinstance(value, list) and value and all(isinstance(v, dict) for v in value)
            if (is_table or tables) and self._chance.random() < 0.7:
                later.append(key)
            elif is_table and value and self._chance.random() < 0.5:
                self._dotted(value, (*path, key), key)
            else:
                self._noise()
                self._pair(key, value, path)
                self._write(self._chance.choice(["\n", " # done\n"]))
        for key in later:
            value, inner = table[key], (*path, key)
            if isinstance(value, dict):
                self._header("[", "]", (*header, key), (inner,))
                self._table(value, inner, (*header, key))
            else:
                for index, element in enumerate(value):
                    self._header("[[", "]]", (*header, key), (inner, (*inner, index)))
                    self._table(element, (*inner, index), (*header, key))

    def _header(
        self, left: str, right: str, keys: tuple[str, ...], paths: tuple[KeyPath, ...]
    ) -> None:
        self._noise()
        for path in paths:
            self._note(path)
        dot = f"{self._space()}.{self._space()}"
        self._write(f"{left}{self._space()}{dot.join(self._key(k) for k in keys)}{right}\n")

    def _dotted(self, table: dict[str, Any], path: KeyPath, *before: str) -> None:
        for key, value in table.items():
            if isinstance(value, dict) and value and self._chance.random() < 0.5:
                self._dotted(value, (*path, key), *before, key)
                continue
            self._noise()
            for length in range(len(before)):
                self._note(path[: len(path) - length])
            self._write(self._space() + ".".join(self._key(k) for k in before) + ".")
            self._pair(key, value, path)
            self._write("\n")

    def _pair(self, key: str, value: Any, path: KeyPath) -> None:
        inner = (*path, key)
        self._note(inner)
        self._write(f"{self._key(key)}{self._space()}={self._space()}")
        self._value(value, inner)

    def _value(self, value: Any, path: KeyPath) -> None:
        match value:
            case bool():
                self._write("true" if value else "false")
            case str():
                self._write(self._string(value))
            case list():
                self._array(value, path)
            case dict():
                self._inline(value, path)
            case datetime() | date() | time():
                self._write(value.isoformat(self._chance.choice("T ")) if isinstance(
                    value, datetime) else value.isoformat())  # fmt: skip
            case _:
                self._write(repr(value))

    def _array(self, values: list[Any], path: KeyPath) -> None:
        self._write("[")
        for index, value in enumerate(values):
            self._write(self._gap())
            self._note((*path, index))
            self._value(value, (*path, index))
            self._write(self._gap())
            if index < len(values) - 1 or self._chance.random() < 0.3:
                self._write(",")
        self._write(self._gap() + "]")

    def _gap(self) -> str:
        return self._chance.choice(["", "", " ", "\n", "\n  # ] not yet\n\t"])

    def _inline(self, table: dict[str, Any], path: KeyPath) -> None:
        self._write("{" + self._space())
        for index, (key, value) in enumerate(table.items()):
            self._write("," + self._space() if index else "")
            self._pair(key, value, path)
            self._write(self._space())
        self._write("}")

    def _key(self, key: str) -> str:
        bare = key.isascii() and key.replace("-", "a").replace("_", "a").isalnum()
        styles = [_basic(key)]
        styles += [key] * 3 if bare else []
        styles += [f"'{key}'"] if _is_literal(key) else []
        return self._chance.choice(styles)

    def _string(self, text: str) -> str:
        styles = [_basic(text), f'"""\n{_multi(text)}"""', f'"""\\\n  {_multi(text).lstrip()}"""']
        if text.lstrip() != text or not text:
            styles.pop()  # a line-ending backslash would eat the leading space
        if _is_literal(text):
            styles.append(f"'{text}'")
        if _is_literal(text.replace("\n", "").replace("'", "")) and "'''" not in text:
            ends = text.endswith("'")
            styles += [] if ends else [f"'''\n{text}'''"]
        return self._chance.choice(styles)


def _is_literal(text: str) -> bool:
    return "'" not in text and all(c == "\t" or (ord(c) >= 32 and ord(c) != 127) for c in text)


def _escaped(text: str) -> str:
    return "".join(
        f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else f"\\{c}" if c in '"\\' else c
        for c in text
    )


def _basic(text: str) -> str:
    return f'"{_escaped(text)}"'


def _multi(text: str) -> str:
    """For a multi-line basic string: line ends stand as they are, single quotes marks too."""
    body = _escaped(text).replace("\\u000a", "\n")
    return body if '\\"\\"' in body or body.endswith('"') else body.replace('\\"', '"')

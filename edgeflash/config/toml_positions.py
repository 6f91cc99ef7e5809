"""The line on which each key of a TOML text stands."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from typing import TypeAlias

KeyPath: TypeAlias = tuple[str | int, ...]
"""Place of a value in a document: table keys and list indexes from the root."""

_SPACE = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_KEY = re.compile(r"[A-Za-z0-9_-]+|\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'")
_STRINGS = (
    # A closing delimiter may be preceded by up to two quotes of content (TOML 1.0, "String").
    re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)
_SCALAR = re.compile(r"[^,\]}#\n]*")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every table, key and list element of a text that tomllib accepts.

    A table has the line of its own header, or of the first key that implies it. The result for a
    text that is not TOML is undefined; it ends all the same.
    """
    scanner = _Scanner(text.replace("\r\n", "\n"))
    scanner.document()
    return scanner.lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Line of a path; of the nearest table around it when the path itself is not in the text."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 1


class _Scanner:
    """One pass over the text; `at` is the offset of the next character."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self._starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self._elements: dict[KeyPath, int] = {}  # arrays of tables: elements so far

    def document(self) -> None:
        table: KeyPath = ()
        while True:
            self._skip(_SPACE)
            if self.at >= len(self.text):
                return
            start = self.at
            if self._take("[["):
                table = self._header(of_array=True)
            elif self._take("["):
                table = self._header(of_array=False)
            else:
                self._pair(table)
            if self.at == start:  # not TOML: never loop for ever
                return

    def _header(self, *, of_array: bool) -> KeyPath:
        line = self._line()
        parts = self._keys()
        self._take("]]" if of_array else "]")
        path: KeyPath = ()
        for part in parts[:-1]:
            path = (*path, part)
            self.lines.setdefault(path, line)
            if path in self._elements:
                path = (*path, self._elements[path] - 1)
        path = (*path, *parts[-1:])
        if not of_array:
            self.lines[path] = line
            return path
        self.lines.setdefault(path, line)
        index = self._elements.get(path, 0)
        self._elements[path] = index + 1
        self.lines[(*path, index)] = line
        return (*path, index)

    def _pair(self, table: KeyPath) -> None:
        line = self._line()
        path = table
        for part in self._keys():
            path = (*path, part)
            self.lines.setdefault(path, line)
        self._take("=")
        self._skip(_BLANK)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        if self._take("["):
            index = 0
            while self._next_inside("]"):
                self.lines[(*path, index)] = self._line()
                self._value((*path, index))
                index += 1
                self._skip(_SPACE)
                if not self._take(","):
                    break
            self._take("]")
        elif self._take("{"):
            while self._next_inside("}"):
                self._pair(path)
                self._skip(_SPACE)
                if not self._take(","):
                    break
            self._take("}")
        else:
            for pattern in (*_STRINGS, _SCALAR):
                if match := pattern.match(self.text, self.at):
                    self.at = match.end()
                    return

    def _next_inside(self, closing: str) -> bool:
        self._skip(_SPACE)
        return self.at < len(self.text) and not self.text.startswith(closing, self.at)

    def _keys(self) -> list[str]:
        parts: list[str] = []
        while True:
            self._skip(_BLANK)
            match = _KEY.match(self.text, self.at)
            if match is None:
                return parts
            self.at = match.end()
            parts.append(_plain(match.group()))
            self._skip(_BLANK)
            if not self._take("."):
                return parts

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        self.at = match.end() if match else self.at

    def _take(self, token: str) -> bool:
        found = self.text.startswith(token, self.at)
        self.at += len(token) if found else 0
        return found

    def _line(self) -> int:
        return bisect_right(self._starts, self.at)


def _plain(key: str) -> str:
    """A key without its quotes and escapes."""
    if key.startswith("'"):
        return key[1:-1]
    if not key.startswith('"'):
        return key
    if "\\" not in key:
        return key[1:-1]
    try:
        return str(tomllib.loads(f"k = {key}")["k"])
    except tomllib.TOMLDecodeError:  # not TOML, so nothing was promised
        return key

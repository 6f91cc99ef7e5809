"""Lines of text that fit the terminal."""

from __future__ import annotations

import inspect
import shutil
import sys
import textwrap

import typer
from rich.markup import escape

_LEAST_COLUMNS = 40


def say_line(text: str) -> None:
    """Prints one line, folded at spaces where the terminal is narrower; 80 columns without one.

    What is folded stands further in than the line.
    """
    typer.echo(_folded(text))


def say_error(text: str) -> None:
    """Prints lines to standard error, folded only for a terminal: a log is searched by line."""
    folded = sys.stderr.isatty()
    for line in text.splitlines():
        typer.echo(_folded(line) if folded else line, err=True)


def unfold_help(group: typer.Typer) -> None:
    """Makes each paragraph of the commands' help one line, for the terminal to fold.

    A word in brackets stays one: unescaped it would be taken for a style and vanish.
    """
    for command in group.registered_commands:
        paragraphs = inspect.cleandoc(getattr(command.callback, "__doc__", "") or "").split("\n\n")
        command.help = escape("\n\n".join(" ".join(p.split()) for p in paragraphs))
    for one in group.registered_groups:
        if one.typer_instance is not None:
            unfold_help(one.typer_instance)


def _folded(text: str) -> str:
    columns = max(_LEAST_COLUMNS, shutil.get_terminal_size().columns)
    indent = len(text) - len(text.lstrip()) + 4
    return textwrap.fill(
        text,
        columns,
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )

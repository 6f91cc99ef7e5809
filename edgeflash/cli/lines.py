"""Lines of text that fit the terminal."""

from __future__ import annotations

import shutil
import textwrap

import typer

_LEAST_COLUMNS = 40


def say_line(text: str) -> None:
    """Prints one line, folded at spaces where the terminal is narrower; 80 columns without one.

    What is folded stands further in than the line.
    """
    columns = max(_LEAST_COLUMNS, shutil.get_terminal_size().columns)
    indent = len(text) - len(text.lstrip()) + 4
    typer.echo(
        textwrap.fill(
            text,
            columns,
            subsequent_indent=" " * indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
    )

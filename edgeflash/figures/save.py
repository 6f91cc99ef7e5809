"""A figure into a file: PNG or HTML, by its suffix."""

from __future__ import annotations

from pathlib import Path

from edgeflash.errors import StorageError, UsageError
from edgeflash.figures.figure import Figure
from edgeflash.figures.html import as_html
from edgeflash.figures.png import as_png

FORMS = (".png", ".html")


def form_of(path: Path) -> str:
    """The form of the file, by its suffix. Raises UsageError for another."""
    form = path.suffix.lower()
    if form not in FORMS:
        raise UsageError(f"{path}: a figure is a {' or a '.join(FORMS)} file")
    return form


def save(figure: Figure, path: Path) -> None:
    """Writes the figure; a file that was there is replaced.

    Raises UsageError for another suffix, MissingExtraError, StorageError when the disk refuses.
    """
    made = as_png(figure) if form_of(path) == ".png" else as_html(figure).encode()
    try:
        path.write_bytes(made)
    except OSError as error:
        raise StorageError(f"{path}: the figure cannot be written: {error}") from error

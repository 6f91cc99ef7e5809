"""Libraries that only some users need, loaded when they are first asked for."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from edgeflash.errors import EdgeflashError


class MissingExtraError(EdgeflashError):
    """A library of an extra is not installed."""

    def __init__(self, library: str, extra: str) -> None:
        super().__init__(f"this needs {library}: pip install 'edgeflash[{extra}]'")
        self.library, self.extra = library, extra


def analyst_library(name: str) -> Any:
    """A library of the extra `analyst`, or a module of it. Raises MissingExtraError."""
    try:
        return import_module(name)
    except ModuleNotFoundError as error:
        library = name.partition(".")[0]
        if error.name is None or error.name.partition(".")[0] != library:
            raise  # the library is there, and lacks something of its own
        raise MissingExtraError(library, "analyst") from error

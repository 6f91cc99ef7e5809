"""Libraries of the extra `fleet`, which a gateway does not need: imported when they are used."""

from __future__ import annotations

import importlib
from typing import Any

from edgeflash.errors import UsageError


class MissingExtraError(UsageError):
    """A library of the extra `fleet` is not installed."""


def needed(module: str) -> Any:
    """The module. Raises MissingExtraError, which says how to install it."""
    try:
        return importlib.import_module(module)
    except ModuleNotFoundError as error:
        raise MissingExtraError(
            f"this needs {error.name}, of the extra 'fleet'; in a checkout: "
            'pip install -c constraints.txt ".[fleet]"'
        ) from error

"""The folder where a gateway keeps its state, for commands that change something in it."""

from __future__ import annotations

from pathlib import Path

from edgeflash.config.site import Site
from edgeflash.errors import UsageError


def state_folder(site: Site) -> Path:
    """The site's state_dir, which must exist. Raises UsageError.

    Made by a command, it could belong to another user than the one the gateway runs as.
    """
    if not site.state_dir.is_dir():
        raise UsageError(
            f"{site.state_dir} is not there yet: make it for the user the gateway runs as, or "
            "start the gateway once"
        )
    return site.state_dir

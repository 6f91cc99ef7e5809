"""A site file, loaded with every check there is."""

from __future__ import annotations

from pathlib import Path

from edgeflash.config.load import load_site
from edgeflash.config.site import Site
from edgeflash.rules.site_checks import hold_problems, rule_problems


def checked_site(path: Path) -> Site:
    """The site, or ConfigurationError with every mistake."""
    return load_site(path, (rule_problems, hold_problems))

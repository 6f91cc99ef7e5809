"""A site file, loaded with every check there is."""

from __future__ import annotations

from pathlib import Path

from edgeflash.alarms.site_checks import alarm_problems
from edgeflash.config.load import load_site
from edgeflash.config.site import Site
from edgeflash.rules.product_checks import product_problems, stream_problems
from edgeflash.rules.site_checks import hold_problems, rule_problems


def checked_site(path: Path) -> Site:
    """The site, or ConfigurationError with every mistake."""
    checks = (rule_problems, product_problems, stream_problems, hold_problems, alarm_problems)
    return load_site(path, checks)

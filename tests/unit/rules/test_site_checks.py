"""Checks of a site file that need the rule catalogue, through the real loader."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import demo_site_text
from edgeflash.errors import ConfigurationError
from edgeflash.gateway.site import checked_site

SPEED = 1.0


def mistakes(tmp_path: Path, old: str, new: str) -> list[tuple[str, str]]:
    """Key and problem of every mistake after an edit of the demonstration's site file."""
    path = tmp_path / "site.toml"
    text = demo_site_text((Endpoint("kestrel-1", "127.0.0.1", 5021),), SPEED)
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")
    try:
        checked_site(path)
    except ConfigurationError as error:
        return [(m.key, m.problem) for m in error.mistakes]
    return []


def test_the_demo_site_is_right(tmp_path: Path) -> None:
    """Nothing to complain about."""
    assert mistakes(tmp_path, "hold_s", "hold_s") == []


@pytest.mark.parametrize(
    ("old", "new", "key", "problem"),
    [
        (
            "[analyzers.rules.cycle_too_short.parameters]",
            "[analyzers.rules.cycle_to_short.parameters]",
            "analyzers[0].rules.cycle_to_short",
            "did you mean 'cycle_too_short'?",
        ),
        (
            "shortest_s",
            "shortest",
            "analyzers[0].rules.cycle_too_short.parameters.shortest",
            "did you mean 'shortest_s'?",
        ),
        ("hold_s = 500", "hold_s = 200", "analyzers[0].hold_s", "at least as long as a cycle"),
    ],
)
def test_a_mistake_is_named_once_with_its_key(
    tmp_path: Path, old: str, new: str, key: str, problem: str
) -> None:
    """Unknown rules and parameters, and a hold time shorter than a cycle."""
    [(found_key, found_problem)] = mistakes(tmp_path, old, new)
    assert found_key == key
    assert problem in found_problem

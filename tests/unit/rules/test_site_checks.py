"""Checks of a site file that need the rule catalogue, through the real loader."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import demo_site_text
from edgeflash.errors import ConfigurationError
from edgeflash.gateway.site import checked_site
from edgeflash.model import Role
from edgeflash.rules.site_checks import site_notes
from tests.simulated_line import BENCH_CUP, bench_analyzer

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
        (
            "[analyzers.rules.cycle_too_short.parameters]",
            '[analyzers.rules.check_sample]\nseverity = "note"\n'
            "[analyzers.rules.cycle_too_short.parameters]",
            "analyzers[0].rules.check_sample",
            "cannot be changed: the value of a check sample is never one of the product",
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


def notes(without: Role | None = None, **changes: Any) -> list[str]:
    """The notes on an analyzer, with a role that the map leaves out."""
    roles = {role: place for role, place in BENCH_CUP.roles.items() if role is not without}
    return list(
        site_notes(bench_analyzer(**changes), BENCH_CUP.model_copy(update={"roles": roles}))
    )


@pytest.mark.parametrize(
    ("without", "changes", "words"),
    [
        (Role.BAROMETRIC_PRESSURE, {"analyzer_corrects_barometer": True}, "nothing checks it"),
        (None, {"poll_s": 61.0}, "unwatched doubts every cycle beyond 60 s"),
        (Role.SAMPLE_FLOW, {"flush_volume_ml": 60.0}, "by the set 60 mL/min, whatever flows"),
        (
            Role.SAMPLE_FLOW,
            {"flush_volume_ml": 60.0, "sample_flow_ml_per_min": None},
            "is timed not at all: map sample_flow",
        ),
        (
            Role.SAMPLE_FLOW,
            {"streams": [{"number": 1, "flush_volume_ml": 60.0}]},
            "map sample_flow",
        ),
        (
            None,
            {"streams": [{"number": 1, "product": "jet"}, {"number": 2}]},
            "still holds the stream before",
        ),
        (
            None,
            {"rules": {"ignition_too_early": {"severity": "note"}}},
            "still raises possible_low_flash",
        ),
        (
            None,
            {"rules": {"ignition_too_early": {"enabled": False, "because": "test"}}},
            "raises no alarm",
        ),
    ],
)
def test_what_would_surprise_is_noted(
    without: Role | None, changes: dict[str, Any], words: str
) -> None:
    """Once, and not where there is nothing to say."""
    [note] = notes(without, **changes)
    assert words in note


@pytest.mark.parametrize(
    ("without", "changes"),
    [
        (None, {}),
        (None, {"analyzer_corrects_barometer": True, "poll_s": 60.0, "flush_volume_ml": 60.0}),
        (Role.BAROMETRIC_PRESSURE, {}),
        (Role.SAMPLE_FLOW, {}),
        (Role.PHASE, {"poll_s": 61.0}),
        (None, {"streams": [{"number": 1, "product": "gas-oil"}, {"number": 2}]}),
        (None, {"streams": [{"number": 1, "product": "jet"}, {"number": 2}], "flush_volume_ml": 9}),
    ],
)
def test_what_is_plain_is_not_noted(without: Role | None, changes: dict[str, Any]) -> None:
    """Each note has its own reason."""
    assert notes(without, **changes) == []

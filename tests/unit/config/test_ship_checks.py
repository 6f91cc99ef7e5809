"""Mistakes in where a site ships to are said, each with its key."""

from __future__ import annotations

from typing import Any

import pytest

from edgeflash.config.problems import key_text
from edgeflash.config.ship import Ship
from edgeflash.config.ship_checks import ship_problems
from tests.unit.outlets.builders import analyzer, site


def problems(name: str = "Windmill Quay", **ship: object) -> dict[str, str]:
    """What is wrong with a site that ships so, by key."""
    file = site(analyzer()).file
    header = file.site.model_copy(update={"name": name})
    file = file.model_copy(update={"ship": Ship.model_validate(ship), "site": header})
    return {key_text(one.path): one.problem for one in ship_problems(file)}


@pytest.mark.parametrize(
    "ship",
    [
        {"url": "s3://depot-history/shipped"},
        {"url": "/srv/shipped", "tables": ["results"]},
        {"url": "/srv/shipped", "every_s": 604_800},
        {"url": "/srv/shipped", "every_s": 3600, "alarm_after_s": 3600},
        {"url": "/srv/shipped", "name": "Ölhafen Süd, Behälter 7"},
        {"url": "s3://b", "endpoint": "http://10.20.0.9:9000", "every_s": 600},
    ],
)
def test_right(ship: dict[str, Any]) -> None:
    """Object storage or a folder."""
    assert problems(**ship) == {}


@pytest.mark.parametrize(
    ("ship", "key", "words"),
    [
        ({"url": "s3://key:word@depot/x"}, "ship.url", "holds a key"),
        ({"url": "s3:///x"}, "ship.url", "names no bucket"),
        ({"url": "/x", "every_s": 100, "alarm_after_s": 99}, "ship.alarm_after_s", "(100)"),
        ({"url": "https://depot.example/x"}, "ship.url", "s3://BUCKET/PREFIX"),
        ({"url": "shipped"}, "ship.url", "begin with /"),
        ({"url": "s3://b", "endpoint": "10.20.0.9:9000"}, "ship.endpoint", "https://"),
        ({"url": "/srv/shipped", "name": "燃" * 40}, "site.name", "too long"),
        ({"url": "s3://b", "endpoint": "https://a:b@c"}, "ship.endpoint", "holds a key"),
    ],
)
def test_wrong(ship: dict[str, Any], key: str, words: str) -> None:
    """One problem, at its key, with what would be right."""
    found = problems(**ship)
    assert list(found) == [key]
    assert words in found[key]
    assert "word" not in found[key].replace("password", "")


def test_how_long_days_may_lack() -> None:
    """Without a word of the site: 26 hours, and always longer than from pass to pass."""
    may_s = [Ship(url="/x", every_s=every_s).may_lack_s for every_s in (3600, 86_400, 604_800)]
    assert may_s == [26 * 3600, 26 * 3600, 604_800 + 2 * 3600]
    assert Ship(url="/x", alarm_after_s=60).may_lack_s == 60

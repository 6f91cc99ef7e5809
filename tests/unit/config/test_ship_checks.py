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

"""Mistakes in who may read and write by Modbus are said, each with its key."""

from __future__ import annotations

import pytest

from edgeflash.config.modbus_checks import modbus_problems
from edgeflash.config.problems import key_text
from tests.unit.outlets.builders import analyzer, modbus, site


def problems(**server: object) -> dict[str, str]:
    """What is wrong with a site that has this one server, by key."""
    file = site(analyzer(), modbus_servers=(modbus(**server),)).file
    return {key_text(one.path): one.problem for one in modbus_problems(file)}


@pytest.mark.parametrize(
    "server",
    [
        {},
        {"allow": ["10.20.0.0/24"], "accept_inputs": True, "allow_inputs": ["10.20.0.11"]},
        {"accept_inputs": True, "allow_inputs": ["10.20.0.11"]},
        {"allow": ["2001:db8::/32"], "accept_inputs": True, "allow_inputs": ["2001:db8::7"]},
    ],
)
def test_right(server: dict[str, object]) -> None:
    """Writers within the readers, or readers without a list."""
    assert problems(**server) == {}


@pytest.mark.parametrize(
    ("server", "key", "words"),
    [
        ({"allow": ["10.20.0.300"]}, "modbus[0].allow[0]", "no IP address"),
        (
            {"accept_inputs": True, "allow_inputs": ["10.20.0.5/24"]},
            "modbus[0].allow_inputs[0]",
            "10.20.0.0/24",
        ),
        ({"allow_inputs": ["10.20.0.11"]}, "modbus[0].allow_inputs", "accept_inputs = true"),
        (
            {"allow": ["10.20.0.11"], "accept_inputs": True, "allow_inputs": ["10.20.0.12"]},
            "modbus[0].allow_inputs[0]",
            "cannot even connect",
        ),
        (
            {"allow": ["10.20.0.0/24"], "accept_inputs": True, "allow_inputs": ["10.20.0.0/16"]},
            "modbus[0].allow_inputs[0]",
            "cannot even connect",
        ),
    ],
)
def test_wrong(server: dict[str, object], key: str, words: str) -> None:
    """One problem, at its key, with what would be right."""
    found = problems(**server)
    assert len(found) == 1
    assert words in next(iter(found.values())), found
    assert next(iter(found)) == key, found

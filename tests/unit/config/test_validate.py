"""One wrong value is one mistake, whatever the value and wherever it stands."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
from pydantic import BaseModel

from edgeflash.config.map_checks import role_problems
from edgeflash.config.map_layout import layout_problems
from edgeflash.config.problems import Ledger, Problem, key_text
from edgeflash.config.register_map import RegisterMap
from edgeflash.config.roles import KINDS
from edgeflash.config.site import SiteFile
from edgeflash.config.site_checks import site_problems
from edgeflash.config.toml_positions import KeyPath
from edgeflash.config.validate import validated
from edgeflash.model import Role
from tests.unit.config.bad_files import GOOD_MAP, GOOD_SITE

SITE: dict[str, Any] = tomllib.loads(GOOD_SITE)
MAP: dict[str, Any] = tomllib.loads(GOOD_MAP)
WRONG: tuple[Any, ...] = (-7.5, 1e30, 10**30, "no such thing!", True, [], {}, [{}], {"x": 1}, [[7]])


def paths_of(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    """Every path of a document."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield (*path, key)
            yield from paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield (*path, index)
            yield from paths_of(inner, (*path, index))


def parent_of(document: Any, path: KeyPath) -> Any:
    for part in path[:-1]:
        document = document[part]
    return document


def problems_in_site(document: dict[str, Any]) -> list[Problem]:
    checked = validated(SiteFile, document)
    assert checked.value is not None
    roles = [frozenset(Role)] * len(checked.value.analyzers)
    checked.ledger.add_all(site_problems(checked.value, roles))
    return list(checked.ledger)


def problems_in_map(document: dict[str, Any]) -> list[Problem]:
    checked = validated(RegisterMap, document)
    assert checked.value is not None
    given = document.get("roles")
    names = set(given) if isinstance(given, dict) else set()
    for role in names - {r.value for r in checked.value.roles}:
        checked.ledger.distrust(("roles", role))
    checked.ledger.add_all(role_problems(checked.value))
    checked.ledger.add_all(layout_problems(checked.value))
    return list(checked.ledger)


@pytest.mark.parametrize("path", list(paths_of(SITE)), ids=key_text)
def test_one_wrong_value_in_the_site_file(path: KeyPath) -> None:
    """Replaced by values of every type: no mistake or exactly one, at or in that place."""
    _replace_each(SITE, path, problems_in_site)


@pytest.mark.parametrize("path", list(paths_of(MAP)), ids=key_text)
def test_one_wrong_value_in_the_map(path: KeyPath) -> None:
    """The same for the register map, whose keys depend on one another much more."""
    _replace_each(MAP, path, problems_in_map)


def _replace_each(document: dict[str, Any], path: KeyPath, problems: Any) -> None:
    refused = 0
    for wrong in WRONG:
        changed = deepcopy(document)
        parent_of(changed, path)[path[-1]] = deepcopy(wrong)
        found = problems(changed)
        if isinstance(wrong, dict | list):  # a container may hold several mistakes of its own
            assert all(p.path[: len(path)] == path or _is_elsewhere(p, path) for p in found)
        else:
            assert len(found) <= 1, found
        refused += bool(found)
        assert all("something else" not in p.problem for p in found)
    assert refused >= 5


def _is_elsewhere(problem: Problem, path: KeyPath) -> bool:
    """A table replaced by another leaves out what others need: only "missing" may follow."""
    return "is missing" in problem.problem or "there is no" in problem.problem or len(path) == 1


@pytest.mark.parametrize(
    ("model", "document"), [(SiteFile, SITE), (RegisterMap, MAP)], ids=["site", "map"]
)
def test_every_required_key_can_be_missing(model: type[BaseModel], document: Any) -> None:
    """Each key taken out leaves something to go on with: at most one mistake, never none to check.

    So a required key added to a model needs a stand-in.
    """
    for path in list(paths_of(document)):
        changed = deepcopy(document)
        del parent_of(changed, path)[path[-1]]
        checked = validated(model, changed)
        assert checked.value is not None
        assert len(list(checked.ledger)) <= 1


def test_values_are_taken_as_written() -> None:
    """No number from text, no truth from a number, no whole number from a fraction."""
    for key, value in (("port", "4840"), ("port", 4840.0), ("allow_open_endpoint", 1)):
        changed = deepcopy(SITE)
        changed["opcua"][key] = value
        assert [p.path for p in validated(SiteFile, changed).ledger] == [("opcua", key)]


def test_the_ledger_keeps_causes_and_drops_what_follows() -> None:
    """A problem whose path or ground is wrong already is not said again."""
    ledger = Ledger()
    assert ledger.add(Problem(("a", 0, "b"), "first"))
    assert not ledger.add(Problem(("a", 0, "b"), "again"))
    assert not ledger.add(Problem(("a", 0, "b", "c"), "inside"))
    assert not ledger.add(Problem(("a", 0, "x"), "rests on it", (("a", 0, "b"),)))
    assert ledger.add(Problem(("a", 1, "b"), "elsewhere"))
    assert [p.problem for p in ledger] == ["first", "elsewhere"]


def test_every_role_has_a_kind() -> None:
    """A role added to the model is known to the checks."""
    assert set(KINDS) == set(Role)


def test_a_wrong_value_of_the_only_analyzer_does_not_empty_the_list() -> None:
    """One mistake, at its place; the list is not too short because its only item is wrong."""
    changed = deepcopy(SITE)
    changed["analyzers"] = changed["analyzers"][:1]
    changed["analyzers"][0]["timeout_s"] = "1"
    checked = validated(SiteFile, changed)
    assert [p.path for p in checked.ledger] == [("analyzers", 0, "timeout_s")]
    assert checked.value is not None
    assert checked.value.analyzers[0].id == SITE["analyzers"][0]["id"]

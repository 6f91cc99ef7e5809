"""Cleaning and zeroing are due as seldom as the site file allows, and still seen to be missing."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgeflash.config.load import load_site
from edgeflash.config.site import Analyzer
from edgeflash.errors import ConfigurationError
from edgeflash.model import Cycle
from edgeflash.rules.memory import PAST_CYCLES, Memory
from edgeflash.rules.rule import Breach
from tests.unit.config.bad_files import GOOD_MAP, GOOD_SITE
from tests.unit.rules.contexts import asked, judged, spoiled
from tests.unit.rules.test_phase_rules import DUE, seen


def largest(key: str) -> int:
    """The most that the site file takes for this key."""
    most: int = Analyzer.model_json_schema()["properties"][key]["maximum"]
    return most


def said_of_each(rule: str, key: str, every: int, cycles: list[Cycle]) -> list[Breach | None]:
    """What the rule says of each of these cycles, judged one after the other."""
    memory, said = Memory(), []
    for number, cycle in enumerate(cycles):
        said.append(asked(rule, cycle, seen={"memory": memory}, **{key: every}))
        memory = memory.after(judged(spoiled(cycle_number=number, phases=cycle.phases), memory))
    return said


@pytest.mark.parametrize(("rule", "key", "letters"), DUE)
def test_the_rarest_duty_is_still_missed(rule: str, key: str, letters: str) -> None:
    """Done once, then never again: the rule speaks when the last so many cycles lack it."""
    every = largest(key)
    said = said_of_each(rule, key, every, [seen("iczhfp"), *([seen(letters)] * (every + 3))])
    assert [breach is not None for breach in said] == [False] * every + [True] * 4
    assert every == PAST_CYCLES + 1


@pytest.mark.parametrize("key", [key for _, key, _ in DUE])
def test_what_could_never_be_missed_is_a_mistake(key: str, tmp_path: Path) -> None:
    """With the line, the key and what would be right; the largest itself is taken."""
    (tmp_path / "maps").mkdir()
    (tmp_path / "maps" / "cup.toml").write_text(GOOD_MAP)
    site = tmp_path / "site.toml"
    before = GOOD_SITE.partition("unit_id = 1")[0].count("\n") + 1
    for every in (largest(key), largest(key) + 1):
        site.write_text(GOOD_SITE.replace("unit_id = 1", f"unit_id = 1\n{key} = {every}"))
        if every == largest(key):
            load_site(site)
    with pytest.raises(ConfigurationError) as caught:
        load_site(site)
    (mistake,) = caught.value.mistakes
    assert (mistake.line, mistake.key) == (before + 1, f"analyzers[0].{key}")
    assert mistake.problem == "must be a whole number from 1 to 65, not 66"

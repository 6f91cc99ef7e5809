"""What is wrong with an entry for Sparkplug is told with its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgeflash.errors import ConfigurationError
from edgeflash.gateway.site import checked_site
from tests.unit.config.bad_files import GOOD_SITE, SITE, Row

ENTRY = """
[[mqtt]]
id = "plant"
form = "sparkplug"
host = "10.20.0.40"
group_id = "Windmill Quay"
node_id = "flash-gateway"
primary_host = "control-room"
host_overlap_s = 60
"""


def mistakes(tmp_path: Path, text: str) -> list[tuple[str, str]]:
    """Key and problem of each mistake of the good site file with this after it."""
    site = Row("good", SITE, (), 1, "", "").write(tmp_path)
    site.write_text(f"{GOOD_SITE}\n{text}", "utf-8")
    try:
        checked_site(site)
    except ConfigurationError as error:
        return [(m.key, m.problem) for m in error.mistakes]
    return []


def test_a_good_entry(tmp_path: Path) -> None:
    """With a host, and without."""
    assert mistakes(tmp_path, ENTRY) == []
    alone = ENTRY.replace('primary_host = "control-room"\nhost_overlap_s = 60\n', "")
    assert mistakes(tmp_path, alone) == []


@pytest.mark.parametrize(
    ("before", "after", "key", "says"),
    [
        ('group_id = "Windmill Quay"\n', "", "group_id", "a Sparkplug node is named by it"),
        ('node_id = "flash-gateway"\n', "", "node_id", "a Sparkplug node is named by it"),
        ('"Windmill Quay"', '"Windmill/Quay"', "group_id", "no /, + or #"),
        ('"flash-gateway"', '"#1"', "node_id", "no /, + or #"),
        ('"control-room"', '"a+b"', "primary_host", "no /, + or #"),
        ('"Windmill Quay"', '"STATE"', "group_id", "where hosts say"),
        ('"flash-gateway"', '"flash\\u0007"', "node_id", "control character"),
        ('"flash-gateway"', '""', "node_id", "1 to 128 characters"),
        ('primary_host = "control-room"\n', "", "host_overlap_s", "without a primary_host"),
        ("host_overlap_s = 60", "host_overlap_s = -1", "host_overlap_s", "0"),
        ("host_overlap_s = 60", 'topic_root = "a"', "topic_root", "no effect in the form"),
    ],
)
def test_a_mistake_is_told(tmp_path: Path, before: str, after: str, key: str, says: str) -> None:
    """One mistake each, at its key."""
    assert before in ENTRY
    ((where, problem),) = mistakes(tmp_path, ENTRY.replace(before, after))
    assert where == f"mqtt[0].{key}"
    assert says in problem


def test_keys_of_sparkplug_need_its_form(tmp_path: Path) -> None:
    """In plain JSON they would do nothing."""
    found = mistakes(tmp_path, ENTRY.replace('"sparkplug"', '"json"'))
    assert [key for key, _ in found] == [
        f"mqtt[0].{key}" for key in ("group_id", "node_id", "primary_host", "host_overlap_s")
    ]


def test_two_nodes_have_two_names(tmp_path: Path) -> None:
    """Statements intro-edge-node-id-uniqueness and case-sensitivity-sparkplug-ids: not even names
    that differ by case."""
    other = ENTRY.replace('"plant"', '"other"').replace('"flash-gateway"', '"Flash-Gateway"')
    ((where, problem),) = mistakes(tmp_path, ENTRY + other)
    assert where == "mqtt[1].node_id"
    assert "is mqtt[0] already" in problem
    third = other.replace('"Windmill Quay"', '"Larkwater"')
    assert mistakes(tmp_path, ENTRY + third) == []

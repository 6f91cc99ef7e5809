"""Two gateways with one site name: the second is stopped, whichever it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgeflash.fleet.owners import PrefixOwnedError, claim, gateway_id
from edgeflash.fleet.store import Store
from tests.unit.fleet.sites import folder_store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return folder_store(tmp_path / "store")


def test_an_id_is_kept(tmp_path: Path) -> None:
    """Made once; of another folder it is another."""
    first = gateway_id(tmp_path / "a")
    assert gateway_id(tmp_path / "a") == first != gateway_id(tmp_path / "b")


def test_the_first_keeps_the_prefix(store: Store) -> None:
    """Again and again; another site's prefix is another."""
    claim(store, "quay", "one")
    claim(store, "quay", "one")
    claim(store, "mill", "two")
    with pytest.raises(PrefixOwnedError, match="site name of its own"):
        claim(store, "quay", "two")


def test_of_two_at_once_one_stops_at_least(store: Store) -> None:
    """Both have said that it is theirs before either looked: both stop, rather than none."""
    store.put("site=quay/owners/two.json", b'{"host": "b", "supersedes": []}')
    with pytest.raises(PrefixOwnedError):
        claim(store, "quay", "one")
    with pytest.raises(PrefixOwnedError):
        claim(store, "quay", "two")


def test_a_replaced_machine_takes_over(store: Store) -> None:
    """When told to; the old one then stops, and may take it back."""
    claim(store, "quay", "old")
    claim(store, "quay", "new", take_over=True)
    claim(store, "quay", "new")
    with pytest.raises(PrefixOwnedError, match="has taken over"):
        claim(store, "quay", "old")
    claim(store, "quay", "old", take_over=True)
    claim(store, "quay", "old")
    with pytest.raises(PrefixOwnedError, match="has taken over"):
        claim(store, "quay", "new")

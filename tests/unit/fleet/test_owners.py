"""Two gateways with one site name: the second is stopped, whichever it is."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
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


def test_a_mistake_stops_only_who_made_it(store: Store) -> None:
    """A second gateway by the same site name is refused, again and again; the first ships on."""
    claim(store, "quay", "one")
    for _ in range(2):
        with pytest.raises(PrefixOwnedError, match="site name of its own"):
            claim(store, "quay", "two")
        claim(store, "quay", "one")


def test_a_mistake_killed_in_its_claim_stops_nobody_else(store: Store) -> None:
    """It had asked, and was gone before it could take that back."""
    claim(store, "quay", "one")
    store.put("site=quay/owners/two.json", b'{"host": "b", "state": "asks", "supersedes": []}')
    claim(store, "quay", "one")
    with pytest.raises(PrefixOwnedError):
        claim(store, "quay", "two")


def test_of_two_at_once_one_stops_at_least(store: Store) -> None:
    """Both have asked before either looked: both stop, rather than none; then the first to come
    again has it."""
    store.put("site=quay/owners/two.json", b'{"host": "b", "state": "asks", "supersedes": []}')
    with pytest.raises(PrefixOwnedError):
        claim(store, "quay", "one")
    claim(store, "quay", "two")
    with pytest.raises(PrefixOwnedError):
        claim(store, "quay", "one")


def test_whatever_the_order_not_both_have_it() -> None:
    """Two that begin together, their requests to the store in every order: one at most holds it."""

    def ask(store: InTurns, gateway: str) -> bool:
        store.me.name = gateway
        try:
            claim(store, "quay", gateway)
        except PrefixOwnedError:
            return False
        finally:
            store.leave(gateway)
        return True

    holders = list[int]()
    with ThreadPoolExecutor(2) as pool:
        for order in itertools.product("ab", repeat=7):
            store = InTurns(order)
            holders.append(sum(pool.map(partial(ask, store), "ab")))
            assert holders[-1] <= 1, order
    assert set(holders) == {0, 1}


class InTurns(Store):
    """Objects in memory; whose request is next is said by an order, and is free behind its end."""

    def __init__(self, order: Iterable[str]) -> None:
        super().__init__("memory")
        self.me = threading.local()
        self._order = list(order)
        self._objects: dict[str, bytes] = {}
        self._turn = threading.Condition()

    def read(self, path: str) -> bytes | None:
        """One request."""
        with self._my_turn():
            return self._objects.get(path)

    def put(self, path: str, content: bytes) -> None:
        """One request."""
        with self._my_turn():
            self._objects[path] = content

    def size(self, path: str) -> int | None:
        """One request."""
        found = self.read(path)
        return None if found is None else len(found)

    def names(self, path: str) -> list[str]:
        """One request."""
        with self._my_turn():
            return [p.rpartition("/")[2] for p in self._objects if p.startswith(f"{path}/")]

    def leave(self, name: str) -> None:
        """No more requests come from this one."""
        with self._turn:
            self._order = [n for n in self._order if n != name]
            self._turn.notify_all()

    @contextmanager
    def _my_turn(self) -> Iterator[None]:
        with self._turn:
            assert self._turn.wait_for(
                lambda: not self._order or self._order[0] == self.me.name, timeout=30
            )
            yield
            del self._order[:1]
            self._turn.notify_all()


def test_a_claim_of_before_there_were_states_holds(store: Store) -> None:
    """It was written by an older edgeflash, by the one who ships."""
    store.put("site=quay/owners/old.json", b'{"host": "b", "supersedes": []}')
    with pytest.raises(PrefixOwnedError):
        claim(store, "quay", "new")
    claim(store, "quay", "old")


def test_an_unreadable_claim_holds(store: Store) -> None:
    """Rather nobody ships than two."""
    store.put("site=quay/owners/old.json", b"[" * 100_000)
    with pytest.raises(PrefixOwnedError, match="unknown host"):
        claim(store, "quay", "new")


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

"""Shipping a site: its store, its ledger, its journal, put together. One pass at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime

from edgeflash.config.ship import Ship
from edgeflash.config.site import Site
from edgeflash.errors import UsageError
from edgeflash.fleet.ledger import LEDGER_NAME, Cell, Ledger
from edgeflash.fleet.owners import claim, gateway_id, has_claimed
from edgeflash.fleet.sealed import still_in_journal
from edgeflash.fleet.ship import Shipper, owed_since
from edgeflash.fleet.store import StoreError, open_store
from edgeflash.history.layout import Partition
from edgeflash.history.schema import TableName
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.service.files import locked


class LostStoreError(StoreError):
    """The store lacks what was shipped to it: it is another, or not mounted, or was emptied."""


class SiteShipping:
    """One site being shipped; see `shipping`."""

    def __init__(self, site: Site, shipper: Shipper) -> None:
        self._site = site
        self.shipper = shipper

    def begin(self, now: datetime) -> tuple[int, Iterator[Partition]]:
        """As Shipper.work, with what the journal still holds. Raises StorageError, StoreError."""
        return self.shipper.work(now, _in_journal(self._site))


@contextmanager
def shipping(site: Site, *, take_over: bool = False, anew: bool = False) -> Iterator[SiteShipping]:
    """Holds the site's ledger, waiting for another pass to end, and makes sure of its prefix.

    take_over: see owners.claim. anew: also where nothing is left of what was shipped; all of it is
    then to be looked for and sent again. Raises UsageError without [ship], StorageError,
    StoreError, PrefixOwnedError, LostStoreError.
    """
    ship = _declared(site)
    store = open_store(ship.url, ship.endpoint, ship.region)
    path = site.state_dir / LEDGER_NAME
    name = site.file.site.name
    with locked(path), Ledger(path, ship.url, name) as ledger:
        gateway = gateway_id(site.state_dir)
        has_shipped = any(ledger.last_serial(table) for table in TableName)
        if has_shipped and not anew and not has_claimed(store, name, gateway):
            raise LostStoreError(
                f"{store}: nothing is there of what this gateway has shipped to it. Is it mounted, "
                "and the right one? Nothing was sent. If it was emptied: edgeflash ship SITE "
                "--check sends again what is still here"
            )
        claim(store, name, gateway, take_over=take_over)
        shipper = Shipper(site.history_dir, store, ledger, name, gateway, tables_of(ship))
        yield SiteShipping(site, shipper)


def owed(site: Site) -> Mapping[TableName, date | None]:
    """For each table the day from which on nothing may be deleted, as it may not be shipped yet.

    None: nothing is owed, or the table is not shipped at all. Raises StorageError.
    """
    if site.file.ship is None:
        return dict.fromkeys(TableName)
    ship = site.file.ship
    with Ledger(site.state_dir / LEDGER_NAME, ship.url, site.file.site.name) as ledger:
        found = owed_since(site.history_dir, ledger, tables_of(ship))
    return {table: found.get(table) for table in TableName}


def tables_of(ship: Ship) -> Sequence[TableName]:
    """The tables that the site ships."""
    return tuple(t for t in TableName if not ship.tables or t.value in ship.tables)


def _declared(site: Site) -> Ship:
    if site.file.ship is None:
        raise UsageError(f'{site.path}: has no [ship], which says where to: url = "s3://…"')
    return site.file.ship


def _in_journal(site: Site) -> set[Cell]:
    path = site.state_dir / JOURNAL_NAME
    if not path.exists():
        return set()
    with Journal.open_readonly(path) as journal:
        return still_in_journal(journal)

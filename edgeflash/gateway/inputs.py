"""The site's inputs: their store, and what the log and the event record say of them."""

from __future__ import annotations

from datetime import datetime
from math import isnan

import structlog

from edgeflash.config.site import SiteFile
from edgeflash.inputs import InputChange, InputFault, InputStore
from edgeflash.model import EventEntry, EventKind

log = structlog.get_logger("edgeflash.inputs")


def store_of(file: SiteFile) -> InputStore:
    """The store of the site's inputs."""
    tell_products = {a.product_input for a in file.analyzers if a.product_input is not None}
    return InputStore(file.inputs, tell_products)


def tell(change: InputChange) -> None:
    """Says once what became of an input.

    Another number of a product is another limit in force: that is said whoever wrote it.
    """
    told = log.bind(input=change.name, value=change.value, source=change.source)
    if change.steps:
        told.warning("the product's number was written", before=change.told, times=change.steps)
    if change.before is change.now:
        return
    if change.now is InputFault.NONE:
        told.info("an input is good", before=change.before.value)
    else:
        told.warning("an input is not good", why=change.now.value)


def entry_of(change: InputChange, at: datetime) -> EventEntry | None:
    """The line of the event record when a product's number was written; None else."""
    if not change.steps:
        return None
    # A source is the outlet, the address and, where somebody logged in, the user.
    outlet, address, who = (*change.source.split(" ", 2), "", "")[:3]
    written = [_in_words(value) for value in change.latest]
    if change.steps > len(written):
        written.insert(0, f"({change.steps - len(written)} more)")
    text = f"the product's number: {_in_words(change.told)} → {' → '.join(written)}"
    via, kind = f"{outlet} {address}".strip(), EventKind.INPUT_WRITTEN
    return EventEntry(at, kind, who=who, via=via, subject=change.name, text=text)


def _in_words(value: float) -> str:
    return "none" if isnan(value) else f"{value:g}"

"""The site's inputs: their store, and what the log says of them."""

from __future__ import annotations

import structlog

from edgeflash.config.site import SiteFile
from edgeflash.inputs import InputChange, InputFault, InputStore

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

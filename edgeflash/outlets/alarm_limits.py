"""The limits below which the flash point of an analyzer raises `below_limit`. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from edgeflash.config.site import Analyzer, Product
from edgeflash.flash.products import resolved


def minimums_c(analyzer: Analyzer, products: Mapping[str, Product]) -> dict[str, float]:
    """Lowest flash point, °C, by name of each product that the analyzer may measure.

    Where the control system names the product, that is every product with a number.
    """
    names = {analyzer.product, *(stream.product for stream in analyzer.streams)}
    if analyzer.product_input is not None:
        names |= {name for name, product in products.items() if product.number is not None}
    limits = {
        name: resolved(product).minimum_c for name, product in products.items() if name in names
    }
    return {name: limit for name, limit in limits.items() if limit is not None}


def failing_c(analyzer: Analyzer, products: Mapping[str, Product]) -> dict[str, tuple[str, float]]:
    """What fails, by name of the product: "below" or, where the limit itself fails, "at or below",
    and the limit, °C."""
    return {
        name: ("at or below" if resolved(products[name]).strict_minimum else "below", limit)
        for name, limit in minimums_c(analyzer, products).items()
    }

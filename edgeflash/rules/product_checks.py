"""Checks of a site file that need the tables of methods and specifications, or the map's types."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.expectations import nearest
from edgeflash.config.problems import Problem
from edgeflash.config.site import Prediction, Product, Site
from edgeflash.config.toml_positions import KeyPath
from edgeflash.errors import UsageError
from edgeflash.flash.blending import check_temperature
from edgeflash.flash.distillation import check_t10
from edgeflash.flash.methods import METHODS
from edgeflash.flash.products import SPECIFICATIONS
from edgeflash.model import Role
from edgeflash.rules.tuning import tuning_mistakes


def product_problems(site: Site) -> Iterator[Problem]:
    """Unknown specifications and methods, and a limit that is milder than its specification."""
    for name, product in site.file.products.items():
        path: KeyPath = ("products", name)
        yield from _specification_problems(path, product)
        yield from _method_problems((*path, "method"), product.method)
    for index, analyzer in enumerate(site.file.analyzers):
        yield from _method_problems(("analyzers", index, "method"), analyzer.method)


def stream_problems(site: Site) -> Iterator[Problem]:
    """Streams that the map names by text, unknown rules, and predictions that cannot be made."""
    for index, analyzer in enumerate(site.file.analyzers):
        path: KeyPath = ("analyzers", index)
        mapped = site.maps[analyzer.id].roles.get(Role.STREAM)
        if analyzer.streams and mapped is not None and mapped.is_text:
            why = "are told apart by number, but the map reads the role stream as a text"
            yield Problem((*path, "streams"), why, ((*path, "map"),))
        yield from _constant_problems((*path, "prediction"), analyzer.prediction)
        for place, stream in enumerate(analyzer.streams):
            one: KeyPath = (*path, "streams", place)
            yield from _constant_problems((*one, "prediction"), stream.prediction)
            tuned = analyzer.model_copy(update={"rules": stream.rules})
            for keys, problem in tuning_mistakes(tuned):
                yield Problem((*one, "rules", *keys), problem)


def _specification_problems(path: KeyPath, product: Product) -> Iterator[Problem]:
    name, key = product.specification, (*path, "specification")
    if name is None:
        return
    specification = SPECIFICATIONS.get(name)
    if specification is None:
        yield Problem(key, f"there is no specification '{name}'{nearest(name, SPECIFICATIONS)}")
        return
    limit = f"{specification.source}, {specification.minimum_c:g} °C"
    if product.minimum_c is not None and product.minimum_c < specification.minimum_c:
        why = (
            f"is below the limit of the specification ({limit}): take the specification out where "
            "your contract or law has another limit"
        )
        yield Problem((*path, "minimum_c"), why, (key,))
    elif (
        specification.strict
        and product.strict_minimum is False
        and product.minimum_c in (None, specification.minimum_c)
    ):
        why = f"is false, but the specification ({limit}) asks for more than its limit"
        yield Problem((*path, "strict_minimum"), why, (key, (*path, "minimum_c")))


def _method_problems(path: KeyPath, name: str | None) -> Iterator[Problem]:
    if name is not None and name not in METHODS:
        yield Problem(path, f"there is no method '{name}'{nearest(name, METHODS)}")


def _constant_problems(path: KeyPath, prediction: Prediction | None) -> Iterator[Problem]:
    """Constants outside what an index or a correlation is for."""
    if prediction is None:
        return
    constants: list[tuple[KeyPath, float]] = [
        ((*path, "components", place, "flash_c"), component.flash_c)
        for place, component in enumerate(prediction.components)
        if not isinstance(component.flash_c, str)
    ]
    for key, flash_c in constants:
        try:
            check_temperature(flash_c)
        except UsageError as error:
            yield Problem(key, str(error))
    if isinstance(prediction.t10_c, float | int):
        try:
            check_t10(prediction.t10_c)
        except UsageError as error:
            yield Problem((*path, "t10_c"), str(error))

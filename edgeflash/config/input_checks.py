"""Checks of a site file's inputs: who may write them, what they are, who is told by them."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.expectations import nearest
from edgeflash.config.hosts import is_loopback
from edgeflash.config.problems import Problem, key_text
from edgeflash.config.site import Input, SiteFile
from edgeflash.config.toml_positions import KeyPath

RESERVED_ID = "inputs"
"""The OPC UA identifiers of the inputs begin with it, those of an analyzer with the analyzer's."""


def input_problems(file: SiteFile) -> Iterator[Problem]:
    """What is wrong with the inputs of a site file whose keys are each right."""
    for index, one in enumerate(file.inputs):
        yield from _range_problems(("inputs", index), one)
    yield from _clash_problems(file)
    yield from _writer_problems(file)
    yield from _product_number_problems(file)
    for index, analyzer in enumerate(file.analyzers):
        yield from _product_input_problems(("analyzers", index), analyzer.product_input, file)


def _range_problems(path: KeyPath, one: Input) -> Iterator[Problem]:
    low, high = (*path, "low"), (*path, "high")
    if one.low is not None and one.high is not None and one.low >= one.high:
        why = f"must be below high ({one.high:g}), not {one.low:g}"
        yield Problem(low, why, (high,))
    too_low = one.value is not None and one.low is not None and one.value < one.low
    too_high = one.value is not None and one.high is not None and one.value > one.high
    if too_low or too_high:
        side = f"below low ({one.low:g})" if too_low else f"above high ({one.high:g})"
        yield Problem((*path, "value"), f"must not be {side}, as {one.value:g} is", (low, high))


def _clash_problems(file: SiteFile) -> Iterator[Problem]:
    for key in ("id", "number"):
        seen: dict[object, int] = {}
        for index, one in enumerate(file.inputs):
            value = getattr(one, key)
            if value in seen:
                other: KeyPath = ("inputs", seen[value])
                why = f"{value} belongs to {key_text(other)} already; each input has its own"
                yield Problem(("inputs", index, key), why, ((*other, key),))
            seen.setdefault(value, index)
    for index, analyzer in enumerate(file.analyzers):
        if file.inputs and analyzer.id == RESERVED_ID:
            why = f'"{RESERVED_ID}" is where OPC UA has the inputs; give the analyzer another id'
            yield Problem(("analyzers", index, "id"), why, (("inputs",),))


def _writer_problems(file: SiteFile) -> Iterator[Problem]:
    """An input that nobody can write, and leave to write that is of no use or too wide."""
    written = [index for index, one in enumerate(file.inputs) if one.value is None]
    accepting: list[KeyPath] = [("modbus", i) for i, s in enumerate(file.modbus) if s.accept_inputs]
    if file.opcua is not None and file.opcua.accept_inputs:
        accepting.append(("opcua",))
    if written and not accepting:
        why = (
            "nobody can write it: set accept_inputs = true in [opcua] or in one [[modbus]], or "
            "give it a constant value"
        )
        yield Problem(("inputs", written[0], "value"), why, (("opcua",), ("modbus",)))
    for path in accepting:
        if not written:
            why = "there is no [[inputs]] to write; take this line out, or declare one"
            yield Problem((*path, "accept_inputs"), why, (("inputs",),))
    for index, server in enumerate(file.modbus):
        named = server.allow or server.allow_inputs
        if server.accept_inputs and not named and not is_loopback(server.host):
            path = ("modbus", index)
            why = (
                "is missing; with accept_inputs whoever can reach the port may write the inputs: "
                'name the clients that shall, like allow = ["10.20.0.11"], or allow_inputs = [...]'
            )
            yield Problem((*path, "allow"), why, ((*path, "accept_inputs"), (*path, "host")))


def _product_number_problems(file: SiteFile) -> Iterator[Problem]:
    seen: dict[int, str] = {}
    for name, product in file.products.items():
        if product.number is None:
            continue
        if product.number in seen:
            other: KeyPath = ("products", seen[product.number])
            why = f"{product.number} is {key_text(other)} already; each product has its own"
            yield Problem(("products", name, "number"), why, ((*other, "number"),))
        seen.setdefault(product.number, name)


def _product_input_problems(path: KeyPath, name: str | None, file: SiteFile) -> Iterator[Problem]:
    if name is None:
        return
    key = (*path, "product_input")
    known = {one.id: index for index, one in enumerate(file.inputs)}
    if name not in known:
        why = f'there is no [[inputs]] with id = "{name}"{nearest(name, known)}'
        yield Problem(key, why, (("inputs",),))
        return
    if file.inputs[known[name]].unit != "number":
        why = f'needs an input with unit = "number"; {name} is a quantity'
        yield Problem(key, why, (("inputs", known[name], "unit"),))
    if all(product.number is None for product in file.products.values()):
        why = "tells a product by its number, but no product has one: give them number = ..."
        yield Problem(key, why, (("products",),))

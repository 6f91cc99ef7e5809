"""Inputs that nobody can write, that anybody can write, and that mean nothing."""

from __future__ import annotations

from typing import Any

import pytest

from edgeflash.config.input_checks import input_problems
from edgeflash.config.site import SiteFile

WRITTEN = {"id": "t10", "number": 1, "unit": "degC", "low": 100.0, "high": 300.0}
GRADE = {"id": "grade", "number": 2}
CONSTANT = {"id": "share-b", "number": 3, "unit": "percent", "value": 40.0}
ANALYZER = {
    "id": "kestrel-1",
    "number": 1,
    "map": "cup.toml",
    "host": "10.20.0.21",
    "analyzer_corrects_barometer": False,
}
OPCUA = {"accept_inputs": True}
PRODUCTS = {"jet": {"minimum_c": 38.0, "number": 1}, "gas-oil": {"minimum_c": 55.0, "number": 2}}


def keys(
    inputs: list[dict[str, Any]], analyzer: dict[str, Any] | None = None, **site: Any
) -> list[str]:
    """The keys of what is wrong."""
    document = {
        "site": {"name": "depot"},
        "opcua": OPCUA,
        "products": PRODUCTS,
        "inputs": inputs,
        "analyzers": [ANALYZER | (analyzer or {})],
    } | site
    file = SiteFile.model_validate(document)
    return [".".join(map(str, problem.path)) for problem in input_problems(file)]


def test_what_is_right() -> None:
    """No inputs; written ones, a constant, and one for the product's number."""
    assert keys([], opcua={}) == []
    assert keys([WRITTEN, GRADE, CONSTANT], {"product_input": "grade"}) == []
    assert keys([CONSTANT], opcua={}) == []


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"low": 300.0, "high": 100.0}, "inputs.0.low"),
        ({"low": 100.0, "high": 100.0}, "inputs.0.low"),
        ({"value": 99.0}, "inputs.0.value"),
        ({"value": 301.0}, "inputs.0.value"),
        ({"value": 200.0, "heartbeat": True}, "inputs.0.heartbeat"),
    ],
)
def test_ranges(changes: dict[str, Any], key: str) -> None:
    """low below high, a constant within both."""
    assert key in keys([WRITTEN | changes, GRADE])


def test_ids_and_numbers_are_each_inputs_own() -> None:
    """Two inputs at one address or node would write each other's value."""
    assert keys([WRITTEN, GRADE | {"number": 1}]) == ["inputs.1.number"]
    assert keys([WRITTEN, GRADE | {"id": "t10"}]) == ["inputs.1.id"]


def test_an_analyzer_cannot_be_called_inputs_beside_them() -> None:
    """Their OPC UA identifiers would meet: `inputs.product` of both."""
    assert keys([WRITTEN], {"id": "inputs"}) == ["analyzers.0.id"]
    assert keys([], {"id": "inputs"}, opcua={}) == []


def test_somebody_can_write_and_has_something_to_write() -> None:
    """An input without a writer would never come; leave to write nothing is a mistake."""
    assert keys([WRITTEN], opcua={}) == ["inputs.0.value"]
    assert keys([WRITTEN], opcua={}, modbus=[{"port": 5020}]) == ["inputs.0.value"]
    assert keys([WRITTEN], opcua={}, modbus=[{"accept_inputs": True}]) == []
    assert keys([CONSTANT]) == ["opcua.accept_inputs"]
    assert keys([], opcua={}, modbus=[{"accept_inputs": True}]) == ["modbus.0.accept_inputs"]


@pytest.mark.parametrize("host", ["0.0.0.0", "10.20.0.5", "::", "gateway.depot.example"])
def test_writers_beyond_this_machine_are_named(host: str) -> None:
    """Modbus knows no log-in: whoever can reach the port could write. Everyone is written down."""
    server = {"host": host, "accept_inputs": True}
    assert keys([WRITTEN], modbus=[server]) == ["modbus.0.allow"]
    for allow in (["10.20.0.11"], ["0.0.0.0/0"]):
        assert keys([WRITTEN], modbus=[server | {"allow": allow}]) == []
    assert keys([WRITTEN], modbus=[server | {"host": "127.0.0.1"}]) == []
    assert keys([WRITTEN], modbus=[server | {"accept_inputs": False}]) == []


def test_products_have_each_a_number_of_their_own() -> None:
    """Else the number would choose one of two limits by chance."""
    twice = {"jet": {"number": 1}, "gas-oil": {"number": 1}}
    assert keys([], opcua={}, products=twice) == ["products.gas-oil.number"]


@pytest.mark.parametrize(
    ("analyzer", "site", "expected"),
    [
        ({"product_input": "grade"}, {}, []),
        ({"product_input": "grades"}, {}, ["analyzers.0.product_input"]),
        ({"product_input": "t10"}, {}, ["analyzers.0.product_input"]),
        (
            {"product_input": "grade"},
            {"products": {"jet": {"minimum_c": 38.0}}},
            ["analyzers.0.product_input"],
        ),
    ],
)
def test_the_input_of_the_products_number(
    analyzer: dict[str, Any], site: dict[str, Any], expected: list[str]
) -> None:
    """It is there, it is a plain number, and some product has one."""
    assert keys([WRITTEN, GRADE], analyzer, **site) == expected

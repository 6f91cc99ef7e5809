"""What the information model promises, seen before any server: its identifiers, its types, and
what it says of the configuration."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from edgeflash.config.site import Input, Product, RuleTuning, Stream
from edgeflash.model import Severity
from edgeflash.outlets.opcua_enumerations import ENUMERATIONS
from edgeflash.outlets.opcua_members import (
    Interval,
    Live,
    LiveKind,
    ModelNode,
    Presence,
    Space,
    Value,
)
from edgeflash.outlets.opcua_model import Served, instance_nodes, model_nodes
from edgeflash.outlets.opcua_settings import InForce
from edgeflash.outlets.opcua_types import type_nodes
from edgeflash.outlets.values import OutletUnits
from edgeflash.points import CATALOGUE
from tests.unit.outlets.builders import INPUTS, analyzer, site

KEPT = Path(__file__).parent / "node_ids.txt"
CELSIUS = OutletUnits("degC", "kPa")
FULL = analyzer(
    "fp-101",
    product="jet",
    method="d93-a",
    expected_c=45.0,
    heating_rate_c_per_min=5.5,
    spark_interval_s=2.0,
    barometer_kpa=100.8,
    verification={"reference_c": 65.0, "sd_c": 0.6},
    nameplate={"serial_number": "0042"},
)
PRODUCTS = {
    "jet": Product(minimum_c=38.0, strict_minimum=True, source="invented contract"),
    "gas-oil": Product(minimum_c=55.0),
    "slops": Product(),
}
IN_FORCE = InForce("Invented Bend", PRODUCTS, {"fp-101": "invented cup"}, "ab" * 32)


def of(*analyzers: object, units: OutletUnits = CELSIUS, inputs: Iterable[Input] = ()) -> Served:
    """A server that shows these."""
    return Served(tuple(analyzers), units, IN_FORCE, tuple(inputs), bool(inputs))  # type: ignore[arg-type]


def value(nodes: Iterable[ModelNode], identifier: str) -> Value:
    """The value of the node of that identifier."""
    (found,) = (node for node in nodes if node.id.id == identifier)
    return found.member.value


def ids(nodes: Iterable[ModelNode]) -> list[str]:
    """Namespace and identifier of each."""
    return [f"{node.id.space.name.lower()} {node.id.id}" for node in nodes]


def test_no_node_id_ever_moves() -> None:
    """Every identifier that was ever published is still there: a control system is built on them.

    To keep new ones, with each release: `python -m tests.unit.outlets.test_opcua_model`. Lines are
    only ever added.
    """
    gone = set(KEPT.read_text("utf-8").splitlines()) - set(ids(_kept()))
    assert not gone


def _kept() -> list[ModelNode]:
    return model_nodes(of(FULL, inputs=INPUTS))


def test_an_identifier_is_used_once() -> None:
    """Also across analyzers, the gateway and the inputs."""
    every = ids(model_nodes(of(FULL, analyzer("fp-102", 2), inputs=INPUTS)))
    assert len(every) == len(set(every))


def test_identifiers_depend_on_nothing_but_the_analyzer() -> None:
    """Neither on the order, nor on another analyzer."""
    other = analyzer("fp-007", 2)
    alone, first, last = (
        {node.id: node.member for node in instance_nodes(of(*those))}
        for those in ((FULL,), (FULL, other), (other, FULL))
    )
    assert first == last
    assert alone.items() <= first.items()


def test_browse_names_are_unique_below_each_node() -> None:
    """OPC 10000-3, 5.2.4 demands it of types; clients that go by paths need it everywhere."""
    seen: set[tuple[object, Space, str]] = set()
    for node in model_nodes(of(FULL, analyzer("fp-102", 2), inputs=INPUTS)):
        key = (node.parent, node.member.space, node.member.name)
        assert key not in seen
        seen.add(key)


def test_types_are_the_same_on_every_site() -> None:
    """A template made at one site fits the next: no unit, range or option of a site is in them."""
    fahrenheit = OutletUnits("degF", "psi")
    here = [node for node in model_nodes(of(FULL)) if node.id.space is Space.TYPES]
    there = [
        node
        for node in model_nodes(of(analyzer("x", 7, range_low_c=9.0), units=fahrenheit))
        if node.id.space is Space.TYPES
    ]
    assert here == there


@pytest.mark.parametrize("which", [FULL, analyzer("fp-102", 2)], ids=["full", "bare"])
def test_an_instance_is_what_its_type_says(which: object) -> None:
    """Every mandatory member is there, none that the type lacks, and each alike (OPC 10000-3,
    6.4.4: name, class, type, data type)."""
    declared = _tree([*type_nodes()], "FlashPointAnalyzerType")
    there = _tree(instance_nodes(of(which)), which.id)  # type: ignore[attr-defined]
    for path, member in there.items():
        assert path in declared, path
        wanted = declared[path]
        assert _shape(member) == _shape(wanted), path
    optional = {p for p, node in declared.items() if node.rule is Presence.WHERE_IT_APPLIES}
    for path, node in declared.items():
        below_optional = any(path[: len(p)] == p for p in optional)
        if node.rule is Presence.ALWAYS and not below_optional:
            assert path in there, path


def _shape(node: ModelNode) -> tuple[object, ...]:
    m = node.member
    return (m.node_class, m.reference, m.type, m.data_type, m.is_array, m.space, m.description)


def _tree(nodes: list[ModelNode], root: str) -> dict[tuple[str, ...], ModelNode]:
    """The nodes below one, by their browse names from there."""
    paths: dict[object, tuple[str, ...]] = {node.id: () for node in nodes if node.id.id == root}
    found = {}
    for node in nodes:
        if node.parent in paths and node.id.id != root:
            paths[node.id] = (*paths[node.parent], node.member.name)
            found[paths[node.id]] = node
    return found


def test_settings_say_what_is_in_force() -> None:
    """Figures in the server's own unit: 38 °C are 100.4 °F, 5.5 °C/min are 9.9 °F/min."""
    nodes = instance_nodes(of(FULL, units=OutletUnits("degF", "kPa")))
    at = "fp-101.Configuration."
    assert value(nodes, at + "Method") == "d93-a"
    assert value(nodes, at + "Product") == "jet"
    assert value(nodes, at + "ProductMinimum") == pytest.approx(100.4, abs=1e-9)
    assert value(nodes, at + "MinimumIsStrict") is True
    assert value(nodes, at + "PlannedHeatingRate") == pytest.approx(9.9, abs=1e-9)
    assert value(nodes, at + "HoldTime") == 900.0
    assert value(nodes, at + "Basis") == 0  # reported
    assert value(nodes, at + "RegisterMap") == "invented cup"
    assert value(nodes, "fp-101.Identification.SerialNumber") == "0042"
    assert value(nodes, "Edgeflash.Configuration.SiteFileDigest") == "ab" * 32
    bare = ids(instance_nodes(of(analyzer())))
    assert "points fp-101.Configuration.ProductMinimum" not in bare


def test_rules_that_are_off_or_lowered_say_why() -> None:
    """Who looks at the control system sees that a check is missing, with the site's reason."""
    rules = {
        "air_flow": RuleTuning(enabled=False, because="no meter"),
        "outlier": RuleTuning(severity=Severity.DOUBT, because="grade changes hourly"),
        "ramp_rate": RuleTuning(parameters={"least_c_per_min": 30.0}),
    }
    streams = (Stream(number=2, rules={"sample_flow": RuleTuning(enabled=False)}),)
    nodes = instance_nodes(of(analyzer(rules=rules, streams=streams)))
    assert value(nodes, "fp-101.Configuration.RulesOff") == (
        "air_flow off, because: no meter",
        "sample_flow off on stream 2, without a reason",
    )
    assert value(nodes, "fp-101.Configuration.RulesLowered") == (
        "outlier at most doubt, because: grade changes hourly",
    )
    assert value(nodes, "fp-101.Configuration.RulesTuned") == ("ramp_rate.least_c_per_min = 30",)


LIMIT = "fp-101.flash_point_c.LowLimit"


def test_the_low_limit_is_the_minimum_in_force() -> None:
    """Fixed where nothing chooses the product; else it follows the point `minimum_c`; and none
    where no product of the analyzer has a minimum."""
    nodes = instance_nodes(of(FULL, units=OutletUnits("degF", "kPa")))
    assert value(nodes, LIMIT) == pytest.approx(100.4, abs=1e-9)
    (fixed,) = (node.member for node in nodes if node.id.id == LIMIT)
    assert fixed.live is None
    streams = (Stream(number=1, product="jet"), Stream(number=2, product="gas-oil"))
    nodes = instance_nodes(of(analyzer(streams=streams)))
    (chosen,) = (node.member for node in nodes if node.id.id == LIMIT)
    assert chosen.live == Live(LiveKind.SAME_AS_POINT, "fp-101", "minimum_c")
    assert chosen.value is None
    for without in (analyzer(), analyzer(product="slops")):
        assert f"points {LIMIT}" not in ids(instance_nodes(of(without)))


def test_ranges_are_those_of_the_analyzer() -> None:
    """InstrumentRange is the analyzer's; EURange the catalogue's."""
    nodes = instance_nodes(of(analyzer(range_low_c=30.0, range_high_c=90.0)))
    assert value(nodes, "fp-101.flash_point_c.InstrumentRange") == Interval(30.0, 90.0)
    assert value(nodes, "fp-101.flash_point_c.EURange") == Interval(-50.0, 400.0)


def test_enumerations_have_the_texts_of_the_points() -> None:
    """A client that reads a code with one of them gets the text that stands beside the point."""
    by_texts = {one.texts: one.name for one in ENUMERATIONS}
    for point in CATALOGUE:
        if point.texts:
            assert point.texts in by_texts, point.name


def test_meanings_are_in_order_and_unique() -> None:
    """EnumValues (OPC 10000-8, 5.3.3.4): each number once."""
    for point in CATALOGUE:
        codes = [meaning.code for meaning in point.meanings]
        assert codes == sorted(set(codes)), point.name


def test_what_holds_is_taken_from_the_site() -> None:
    """Its name, its products, and when it came into force."""
    at = datetime(2031, 4, 5, tzinfo=UTC)
    held = InForce.of(site(analyzer()), at)
    assert (held.site_name, held.taken_over_at) == ("Invented Bend", at)


if __name__ == "__main__":
    known = KEPT.read_text("utf-8").splitlines() if KEPT.exists() else []
    KEPT.write_text("\n".join([*known, *(i for i in ids(_kept()) if i not in set(known))]) + "\n")

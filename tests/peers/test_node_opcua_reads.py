"""An independent OPC UA client finds, reads and watches the points.

Peer: node-opcua (read_nodes.js), a stack of its own in another language. Status codes and UnitIds
below are those of OPC 10000-6 annex A and OPC 10000-8, 5.6.4 (UNECE code as big-endian ASCII); the
names of the codes are held against the list that node-opcua ships.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from edgeflash.model import Verdict
from edgeflash.outlets.opcua import OpcUaOutlet
from edgeflash.points import CATALOGUE
from edgeflash.trust import Quality
from tests.peers.programs import node_modules
from tests.peers.running import HERE, Peer, running
from tests.unit.outlets import builders

pytestmark = pytest.mark.peer("node", "node-opcua")

GOOD, LAST_USABLE, NO_DATA = 0x00000000, 0x40900000, 0x809B0000
CELSIUS_UNIT_ID = int.from_bytes(b"CEL", "big")
FAHRENHEIT_UNIT_ID = int.from_bytes(b"FAH", "big")
KILOPASCAL_UNIT_ID = int.from_bytes(b"KPA", "big")
ANALYZERS = (
    builders.analyzer(range_low_c=30.0, range_high_c=110.0),
    builders.analyzer("fp-203", number=3),
)
TWO_CYCLES = (
    builders.result(cycle_number=17, value_c=62.5),
    builders.result(cycle_number=18, value_c=64.25, at=builders.START + timedelta(minutes=5)),
)
REJECTED = builders.result(
    cycle_number=19,
    value_c=20.0,
    verdict=Verdict.REJECTED,
    at=builders.START + timedelta(minutes=10),
)


@pytest.fixture
async def outlet(request: pytest.FixtureRequest) -> AsyncIterator[OpcUaOutlet]:
    """The OPC UA outlet on a free port; a parameter gives settings of it."""
    made = OpcUaOutlet(builders.opcua(**getattr(request, "param", {})), ANALYZERS, "Invented Bend")
    await made.start()
    try:
        yield made
    finally:
        await made.stop()


def command(outlet: OpcUaOutlet, analyzer: str, *watched: str) -> list[str]:
    """The client on one analyzer."""
    return ["node", str(HERE / "read_nodes.js"), outlet.endpoint, analyzer, *watched]


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """Where the client finds its library, and keeps the key that it makes."""
    return {"NODE_PATH": str(node_modules()), "PKI_FOLDER": str(tmp_path / "pki")}


async def next_object(peer: Peer) -> dict[str, Any]:
    """The next JSON object that the client prints."""
    heard = json.loads("{" + await peer.hear("{"))
    assert isinstance(heard, dict)
    return heard


async def change_of(peer: Peer, title: str) -> dict[str, Any]:
    """The next change of one variable."""
    while (heard := await next_object(peer))["changed"] != title:
        pass
    return heard


def instant(text: str) -> datetime:
    """A time as JavaScript prints it: UTC, whole milliseconds."""
    return datetime.fromisoformat(text).astimezone(UTC)


def milliseconds(moment: datetime) -> datetime:
    """A time as JavaScript can hold it."""
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)


async def test_every_point_is_found_typed_and_described(
    outlet: OpcUaOutlet, environment: dict[str, str]
) -> None:
    """Browsing from Objects shows the whole catalogue with standard types, units and ranges."""
    await outlet.publish((builders.accepted_view(value_c=123.456),))
    async with running(command(outlet, "fp-101"), environment) as peer:
        seen = await next_object(peer)
    nodes = seen["nodes"]
    assert set(nodes) == {point.title for point in CATALOGUE}
    for point in CATALOGUE:
        node = nodes[point.title]
        assert node["nodeId"] == f"fp-101.{point.name}"
        assert seen["namespaces"][node["namespace"]] == "urn:edgeflash:points"
        assert node["description"] == point.description
        assert node["accessLevel"] == 1  # CurrentRead alone (OPC 10000-3, 8.57)

    flash = nodes["FlashPoint"]
    assert flash["typeDefinition"] == "AnalogUnitRangeType"
    assert (flash["value"], flash["status"]) == (123.456, GOOD)
    assert instant(flash["sourceTimestamp"]) == milliseconds(builders.START)
    units = flash["properties"]["EngineeringUnits"]
    assert units["namespaceUri"] == "http://www.opcfoundation.org/UA/units/un/cefact"
    assert (units["unitId"], units["displayName"]["text"]) == (CELSIUS_UNIT_ID, "°C")
    assert flash["properties"]["EURange"] == {"low": -50, "high": 400}
    assert flash["properties"]["InstrumentRange"] == {"low": 30, "high": 110}
    peak = nodes["IgnitionPeak"]["properties"]["EngineeringUnits"]
    assert peak["unitId"] == KILOPASCAL_UNIT_ID

    verdict = nodes["Verdict"]
    assert verdict["typeDefinition"] == "MultiStateDiscreteType"
    texts = [text["text"] for text in verdict["properties"]["EnumStrings"]]
    assert texts[verdict["value"]] == "accepted"
    alarm = nodes["PossibleLowFlash"]
    assert (alarm["typeDefinition"], alarm["value"]) == ("TwoStateDiscreteType", False)


async def test_our_status_codes_are_the_published_ones(
    outlet: OpcUaOutlet, environment: dict[str, str]
) -> None:
    """Every code of the quality table has, in node-opcua's own list, the name we give it."""
    async with running(command(outlet, "fp-101"), environment) as peer:
        known = (await next_object(peer))["statusCodes"]
    ours = {quality.value.opcua_name: quality.value.opcua_code for quality in Quality}
    assert {name: known[name] for name in ours} == ours


@pytest.mark.parametrize("outlet", [{"temperature_unit": "degF"}], indirect=True)
async def test_fahrenheit(outlet: OpcUaOutlet, environment: dict[str, str]) -> None:
    """Value, unit and ranges change together. 62.5 °C is 144.5 °F by definition of the scale."""
    await outlet.publish((builders.accepted_view(value_c=62.5),))
    async with running(command(outlet, "fp-101"), environment) as peer:
        flash = (await next_object(peer))["nodes"]["FlashPoint"]
    assert flash["value"] == pytest.approx(144.5, abs=1e-9)
    assert flash["properties"]["EngineeringUnits"]["unitId"] == FAHRENHEIT_UNIT_ID
    assert flash["properties"]["EURange"] == pytest.approx({"low": -58.0, "high": 752.0})
    assert flash["properties"]["InstrumentRange"] == pytest.approx({"low": 86.0, "high": 230.0})


async def test_a_subscriber_sees_good_uncertain_and_bad(
    outlet: OpcUaOutlet, environment: dict[str, str]
) -> None:
    """A new value, the same one held as uncertain, then none; each with its source time."""
    sampled_at = [milliseconds(result.sampled_at) for result in TWO_CYCLES]
    await outlet.publish((builders.view_of(builders.standing_of(TWO_CYCLES[0])),))
    async with running(command(outlet, "fp-101", "FlashPoint"), environment) as peer:
        await next_object(peer)
        first = await change_of(peer, "FlashPoint")
        assert (first["value"], first["status"]) == (62.5, GOOD)
        assert instant(first["sourceTimestamp"]) == sampled_at[0]

        await outlet.publish((builders.view_of(builders.standing_of(*TWO_CYCLES)),))
        second = await change_of(peer, "FlashPoint")
        assert (second["value"], second["status"]) == (64.25, GOOD)
        assert instant(second["sourceTimestamp"]) == sampled_at[1]

        rejected = builders.standing_of(*TWO_CYCLES, REJECTED)
        await outlet.publish((builders.view_of(rejected, after_s=10.0),))
        held = await change_of(peer, "FlashPoint")
        assert (held["value"], held["status"]) == (64.25, LAST_USABLE)
        assert held["statusName"] == "UncertainLastUsableValue"
        assert instant(held["sourceTimestamp"]) == sampled_at[1]

        await outlet.publish((builders.view_of(rejected, after_s=5000.0),))
        gone = await change_of(peer, "FlashPoint")
        assert gone["status"] == NO_DATA
        assert gone.get("value") is None


async def test_another_analyzer_stays_as_it_is(
    outlet: OpcUaOutlet, environment: dict[str, str]
) -> None:
    """A subscriber of one analyzer hears nothing of another's results."""
    await outlet.publish((builders.accepted_view("fp-203", 50.0),))
    async with running(command(outlet, "fp-203", "FlashPoint"), environment) as peer:
        await next_object(peer)
        assert (await change_of(peer, "FlashPoint"))["value"] == 50.0
        await outlet.publish((builders.accepted_view("fp-101", 60.0),))
        await outlet.publish((builders.accepted_view("fp-203", 51.0),))
        assert (await change_of(peer, "FlashPoint"))["value"] == 51.0

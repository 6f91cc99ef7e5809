"""What we write is what an independent Sparkplug decoder (npm sparkplug-payload 1.0.3) reads."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from edgeflash.model import Verdict
from edgeflash.outlets.sparkplug_node import EdgeNode, Identity
from edgeflash.outlets.sparkplug_payload import (
    CommandMetric,
    DataType,
    Metric,
    MetricValue,
    Payload,
    Property,
    decode_command,
    encode,
)
from edgeflash.outlets.values import OutletUnits
from edgeflash.publication import LinkState
from tests.peers.programs import SPARKPLUG_PAYLOAD, node_modules
from tests.peers.sparkplug_peers import decoded, foreign_rebirth
from tests.sparkplug_reading import read
from tests.sparkplug_schema import MESSAGES
from tests.unit.outlets.builders import (
    accepted_view,
    result,
    standing_of,
    view_of,
    with_heartbeat,
)

pytestmark = pytest.mark.peer("node", "npm", "sparkplug-payload")

AT = datetime(2031, 4, 5, 6, 7, 8, 901000, tzinfo=UTC)

VALUES: tuple[tuple[DataType, MetricValue, object, str], ...] = (
    (DataType.INT32, -(2**31), -(2**31), "Int32"),
    (DataType.INT32, 2**31 - 1, 2**31 - 1, "Int32"),
    (DataType.INT64, -(2**63), str(-(2**63)), "Int64"),
    (DataType.INT64, 2**63 - 1, str(2**63 - 1), "Int64"),
    (DataType.INT64, -1, "-1", "Int64"),
    (DataType.UINT16, 0, 0, "UInt16"),
    (DataType.UINT16, 65535, 65535, "UInt16"),
    (DataType.DOUBLE, -0.1, -0.1, "Double"),
    (DataType.DOUBLE, 1.7976931348623157e308, 1.7976931348623157e308, "Double"),
    (DataType.BOOLEAN, True, True, "Boolean"),
    (DataType.BOOLEAN, False, False, "Boolean"),
    (DataType.STRING, "", "", "String"),
    (DataType.STRING, "Δ 3 °C/min 🔥", "Δ 3 °C/min 🔥", "String"),
    (DataType.DATETIME, AT, "1933135628901", "DateTime"),
    (DataType.DOUBLE, None, None, "Double"),
    (DataType.STRING, None, None, "String"),
)


async def test_every_data_type_as_metric_and_as_property() -> None:
    """Value, type, alias, timestamp, historical flag, null, property set, sequence number."""
    assert {datatype for datatype, *_ in VALUES} == set(DataType)
    metrics = tuple(
        Metric(
            f"m{place}",
            2**40 + place,
            1_933_135_628_901 + place,
            datatype,
            value,
            (Property("own", datatype, value), Property("Quality", DataType.INT32, 192)),
            is_historical=place % 2 == 0,
        )
        for place, (datatype, value, _, _) in enumerate(VALUES)
    )
    (payload,) = await decoded([("NBIRTH", encode(Payload(1, metrics, 255)))])
    assert (payload["timestamp"], payload["seq"]) == ("1", "255")
    assert len(payload["metrics"]) == len(VALUES)
    for place, (got, (_, _, value, name)) in enumerate(
        zip(payload["metrics"], VALUES, strict=True)
    ):
        assert (got["name"], got["type"], got["value"]) == (f"m{place}", name, value)
        assert got["alias"] == str(2**40 + place)
        assert got["timestamp"] == str(1_933_135_628_901 + place)
        assert got.get("isHistorical", False) == (place % 2 == 0)
        assert got["properties"]["own"] == {"type": name, "value": value}
        assert got["properties"]["Quality"] == {"type": "Int32", "value": 192}


async def test_a_whole_session_reads_the_same_to_both() -> None:
    """Births, data, a device's death, results: every metric's value, null, alias, time, flag and
    properties, by the independent decoder and by the tests' own reader."""
    node = EdgeNode(Identity("g", "n", "site"), {"fp-101": 1}, OutletUnits("degC", "kPa"))
    messages = [node.connecting(AT)]
    node.connected()
    node.shown([accepted_view()], AT)
    messages += node.births({"fp-101": result()}, AT)
    node.waiting = 12
    messages += node.shown([with_heartbeat(accepted_view(), 8)], AT + timedelta(seconds=1))
    for one in (result(cycle_number=4), result(cycle_number=5, verdict=Verdict.REJECTED)):
        messages += node.recorded(one, AT, is_historical=True)
    messages += node.shown([view_of(standing_of(result(), link=LinkState.DOWN))], AT)
    messages += node.leaving(AT)
    kinds = [message.topic.split("/")[2] for message in messages]
    assert set(kinds) == {"NDEATH", "NBIRTH", "DBIRTH", "NDATA", "DDATA", "DDEATH"}
    foreign = await decoded(list(zip(kinds, (m.payload for m in messages), strict=True)))
    compared = 0
    for kind, message, theirs in zip(kinds, messages, foreign, strict=True):
        ours = read(message.payload)
        assert theirs.get("seq") == (None if ours.seq is None else str(ours.seq)), kind
        assert theirs["timestamp"] == str(ours.timestamp)
        assert len(ours.metrics) == len(theirs.get("metrics", ()))
        for mine, got in zip(ours.metrics, theirs.get("metrics", ()), strict=True):
            assert got.get("name") == mine.name
            assert got.get("alias") == (None if mine.alias is None else str(mine.alias))
            assert got["timestamp"] == str(mine.timestamp)
            assert got.get("isHistorical", False) is mine.is_historical
            value = mine.value
            if isinstance(value, bytes):  # data says no type: a text
                value = value.decode()
            if got["type"] == "Boolean" and value is not None:
                value = bool(value)
            if got["type"] in ("Int64", "DateTime") and value is not None:
                value = str(value)
            assert got["value"] == value, mine
            properties = {key: held["value"] for key, held in got.get("properties", {}).items()}
            assert properties == mine.properties
            compared += 1
    assert compared > 150


async def test_its_rebirth_command_is_understood() -> None:
    """What the independent program writes, our reader of commands reads."""
    assert decode_command(await foreign_rebirth()) == (
        CommandMetric("Node Control/Rebirth", None, 11, True),
    )


def test_the_schema_is_that_of_an_independent_program() -> None:
    """Names, numbers, wire types and message types of every field, as its source writes them; ours
    are from memory. Extensions (which we lack) aside."""
    modules = node_modules(SPARKPLUG_PAYLOAD) / "sparkplug-payload" / "lib"
    source = (modules / "sparkplugPayloadProto.js").read_text("utf-8")
    theirs: dict[str, dict[str, tuple[int, int, str]]] = {}
    for match in re.finditer(r"(\w+)\.encode = function encode\(.*?return writer;", source, re.S):
        theirs[match[1]] = {
            field: (int(number), int(wire_type), kind)
            for number, wire_type, kind, field in _WRITTEN.findall(_in_order(match[0]))
            if field != "extensionValue"
        }
    ours = {
        name.rpartition(".")[2]: {
            _camel(field): (number, _WIRE_TYPES.get(base, 2), base.rpartition(".")[2])
            for field, number, kind in fields
            for base in (kind.removeprefix("*"),)
        }
        for name, fields in MESSAGES.items()
    }
    assert {name: theirs[name] for name in ours} == ours
    types = dict(re.findall(r'valuesById\[(\d+)\] = "(\w+)"', source))
    for one in DataType:
        assert types[str(one.value)].upper() == one.name


_WRITTEN = re.compile(r"/\* id (\d+), wireType (\d) =\*/\d+ (\w+) (\w+)")
_WIRE_TYPES = {"uint32": 0, "uint64": 0, "bool": 0, "double": 1, "float": 5}
"""Of Protocol Buffers' encoding; all else is 2, length-delimited."""


def _in_order(encode: str) -> str:
    """Each write of a field as its id, its type and its name, in this order."""
    message = (
        r"Payload\.(?:\w+\.)*?(\w+)\.encode\(message\.(\w+)[^,]*, writer\.uint32\((/\*.*?\*/\d+)\)"
    )
    plain = r"writer\.uint32\((/\*.*?\*/\d+)\)\.(\w+)\(message\.(\w+)"
    return re.sub(plain, r"\1 \2 \3", re.sub(message, r"\3 \1 \2", encode))


def _camel(name: str) -> str:
    """`is_null` as `isNull`."""
    first, *rest = name.split("_")
    return first + "".join(part.capitalize() for part in rest)

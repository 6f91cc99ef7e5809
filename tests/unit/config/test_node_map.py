"""Maps of OPC UA nodes and how an analyzer that is an OPC UA server is named: good and mistaken.

Text forms of node ids: OPC 10000-6, 5.1.12 (from memory).
"""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.config import load_map, load_site
from edgeflash.config.expectations import node_at
from edgeflash.config.load import EXAMPLE_MAPS
from edgeflash.config.node_map import NodeMap
from edgeflash.config.node_name import (
    STANDARD_NAMESPACE,
    NodeName,
    NodeNameError,
    StepName,
    parsed_node,
    parsed_path,
)
from edgeflash.config.schema import SchemaName, json_schema
from edgeflash.errors import ConfigurationError
from edgeflash.model import Role

GOOD = (EXAMPLE_MAPS / "bench-cup-opcua.toml").read_text("utf-8")
GOOD_SITE = """\
[site]
name = "Windmill Quay depot"

[opcua]
port = 4840

[[analyzers]]
id = "kestrel-1"
number = 1
map = "examples:bench-cup-opcua.toml"
analyzer_corrects_barometer = false
barometer_kpa = 101.0

[analyzers.opcua]
url = "opc.tcp://10.20.0.21:4840"
user = "reader"
password_file = "reader.password"
"""
CUP = "urn:example:bench-cup:instrument"
SHORT = {"cup": CUP}


def mistakes_in_map(folder: Path, old: str, new: str) -> list[tuple[str, str]]:
    """Key and sentence of each mistake that one edit of the good map makes."""
    assert old in GOOD, old
    path = folder / "map.toml"
    path.write_text(GOOD.replace(old, new, 1))
    with pytest.raises(ConfigurationError) as caught:
        load_map(path)
    return [(m.key, m.problem) for m in caught.value.mistakes]


def mistakes_in_site(folder: Path, old: str, new: str) -> list[tuple[str, str]]:
    """The same for the good site file."""
    assert old in GOOD_SITE, old
    path = folder / "site.toml"
    path.write_text(GOOD_SITE.replace(old, new, 1))
    with pytest.raises(ConfigurationError) as caught:
        load_site(path)
    return [(m.key, m.problem) for m in caught.value.mistakes]


def test_the_example_map_is_a_map_of_nodes() -> None:
    """It maps what the map of registers of the same analyzer maps, and counts to where it says."""
    nodes = load_map(EXAMPLE_MAPS / "bench-cup-opcua.toml")
    registers = load_map(EXAMPLE_MAPS / "bench-cup.toml")
    assert isinstance(nodes, NodeMap)
    assert nodes.roles.keys() == registers.roles.keys()
    assert nodes.counter_span == registers.counter_span == (0, 65535)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("nsu=urn:a:b;s=Result.Flash;Point", NodeName("urn:a:b", "Result.Flash;Point")),
        ("nsu=cup;i=4294967295", NodeName(CUP, 4294967295)),
        ("i=2258", NodeName(STANDARD_NAMESPACE, 2258)),
        (
            "nsu=urn:a;g=09087e75-8e5e-499b-954f-f2a9603db28a",
            NodeName("urn:a", UUID("09087e75-8e5e-499b-954f-f2a9603db28a")),
        ),
        ("nsu=urn:a;b=M/RbKBsRVkePCePcx24oRA==", NodeName("urn:a", bytes.fromhex(
            "33f45b281b1156478f09e3dcc76e2844"))),
        ("nsu=http://a/%3B%25x;s=y", NodeName("http://a/;%x", "y")),
    ],
)  # fmt: skip
def test_node_names_are_read(text: str, name: NodeName) -> None:
    """The forms of the standard; a short name of the map stands for a URI."""
    assert parsed_node(text, SHORT) == name


def test_browse_paths_are_read() -> None:
    """Each step has its own namespace; without one it is the standard's."""
    steps = parsed_path(("Server", "nsu=cup;Cup", "nsu=urn:other:one;Flash:Point"), SHORT)
    assert steps == (
        StepName(STANDARD_NAMESPACE, "Server"),
        StepName(CUP, "Cup"),
        StepName("urn:other:one", "Flash:Point"),
    )


@given(text=st.text(max_size=40))
def test_any_text_is_a_name_or_an_error(text: str) -> None:
    """Nothing else ever comes of it, and what is read is written so that it reads the same."""
    try:
        name = parsed_node(text, {})
    except NodeNameError:
        return
    assert parsed_node(str(name), {}) == name


MAP_ROWS = (
    ('node = "nsu=cup;s=Cup.Live.Alive"', 'node = "ns=2;s=Cup.Live.Alive"', "roles.alive.node",
     'write "nsu=" and the namespace\'s URI'),
    ('path = ["nsu=cup;Cup", "nsu=cup;Live", "nsu=cup;SampleFlow"]',
     'path = ["nsu=cup;Cup", "2:Live"]', "roles.sample_flow.path[1]",
     "begins with a bare namespace index (2)"),
    ('node = "nsu=cup;s=Cup.Live.Alive"', 'node = "nsu=cop;s=Cup.Live.Alive"', "roles.alive.node",
     '"cop" is neither a namespace URI'),
    ('node = "nsu=cup;s=Cup.Live.Alive"', 'node = "nsu=cup;Cup.Live.Alive"', "roles.alive.node",
     "after the namespace comes i=NUMBER, s=TEXT"),
    ('node = "nsu=cup;s=Cup.Live.Alive"\n', "", "roles.alive.node", "is missing; give the node"),
    ('node = "nsu=cup;s=Cup.Live.Alive"', 'node = "nsu=cup;s=A"\npath = ["B"]',
     "roles.alive.path", "keep node or path"),
    ('node = "nsu=cup;s=Cup.Live.Alive"', 'node = "nsu=cup;s=A"\nstart = "i=85"',
     "roles.alive.start", "there is no path"),
    ('node = "nsu=cup;s=Cup.Live.Alive"', 'node = "nsu=cup;i=4294967296"', "roles.alive.node",
     "must be a whole number from 0 to 4294967295"),
    ('cup = "urn:example:bench-cup:instrument"', 'cup = "cup"', "map.namespaces.cup",
     "is no namespace URI"),
    ('s=Cup.Trace.Length"', 's=Cup.Trace.Length"\nread = "subscribe"', "roles.trace_length.read",
     "is read once with each finished cycle"),
    ('s=Cup.Result.PeakPressure"\nunit = "kPa"', 's=Cup.Result.PeakPressure"',
     "roles.peak_pressure.unit", "is missing; give one of"),
    ('s=Cup.Result.PeakPressure"\nunit = "kPa"', 's=Cup.Result.PeakPressure"\nunit = "degC"',
     "roles.peak_pressure.unit", "is no unit of a pressure"),
    ('s=Cup.Result.SparkCount"', 's=Cup.Result.SparkCount"\nunit = "s"', "roles.spark_count.unit",
     "has no unit"),
    ('s=Cup.Result.Time"', 's=Cup.Result.Time"\nunit = "s"', "roles.result_time.unit",
     "no unit of a time stamp held as a number"),
    ('s=Cup.Result.SparkCount"', 's=Cup.Result.SparkCount"\nsource_time = true',
     "roles.spark_count.source_time", "belongs to the role result_time only"),
    ("wraps_at = 65535\nfirst = 0", "wraps_at = 7\nfirst = 7", "roles.cycle_number.first",
     "must be below the highest number (7)"),
    ('values = { 0 = "idle"', 'values = { 0 = "idel"', "roles.phase.values.0",
     'must be one of "idle"'),
    ('protocol = "opcua"', 'protocol = "opcua"\naddressing = "zero_based"', "map.addressing",
     "unknown key 'addressing'"),
    ('s=Cup.Live.Stream"', 's=Cup.Live.Stream"\naddress = 5', "roles.stream.address",
     "unknown key 'address'"),
)  # fmt: skip


@pytest.mark.parametrize("row", MAP_ROWS, ids=lambda row: row[3])
def test_one_mistake_in_the_map(row: tuple[str, str, str, str], tmp_path: Path) -> None:
    """Exactly one, at its key, saying what would be right."""
    old, new, key, says = row
    ((found, problem),) = mistakes_in_map(tmp_path, old, new)
    assert found == key and says in problem


SITE_ROWS = (
    ('url = "opc.tcp://10.20.0.21:4840"', 'url = "http://10.20.0.21"', "opcua.url",
     "must begin with opc.tcp://"),
    ('url = "opc.tcp://10.20.0.21:4840"', 'url = "opc.tcp://10.20.0.321:4840"', "opcua.url",
     "four numbers from 0 to 255"),
    ('url = "opc.tcp://10.20.0.21:4840"', 'url = "opc.tcp://a:b@10.20.0.21"', "opcua.url",
     "names a user"),
    ('url = "opc.tcp://10.20.0.21:4840"', 'url = "opc.tcp://10.20.0.21:99999"', "opcua.url",
     "is no address of an OPC UA server"),
    ('url = "opc.tcp://10.20.0.21:4840"\n', "", "opcua.url", "is missing"),
    ('password_file = "reader.password"\n', "", "opcua.password_file", "is missing; the password"),
    ('user = "reader"\n', "", "opcua.password_file", "there is no user"),
    ('password_file = "reader.password"', 'password_file = "a"\npassword_credential = "b"',
     "opcua.password_credential", "a second time"),
    ('user = "reader"', 'user = "reader"\nsecurity_policy = "none"', "opcua.security_mode",
     'must be "none" too'),
    ('user = "reader"', 'user = "reader"\nsecurity_policy = "none"\nsecurity_mode = "none"',
     "opcua.user", "would send a password to whoever answers"),
    ('user = "reader"\npassword_file = "reader.password"',
     'security_policy = "none"\nsecurity_mode = "none"\ncheck_host = false', "opcua.check_host",
     "is not used without security"),
    ('user = "reader"', 'user = "reader"\nsecurity_policy = "Basic128Rsa15"',
     "opcua.security_policy", 'must be one of "Basic256Sha256"'),
)  # fmt: skip


@pytest.mark.parametrize("row", SITE_ROWS, ids=lambda row: row[3])
def test_one_mistake_in_the_opcua_table(row: tuple[str, str, str, str], tmp_path: Path) -> None:
    """Exactly one, at its key, saying what would be right."""
    old, new, key, says = row
    ((found, problem),) = mistakes_in_site(tmp_path, old, new)
    assert found == f"analyzers[0].{key}" and says in problem


LINK_ROWS = (
    ("number = 1\n", 'number = 1\nhost = "10.20.0.21"\n', "analyzers[0].opcua", "keep one of them"),
    ("number = 1\n", "number = 1\nunit_id = 4\n", "analyzers[0].unit_id", "says nothing to OPC UA"),
    ("examples:bench-cup-opcua.toml", "examples:bench-cup.toml", "analyzers[0].map",
     'give a map with protocol = "opcua"'),
)  # fmt: skip


@pytest.mark.parametrize("row", LINK_ROWS, ids=lambda row: row[3])
def test_one_mistake_in_the_way_of_linking(row: tuple[str, str, str, str], tmp_path: Path) -> None:
    """One way, its own keys only, a map of its protocol."""
    old, new, key, says = row
    ((found, problem),) = mistakes_in_site(tmp_path, old, new)
    assert found == key and says in problem


def test_the_good_site_has_no_mistake(tmp_path: Path) -> None:
    """The base of the tables is right. Secure by default."""
    path = tmp_path / "site.toml"
    path.write_text(GOOD_SITE)
    source = load_site(path).file.analyzers[0].opcua
    assert source is not None and source.is_secure
    assert (source.security_policy, source.security_mode) == ("Basic256Sha256", "sign_and_encrypt")
    assert (source.host, source.port, source.check_host) == ("10.20.0.21", 4840, True)


def test_the_page_shows_what_loads(tmp_path: Path) -> None:
    """The map and the site file of docs/opcua-link.md have no mistake."""
    page = (Path(__file__).parents[3] / "docs" / "opcua-link.md").read_text("utf-8")
    analyzer, nodes = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    (tmp_path / "kestrel-nodes.toml").write_text(nodes)
    site = tmp_path / "site.toml"
    site.write_text(f'[site]\nname = "depot"\n\n[opcua]\n\n{analyzer}')
    assert load_site(site).file.analyzers[0].opcua is not None


def test_the_schema_has_a_branch_for_nodes() -> None:
    """An editor that is told protocol = "opcua" completes the keys of nodes."""
    schema = json.loads(json.dumps(json_schema(SchemaName.MAP)))
    branch = {**schema, **schema["then"]}
    assert schema["if"]["properties"]["map"]["properties"]["protocol"] == {"const": "opcua"}
    for name, place in tomllib.loads(GOOD)["roles"].items():
        for key in place:
            assert node_at(branch, ("roles", name, key)) is not None, (name, key)
    assert node_at(branch, ("roles", Role.FLASH_POINT.value, "address")) is None
    protocol = node_at(branch, ("map", "protocol"))
    assert protocol is not None and set(protocol["enum"]) == {"modbus", "opcua"}

"""`edgeflash points` as it is typed."""

from __future__ import annotations

import io
import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import write_demo_site
from edgeflash.errors import UsageError

ENDPOINTS = (Endpoint("kestrel-1", "192.0.2.1", 502), Endpoint("kestrel-2", "192.0.2.2", 502))


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return write_demo_site(tmp_path, ENDPOINTS, 1.0)


def _edited(site: Path, *changes: tuple[str, str]) -> Path:
    text = site.read_text("utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = site.with_name("after.toml")
    path.write_text(text, "utf-8")
    return path


def test_a_workbook_goes_into_a_file(site: Path, tmp_path: Path) -> None:
    """Another program can open it."""
    out = tmp_path / "points.xlsx"
    done = CliRunner().invoke(app, ["points", str(site), "--format", "xlsx", "--out", str(out)])
    assert done.exit_code == 0
    assert "OPC UA" in load_workbook(io.BytesIO(out.read_bytes())).sheetnames


def test_a_workbook_is_not_printed(site: Path) -> None:
    """Wrong use, said in words."""
    done = CliRunner().invoke(app, ["points", str(site), "--format", "xlsx"])
    assert isinstance(done.exception, UsageError)
    assert "--out" in str(done.exception)


def test_the_schema_of_what_goes_over_mqtt(site: Path) -> None:
    """With the units of the site's outlets; of all where it has none."""
    entry = (
        '\n[[mqtt]]\nid = "panel"\nhost = "192.0.2.40"\ntemperature_unit = "degF"\n\n[[analyzers]]'
    )
    with_entry = site.with_name("mqtt.toml")
    with_entry.write_text(site.read_text("utf-8").replace("\n[[analyzers]]", entry, 1), "utf-8")
    for path, units in ((site, ["°C", "°F"]), (with_entry, ["°F"])):
        done = CliRunner().invoke(app, ["points", str(path), "--format", "mqtt-schema"])
        assert done.exit_code == 0, done.output
        points = json.loads(done.output)["$defs"]["state_points"]["properties"]
        assert points["FlashPoint"]["properties"]["unit"]["enum"] == units


def test_nothing_moved(site: Path) -> None:
    """The same points: exit code 0."""
    done = CliRunner().invoke(app, ["points", str(site), "--against", str(site)])
    assert (done.exit_code, done.output) == (
        0,
        "0 differences, 0 of them break an existing mapping\n",
    )


def test_a_moved_address_fails_unless_the_site_file_says_why(site: Path) -> None:
    """Exit code 1 and every address; 0 once there is a reason, which is shown."""
    after = _edited(site, ("number = 2", "number = 3"))
    done = CliRunner().invoke(app, ["points", str(after), "--against", str(site)])
    assert done.exit_code == 1
    assert (
        "BREAKS kestrel-2.flash_point_c: Modbus address moved: 200 -> 400"
        in done.output.splitlines()
    )
    assert "points_moved_because" in done.output
    allowed = _edited(
        site,
        ("number = 2", "number = 3"),
        ("[site]\n", '[site]\npoints_moved_because = "mapped anew in week 9"\n'),
    )
    done = CliRunner().invoke(app, ["points", str(allowed), "--against", str(site)])
    assert done.exit_code == 0
    assert "mapped anew in week 9" in done.output


def test_for_machines(site: Path) -> None:
    """The same as JSON."""
    after = _edited(site, ("number = 2", "number = 3"))
    command = ["points", str(after), "--against", str(site), "--format", "json"]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 1
    told = json.loads(done.output)
    assert {c["kind"] for c in told["changes"]} == {"moved"}
    assert all(c["breaks"] for c in told["changes"])


def test_the_model_as_a_file(site: Path, tmp_path: Path) -> None:
    """NodeSet2 XML with types, nodes and the namespaces that both are in."""
    out = tmp_path / "model.xml"
    words = ["points", str(site), "--format", "nodeset", "--out", str(out)]
    assert CliRunner().invoke(app, words, catch_exceptions=False).exit_code == 0
    root = ET.parse(out).getroot()
    space = {"n": "http://opcfoundation.org/UA/2011/03/UANodeSet.xsd"}
    uris = [uri.text for uri in root.findall("n:NamespaceUris/n:Uri", space)]
    assert uris == ["urn:edgeflash:types", "urn:edgeflash:points"]
    variables = {node.attrib["NodeId"] for node in root.findall("n:UAVariable", space)}
    assert "ns=1;s=FlashPointAnalyzerType.flash_point_c" in variables
    assert "ns=2;s=kestrel-1.flash_point_c.EURange" in variables

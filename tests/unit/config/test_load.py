"""Good files: what the loader makes of them, and what `check` says about them."""

from __future__ import annotations

import json
import subprocess
import tomllib
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from edgeflash.cli.check import check
from edgeflash.config import Problem, load_map, load_site
from edgeflash.config.expectations import node_at
from edgeflash.config.load import EXAMPLE_MAPS
from edgeflash.config.register_map import Encoding, RegisterMap
from edgeflash.config.schema import SchemaName, json_schema
from edgeflash.config.site import Site
from edgeflash.errors import ConfigurationError
from edgeflash.gateway.site import checked_site
from edgeflash.model import Role
from tests.unit.config.bad_files import GOOD_MAP, GOOD_SITE, MAP, SITE, Row
from tests.unit.config.test_validate import paths_of

DEPLOY = Path(__file__).parents[3] / "deploy"
GOOD = Row("good", SITE, (), 1, "", "")


def run(*words: str) -> tuple[int, str]:
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(check)
    answer = CliRunner().invoke(app, list(words))
    return answer.exit_code, answer.stdout


def test_folders_are_resolved_against_the_site_file(tmp_path: Path) -> None:
    """state_dir beside the site file, the history in it; absolute paths stay. Nothing is made."""
    path = GOOD.write(tmp_path)
    site = load_site(path)
    assert (site.state_dir, site.history_dir) == (tmp_path / "state", tmp_path / "state/history")
    text = GOOD_SITE.replace('"history"', '"/srv/history"').replace('"state"', '"/var/lib/ef"')
    path.write_text(text)
    site = load_site(path)
    assert (site.state_dir, site.history_dir) == (Path("/var/lib/ef"), Path("/srv/history"))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["maps", "site.toml"]


def test_the_digest_is_that_of_the_bytes(tmp_path: Path) -> None:
    """As sha256sum (GNU coreutils) has it, so that anybody can compare it with a file."""
    path = GOOD.write(tmp_path)
    told = subprocess.run(["sha256sum", path], capture_output=True, text=True, check=True).stdout
    assert load_site(path).digest == told.split()[0]


def test_maps_are_found_beside_the_site_file_and_in_the_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wherever the program was started."""
    path = GOOD.write(tmp_path)
    text = GOOD_SITE.replace("maps/cup.toml", "examples:bench-cup.toml", 1)
    path.write_text(text)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    maps = load_site(Path("..") / SITE).maps
    assert maps["kestrel-1"] == load_map(EXAMPLE_MAPS / "bench-cup.toml")
    assert maps["kestrel-2"] == load_map(tmp_path / MAP)


@pytest.mark.parametrize("name", ["../load.py", "/etc/hostname", "", "bench-cup"])
def test_an_example_map_is_one_of_those_shipped(name: str, tmp_path: Path) -> None:
    """The prefix opens no way to other files."""
    path = GOOD.write(tmp_path)
    path.write_text(GOOD_SITE.replace("maps/cup.toml", f"examples:{name}", 1))
    with pytest.raises(ConfigurationError) as caught:
        load_site(path)
    assert [m.key for m in caught.value.mistakes] == ["analyzers[0].map"]


def test_values_arrive_as_they_stand(tmp_path: Path) -> None:
    """A few of each kind, through the file."""
    site = load_site(GOOD.write(tmp_path))
    cup = site.maps["kestrel-1"]
    place = cup.roles[Role.SAMPLE_TEMPERATURE]
    assert (place.type, place.scale, place.offset) == (Encoding.INT16, 0.01, -40.0)
    assert place.unavailable == (-32768,)
    assert cup.roles[Role.FLASH_POINT].unavailable == ("nan", -9999)
    assert cup.counter_span == (1, 999_999)
    assert cup.pdu_address(1) == 0
    assert [p.value for p in (cup.roles[Role.PHASE].values or {}).values()] == [
        "idle",
        "heat",
        "purge",
    ]
    assert site.file.modbus[0].allow == ("10.20.0.11", "10.20.1.0/24")


def test_a_large_sentinel_keeps_every_digit() -> None:
    """0x7FFFFFFFFFFFFFFF does not go through a float, which would make it 2**63."""
    text = GOOD_MAP.replace('type = "int16"\nscale = 0.01\noffset', 'type = "int64"\noffset')
    text = text.replace("[-32768]", "[0x7FFFFFFFFFFFFFFF]").replace("address = 6", "address = 60")
    document = tomllib.loads(text)
    parsed = RegisterMap.model_validate_json(json.dumps(document), strict=True)
    assert parsed.roles[Role.SAMPLE_TEMPERATURE].unavailable == (2**63 - 1,)


def test_shared_registers_that_are_right(tmp_path: Path) -> None:
    """Bits of a register of bits, one value under two roles, and rings woven into one another."""
    more = """
[roles.ignition_temperature]
table = "input"
address = 10
type = "float32"
order = "cdab"
unit = "degC"
"""
    path = tmp_path / "map.toml"
    path.write_text(GOOD_MAP.replace("address = 4\n", "address = 5\n") + more)
    assert Role.IGNITION_TEMPERATURE in load_map(path).roles


def test_the_last_register_can_be_mapped(tmp_path: Path) -> None:
    """One-based: registers 1 to 65536 (Modbus application protocol V1.1b3, 4.4)."""
    path = tmp_path / "map.toml"
    path.write_text(GOOD_MAP.replace("address = 3001", "address = 65025"))
    assert load_map(path).roles[Role.TRACE_PRESSURE].span_registers == 512


def test_checks_from_other_rooms_see_a_site_that_is_wrong(tmp_path: Path) -> None:
    """They run in any case, speak beside the other mistakes, and not about what follows."""
    path = GOOD.write(tmp_path)
    path.write_text(GOOD_SITE.replace("unit_id = 1", "unit_id = 999"))
    (tmp_path / MAP).unlink()
    seen: list[Site] = []

    def other_room(site: Site) -> list[Problem]:
        seen.append(site)
        return [
            Problem(("analyzers", 0, "unit_id"), "follows"),
            Problem(("analyzers", 0, "rules"), "needs a role", (("analyzers", 0, "map"),)),
            Problem(("analyzers", 1, "hold_s"), "of its own"),
        ]

    with pytest.raises(ConfigurationError) as caught:
        load_site(path, (other_room,))
    assert [
        (m.key, m.problem) for m in caught.value.mistakes if "no such file" not in m.problem
    ] == [
        ("analyzers[0].unit_id", "must be a whole number from 0 to 255, not 999"),
        ("analyzers[1].hold_s", "of its own"),
    ]
    assert [len(m.roles) for m in seen[0].maps.values()] == [0, 0]


@pytest.mark.parametrize("path", sorted(EXAMPLE_MAPS.glob("*.toml")), ids=lambda p: p.name)
def test_shipped_maps_are_right(path: Path) -> None:
    """Each register map that comes with edgeflash loads."""
    assert Role.FLASH_POINT in load_map(path).roles


@pytest.mark.parametrize("path", sorted(DEPLOY.glob("*.toml")), ids=lambda p: p.name)
def test_example_site_files_are_right(path: Path) -> None:
    """Each example site file passes every check there is, and shows each table of a site file."""
    site = checked_site(path)
    assert {"opcua", "modbus", "products", "history", "journal"} <= site.file.model_fields_set


def test_the_check_says_what_each_analyzer_will_have(tmp_path: Path) -> None:
    """Link, roles, trace, what is off and what stays blind; exit code 0."""
    site = GOOD.write(tmp_path)
    code, text = run(str(site))
    text = " ".join(text.split())  # it is folded
    assert code == 0
    for words in (
        "no mistakes; Windmill Quay depot, 2 analyzers",
        "OPC UA 127.0.0.1:4840; Modbus TCP 0.0.0.0:5020; Modbus TCP 0.0.0.0:5021",
        "Modbus TCP 10.20.0.21:502, unit 1",
        "18 of 34: cycle_number, result_time",
        "sample_flow off, because: the flow switch",
        "air_flow: map air_flow and set air_flow_ml_per_min to open its eyes",
        "verification_overdue: set verification to open its eyes",
    ):
        assert words in text, words


def test_the_check_for_machines(tmp_path: Path) -> None:
    """The same as JSON. A rule that is off is not called blind."""
    code, text = run(str(GOOD.write(tmp_path)), "--json")
    document = json.loads(text)
    assert (code, document["ok"], document["mistakes"]) == (0, True, [])
    first, second = document["analyzers"]
    assert (first["id"], first["trace"]) == ("kestrel-1", "block")
    assert set(first["roles"]) | set(first["roles_not_mapped"]) == {r.value for r in Role}
    assert "sample_flow" not in [b["rule"] for b in first["blind"]]
    blind = {b["rule"]: (b["missing"], b["unset"]) for b in second["blind"]}
    assert blind["sample_flow"] == (["sample_flow"], ["sample_flow_ml_per_min"])
    assert blind["verification_overdue"] == ([], ["verification"])
    assert "outlier" not in blind


@pytest.mark.parametrize(("which", "document"), [("site", GOOD_SITE), ("map", GOOD_MAP)])
def test_the_schema_knows_every_key(which: str, document: str) -> None:
    """The printed schema has a place for each key of a good file, no null, and its dialect."""
    code, text = run("--schema", which)
    schema = json.loads(text)
    assert code == 0
    assert schema == json.loads(json.dumps(json_schema(SchemaName(which))))
    assert schema["$schema"].startswith("https://json-schema.org/draft/2020-12/")
    assert '"null"' not in text
    branch = {**schema, **schema.get("else", {})}
    for path in paths_of(tomllib.loads(document)):
        assert node_at(branch, path) is not None, path
    assert node_at(branch, ("no_such_key",)) is None


def test_the_schema_agrees_with_the_loader_on_choices() -> None:
    """Ends of ranges and lists of choices an editor offers are those the loader takes."""
    site, cup = json_schema(SchemaName.SITE), json_schema(SchemaName.MAP)
    number = node_at(site, ("analyzers", 0, "number"))
    assert number is not None and (number["minimum"], number["maximum"]) == (1, 200)
    place = node_at({**cup, **cup["else"]}, ("roles", "flash_point", "type"))
    assert place is not None and set(place["enum"]) == {e.value for e in Encoding}

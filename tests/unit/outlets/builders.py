"""Small builders of sites, results and views for the outlet tests (invented figures)."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from edgeflash.config.register_map import Order
from edgeflash.config.site import (
    Analyzer,
    Input,
    ModbusServer,
    OpcUaServer,
    Site,
    SiteFile,
    SiteHeader,
)
from edgeflash.model import (
    Computed,
    Continuity,
    Cycle,
    CycleSource,
    Finding,
    Phase,
    Result,
    Role,
    Severity,
    Verdict,
)
from edgeflash.publication import Held, LinkState, Standing, View, view, with_result
from edgeflash.trust import Quality

START = datetime(2031, 4, 5, 6, 7, 8, 901234, tzinfo=UTC)


def analyzer(name: str = "fp-101", number: int = 1, **more: object) -> Analyzer:
    """An analyzer with the defaults of the site file."""
    fields: dict[str, object] = {
        "id": name,
        "number": number,
        "map": Path("cup.toml"),
        "host": "192.0.2.10",
        "analyzer_corrects_barometer": False,
    }
    return Analyzer.model_validate(fields | more)


def result(
    name: str = "fp-101",
    cycle_number: int = 17,
    value_c: float = 62.5,
    verdict: Verdict = Verdict.ACCEPTED,
    at: datetime = START,
) -> Result:
    """A judged cycle."""
    findings: tuple[Finding, ...] = ()
    if verdict is not Verdict.ACCEPTED:
        severity = Severity.DOUBT if verdict is Verdict.DOUBTFUL else Severity.REJECT
        findings = (Finding(4203, "invented", severity, "the ramp was not steady, Δ 3 °C/min"),)
    cycle = Cycle(
        name, 0, cycle_number, CycleSource.LIVE, Continuity.NEXT, 0, at, {}, duration_s=300.0
    )
    computed = Computed(
        reported_c=value_c + 0.4,
        recomputed_c=value_c - 0.1,
        corrected_c=value_c,
        correction_c=0.25,
        barometer_kpa=100.2,
        uncertainty_c=0.3,
        resolution_c=0.5,
        heating_rate_c_per_min=3.0,
        peak_kpa=41.0,
    )
    published = None if verdict is Verdict.REJECTED else value_c
    return Result(cycle, computed, findings, verdict, published, False, False, at, at, "jet", "1")


def standing_of(*results: Result, name: str = "fp-101", link: LinkState = LinkState.UP) -> Standing:
    """What is known after the results, received at monotonic 0 s, 1 s, 2 s, ..."""
    standing = Standing(
        name,
        link=link,
        live={
            Role.FLASH_POINT: 61.75,
            Role.SAMPLE_TEMPERATURE: 44.25,
            Role.CELL_PRESSURE: 1.5,
            Role.PHASE: Phase.HEAT,
        },
        live_at=START,
    )
    for place, one in enumerate(results):
        standing = with_result(standing, Held.since(one, one.judged_at, float(place)))
    return standing


def view_of(
    standing: Standing, *, after_s: float = 5.0, hold_s: float = 900.0, heartbeat: int = 7
) -> View:
    """The view `after_s` after monotonic 0 s."""
    return view(
        standing,
        now=START + timedelta(seconds=after_s),
        now_mono_s=after_s,
        hold_s=hold_s,
        bad_at_once=False,
        heartbeat=heartbeat,
        quality_of_rule={4203: (Quality.SUB_NORMAL, Quality.NO_DATA)},
    )


def accepted_view(name: str = "fp-101", value_c: float = 62.5, cycle_number: int = 17) -> View:
    """A view with a good value."""
    return view_of(standing_of(result(name, cycle_number, value_c), name=name))


def rejected_view(*, held: bool = True) -> View:
    """A view after an accepted and a rejected cycle: value held, or hold time over."""
    standing = standing_of(result(), result(cycle_number=18, verdict=Verdict.REJECTED))
    return view_of(standing, after_s=5.0 if held else 5000.0)


def with_heartbeat(one: View, heartbeat: int) -> View:
    """The same view a heartbeat later."""
    return replace(one, heartbeat=heartbeat, at=one.at + timedelta(seconds=1))


def opcua(**more: object) -> OpcUaServer:
    """An OPC UA outlet on loopback and any free port, with the open endpoint."""
    return OpcUaServer.model_validate({"port": 0, "allow_open_endpoint": True} | more)


def modbus(**more: object) -> ModbusServer:
    """A Modbus outlet on loopback and any free port."""
    return ModbusServer.model_validate({"port": 0} | more)


def site(
    *analyzers: Analyzer,
    opcua_server: OpcUaServer | None = None,
    modbus_servers: tuple[ModbusServer, ...] = (),
    inputs: tuple[Input, ...] = (),
) -> Site:
    """A checked site with these analyzers, outlets and inputs."""
    file = SiteFile(
        site=SiteHeader(name="Invented Bend"),
        opcua=opcua_server,
        modbus=modbus_servers,
        inputs=inputs,
        analyzers=analyzers,
    )
    folder = Path("invented")
    return Site(path=folder / "site.toml", state_dir=folder, history_dir=folder, file=file, maps={})


INPUTS = (
    Input(id="t10", number=1, unit="degC", low=100.0, high=300.0, description="10 % recovered"),
    Input(id="share-a", number=2, unit="percent", stale_s=60.0),
    Input(id="grade", number=3, low=0.0, high=20.0),
    Input(id="share-b", number=5, unit="percent", value=40.0),
)
"""Invented inputs: a gap at 4, the last one a constant."""

ALL_ORDERS = tuple(Order)

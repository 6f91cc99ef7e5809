"""The site file: what is connected, what is published, and by which limits cycles are judged."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from edgeflash.config.analyzer_map import AnalyzerMap, Strict
from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.opcua_source import OpcUaSource
from edgeflash.config.outlet_units import PressureUnit, TemperatureUnit
from edgeflash.config.register_map import Order
from edgeflash.config.ship import Ship
from edgeflash.model import Severity

Identifier = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,31}$")]
PositiveSeconds = Annotated[float, Field(gt=0, le=86_400)]
PauseSeconds = Annotated[float, Field(ge=0.01, le=86_400)]
"""Of what is done again and again: less would take the processor from all the others."""

Seconds = Annotated[float, Field(ge=0, le=86_400)]
Port = Annotated[int, Field(ge=0, le=65_535)]
Celsius = Annotated[float, Field(ge=-100, le=600)]
UnitIds = Literal["any", "per_analyzer"]

# Judging remembers 64 cycles (rules.memory.PAST_CYCLES, which this room must not import). With the
# present one that makes 65: what is due less often could never be seen to be missing.
Due = Annotated[int, Field(ge=1, le=65)]


class Basis(StrEnum):
    """Which flash temperature is corrected and published: the analyzer's own, or ours."""

    REPORTED = "reported"
    RECOMPUTED = "recomputed"


class Correction(StrEnum):
    """The barometric correction's form; see flash.barometer."""

    CELSIUS_KPA = "celsius_kpa"
    CELSIUS_MMHG = "celsius_mmhg"
    FAHRENHEIT_MMHG = "fahrenheit_mmhg"
    NONE = "none"


class SiteHeader(Strict):
    """The site's name and where edgeflash keeps its state (relative to the site file).

    points_moved_because: why points may lie elsewhere than in the site file before; without it
    `edgeflash points --against` takes a point that moved for a mistake.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    state_dir: Path = Path("state")
    points_moved_because: str = ""


class Keep(Strict):
    """How long a table of the history is kept; for ever without limits.

    keep_days: a file is deleted so long after the end of its month or day. keep_mb: the oldest
    files are deleted while all files of the table together are larger, in 10^6 bytes. The present
    month or day always stays, and what an outlet still owes.
    """

    keep_days: Annotated[float, Field(ge=1, le=36_600)] | None = None
    keep_mb: Annotated[float, Field(ge=1, le=1e9)] | None = None


class History(Strict):
    """The Parquet history. flush_s: how long a result may wait in the journal alone."""

    folder: Path = Path("history")
    flush_s: PauseSeconds = 60.0
    results: Keep = Keep()
    traces: Keep = Keep()
    events: Keep = Keep()
    lab: Keep = Keep()


class Journal(Strict):
    """How long the journal keeps what the history already holds."""

    keep_days: Annotated[float, Field(ge=1, le=3660)] = 30.0


class SecurityPolicy(StrEnum):
    """A security policy of OPC 10000-7 that is not deprecated, by the end of its URI."""

    BASIC256_SHA256 = "Basic256Sha256"
    AES128_SHA256_RSA_OAEP = "Aes128_Sha256_RsaOaep"
    AES256_SHA256_RSA_PSS = "Aes256_Sha256_RsaPss"


class SecurityMode(StrEnum):
    """What protects each message: a signature, or that and encryption."""

    SIGN = "sign"
    SIGN_AND_ENCRYPT = "sign_and_encrypt"


class OpcUaServer(Strict):
    """The OPC UA outlet.

    policies, modes: of its secured endpoints. allow_open_endpoint: one without certificate,
    encryption and password besides. anonymous: whether who gives no name may read; not given: at
    the open endpoint only. host_names: more names and addresses for the own certificate.
    client_share: the part of each limit that one client address may use up.
    """

    host: str = "127.0.0.1"
    port: Port = 4840
    policies: Annotated[tuple[SecurityPolicy, ...], Field(min_length=1)] = tuple(SecurityPolicy)
    modes: Annotated[tuple[SecurityMode, ...], Field(min_length=1)] = tuple(SecurityMode)
    allow_open_endpoint: bool = False
    anonymous: bool | None = None
    host_names: tuple[str, ...] = ()
    max_sessions: Annotated[int, Field(ge=2, le=1000)] = 32
    max_subscriptions: Annotated[int, Field(ge=2, le=10_000)] = 128
    max_monitored_items: Annotated[int, Field(ge=100, le=1_000_000)] = 20_000
    max_message_bytes: Annotated[int, Field(ge=65_536, le=67_108_864)] = 4_194_304
    client_share: Annotated[float, Field(gt=0, le=1)] = 0.5
    accept_inputs: bool = False
    temperature_unit: TemperatureUnit = "degC"
    pressure_unit: PressureUnit = "kPa"

    @property
    def certified_names(self) -> tuple[str, ...]:
        """The names and addresses that the own certificate should have, as far as given here."""
        return (self.host, *self.host_names)


class ModbusServer(Strict):
    """One Modbus TCP outlet; a site may run several, each with its own order and units.

    unit_ids: "any": every unit is the same; "per_analyzer": unit n is analyzer `number` n. allow:
    addresses of clients that may read; empty means every address that can reach the port.
    accept_inputs: clients may write the declared inputs, and nothing else; allow_inputs: of those
    that may read, the addresses that may; empty means all. max_connections_per_client and
    max_requests_per_s: of one client address, over all of its connections.
    """

    host: str = "127.0.0.1"
    port: Port = 5020
    order: Order = Order.ABCD
    temperature_unit: TemperatureUnit = "degC"
    pressure_unit: PressureUnit = "kPa"
    unit_ids: UnitIds = "any"
    allow: tuple[str, ...] = ()
    max_connections: Annotated[int, Field(ge=1, le=256)] = 16
    max_connections_per_client: Annotated[int, Field(ge=1, le=256)] = 8
    max_requests_per_s: Annotated[int, Field(ge=1, le=100_000)] = 1000
    accept_inputs: bool = False
    allow_inputs: tuple[str, ...] = ()


class Product(Strict):
    """A specified grade and its flash point minimum. strict_minimum: the limit itself fails.

    specification: a grade of flash.products, whose limit and method hold where none is given here.
    number: what an input of the control system calls it. sd_c: the site's own precision, one
    standard deviation of a result; else the method's reproducibility tells.
    """

    specification: str | None = None
    minimum_c: Celsius | None = None
    strict_minimum: bool | None = None
    method: str | None = None
    sd_c: Annotated[float, Field(gt=0, le=20)] | None = None
    number: Annotated[int, Field(ge=0, le=65_535)] | None = None
    source: str = ""


class Input(Strict):
    """A value that the control system writes, or a constant of this file.

    number: its place among the writable Modbus registers and its OPC UA node; value: a constant
    instead, which nobody writes. unit: of what is written. stale_s: older is not good. heartbeat:
    the control system writes it regularly, whatever the value; its silence is an alarm.
    """

    id: Identifier
    number: Annotated[int, Field(ge=1, le=500)]
    description: str = ""
    unit: Literal["degC", "degF", "K", "percent", "fraction", "number"] = "number"
    low: float | None = None
    high: float | None = None
    value: float | None = None
    stale_s: PositiveSeconds = 600.0
    heartbeat: bool = False


class Component(Strict):
    """One part of a blend. flash_c, share: an input's id or a number; share: volume fraction."""

    flash_c: float | Identifier
    share: float | Identifier


class Prediction(Strict):
    """How the flash point is predicted, as a cross-check that never judges alone.

    value: an input that is the prediction. blend: components by an index. distillation: from t10.
    """

    kind: Literal["value", "blend", "distillation"]
    value: Identifier | None = None
    index: Literal["logarithmic", "power"] = "logarithmic"
    components: tuple[Component, ...] = ()
    t10_c: float | Identifier | None = None
    correlation: Literal["nonlinear", "linear"] = "nonlinear"


class Verification(Strict):
    """The check sample: its accepted reference value and the site precision it is judged by.

    due_days: how long after the last one the next is due.
    """

    reference_c: Celsius
    sd_c: Annotated[float, Field(gt=0, le=20)]
    due_days: Annotated[float, Field(gt=0, le=3660)] = 7.0


class RuleTuning(Strict):
    """A change to one rule: off (with a reason), a lower severity, other parameter values."""

    enabled: bool = True
    because: str = ""
    severity: Severity | None = None
    parameters: dict[str, float] = Field(default_factory=dict)


class Stream(Strict):
    """One of the streams an analyzer is switched between; what it leaves out is the analyzer's.

    number: what the role `stream` reads. rules: tunings on top of the analyzer's own.
    """

    number: Annotated[int, Field(ge=0, le=65_535)]
    name: str = ""
    product: str | None = None
    expected_c: Celsius | None = None
    transport_lag_s: Seconds | None = None
    flush_volume_ml: Annotated[float, Field(ge=0)] | None = None
    prediction: Prediction | None = None
    rules: dict[str, RuleTuning] = Field(default_factory=dict)


class Line(Strict):
    """A serial line, or a gateway's connection, that several analyzers share.

    device: a serial device of this machine, eight data bits. host, port, framing: a serial server
    that passes RTU frames on ("rtu"), or a Modbus TCP gateway ("tcp"). baud: also of the line
    behind a serial server, for the pauses. quiet_ms: silence before a request; else 3.5 characters,
    at least 1.75 ms. timeout_s: for a reply to begin. late_s: how long after that it may still
    come; the unit asked is left alone until then. echo: the line hands back what is sent.
    """

    id: Identifier
    description: str = ""
    device: Annotated[str, Field(min_length=1, max_length=255)] | None = None
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 19_200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Literal[1, 2] = 1
    host: str | None = None
    port: Annotated[int, Field(ge=1, le=65_535)] = 502
    framing: Literal["rtu", "tcp"] = "rtu"
    echo: bool = False
    quiet_ms: Annotated[float, Field(ge=0, le=1000)] | None = None
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 1.0
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    late_s: Annotated[float, Field(ge=0, le=60)] = 1.0


class Alarm(Strict):
    """A change to one alarm: its delays, or off (with a reason)."""

    enabled: bool = True
    because: str = ""
    on_delay_s: Seconds | None = None
    off_delay_s: Seconds | None = None


NameplateText = Annotated[str, Field(max_length=80)]


class Nameplate(Strict):
    """What stands on an analyzer's nameplate, as the site read it; empty where nobody did."""

    manufacturer: NameplateText = ""
    model: NameplateText = ""
    serial_number: NameplateText = ""
    hardware_revision: NameplateText = ""
    software_revision: NameplateText = ""
    asset_id: NameplateText = ""


class Analyzer(Strict):
    """One analyzer: its link, its physics, and how its cycles are judged and published.

    host, opcua, line: its Modbus TCP address, its OPC UA server, or one of the site's lines:
    exactly one way of linking must be given, see config.link_checks.
    barometer_kpa: the site's usual station pressure. It stands in where the analyzer has no
    barometer, and a reading far from it is not believed. method: a test method of flash.methods
    whose scope and precision hold. product_input: an input that gives the product's number.
    flush_volume_ml: what must flow after a change of stream before the cup holds the new one.
    start_below_expected_c: by how much the ramp should start below the expected flash point.
    clean_every, zero_every: cycles after which electrodes must be sparked clean, the transducer
    zeroed; no more than judging looks back.
    """

    id: Identifier
    number: Annotated[int, Field(ge=1, le=200)]
    description: str = ""
    nameplate: Nameplate = Nameplate()
    map: Path
    host: str | None = None
    line: Identifier | None = None
    opcua: OpcUaSource | None = None
    port: Annotated[int, Field(ge=1, le=65_535)] = 502
    unit_id: Annotated[int, Field(ge=0, le=255)] = 1
    poll_s: PauseSeconds = 1.0
    timeout_s: PauseSeconds = 1.0
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    backoff_first_s: PauseSeconds = 1.0
    backoff_max_s: PauseSeconds = 30.0

    product: str | None = None
    expected_c: Celsius | None = None
    range_low_c: Celsius = 25.0
    range_high_c: Celsius = 125.0
    heating_rate_c_per_min: Annotated[float, Field(gt=0, le=60)] | None = None
    spark_interval_s: Annotated[float, Field(gt=0, le=60)] | None = None
    sensor_lag_s: Annotated[float, Field(ge=0, le=60)] = 0.0
    start_below_expected_c: Annotated[float, Field(gt=0, le=100)] | None = None
    clean_every: Due = 1
    zero_every: Due = 1
    method: str | None = None
    product_input: Identifier | None = None
    hazard_scheme: Literal["ghs", "clp", "nfpa30", "dot", "un"] | None = None
    boiling_point_c: Celsius | None = None
    flush_volume_ml: Annotated[float, Field(ge=0)] = 0.0
    inlet_low_c: Celsius | None = None
    inlet_high_c: Celsius | None = None
    streams: tuple[Stream, ...] = ()
    prediction: Prediction | None = None
    verification: Verification | None = None
    transport_lag_s: Seconds = 0.0
    sample_flow_ml_per_min: Annotated[float, Field(gt=0)] | None = None
    air_flow_ml_per_min: Annotated[float, Field(gt=0)] | None = None

    basis: Basis = Basis.REPORTED
    analyzer_corrects_barometer: bool
    correction: Correction = Correction.CELSIUS_KPA
    barometer_kpa: Annotated[float, Field(ge=50, le=110)] | None = None

    hold_s: PositiveSeconds = 900.0
    on_reject: Literal["hold", "bad"] = "hold"
    alarms: dict[str, Alarm] = Field(default_factory=dict)
    rules: dict[str, RuleTuning] = Field(default_factory=dict)


class SiteFile(Strict):
    """The site file as written."""

    site: SiteHeader
    history: History = History()
    journal: Journal = Journal()
    ship: Ship | None = None
    opcua: OpcUaServer | None = None
    modbus: tuple[ModbusServer, ...] = ()
    mqtt: tuple[MqttEntry, ...] = ()
    products: dict[Identifier, Product] = Field(default_factory=dict)
    inputs: tuple[Input, ...] = ()
    lines: tuple[Line, ...] = ()
    analyzers: Annotated[tuple[Analyzer, ...], Field(min_length=1)]


class Site(Strict):
    """A checked site: the file, its resolved folders, and the register map of each analyzer.

    digest: SHA-256 of the site file's bytes as they were read, in hexadecimal.
    """

    path: Path
    digest: str = ""
    state_dir: Path
    history_dir: Path
    file: SiteFile
    maps: dict[str, AnalyzerMap]
    """Map by analyzer id."""

"""The configuration in force, as OPC UA properties: each setting declared once. Pure.

To show one more, append one Setting. A setting with a unit is a variable with that unit, for a
property cannot have one (OPC 10000-3, 5.6.2); all others are properties.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Generic, TypeVar

from edgeflash.alarms.catalogue import NO_PARTS, SiteParts
from edgeflash.config.site import Analyzer, Product, Site
from edgeflash.flash.products import resolved
from edgeflash.outlets.alarm_limits import minimums_c
from edgeflash.outlets.opcua_enumerations import (
    BASIS,
    CORRECTION,
    HAZARD_SCHEME,
    ON_REJECT,
    Enumeration,
)
from edgeflash.outlets.opcua_members import Text, Value
from edgeflash.rules.catalogue import VERSION
from edgeflash.rules.tuning import changes
from edgeflash.units import Quantity


@dataclass(frozen=True, slots=True)
class InForce:
    """What holds of a site. products: with what their specification gives; maps: names of the
    register maps by analyzer. taken_over_at: when this site file came into force, UTC. parts: what
    decides which alarms there are."""

    site_name: str = ""
    products: Mapping[str, Product] = field(default_factory=dict)
    maps: Mapping[str, str] = field(default_factory=dict)
    digest: str = ""
    taken_over_at: datetime | None = None
    parts: SiteParts = NO_PARTS

    @classmethod
    def of(cls, site: Site, taken_over_at: datetime | None = None) -> InForce:
        """What holds of a checked site."""
        return cls(
            site.file.site.name,
            {name: resolved(product) for name, product in site.file.products.items()},
            {analyzer: one.map.name for analyzer, one in site.maps.items()},
            site.digest,
            taken_over_at,
            SiteParts.of(site.file),
        )

    def product_of(self, analyzer: Analyzer) -> Product | None:
        """The product that the analyzer's own table names."""
        return self.products.get(analyzer.product or "")

    def fixed_minimum_c(self, analyzer: Analyzer) -> float | None:
        """The minimum that is always in force; None when there is none, or when the stream or the
        control system chooses it."""
        if analyzer.streams or analyzer.product_input is not None:
            return None
        product = self.product_of(analyzer)
        return None if product is None else product.minimum_c

    def may_have_minimum(self, analyzer: Analyzer) -> bool:
        """Whether some product of this analyzer has a minimum."""
        return bool(minimums_c(analyzer, self.products))


Of = TypeVar("Of")


@dataclass(frozen=True, slots=True)
class Setting(Generic[Of]):
    """One setting. read: its value; None where it is not set, and then it is not shown.

    data_type: a standard DataType's name or an enumeration, whose text `read` gives. quantity: the
    value is in its inside unit. is_optional: whether it may be left out.
    """

    name: str
    description: str
    read: Callable[[InForce, Of], Value]
    data_type: str | Enumeration = "String"
    quantity: Quantity = Quantity.NONE
    is_optional: bool = False
    is_array: bool = False


def _number(
    name: str, description: str, get: Callable[[Analyzer], float | None], quantity: Quantity
) -> Setting[Analyzer]:
    """A setting with a unit, left out where the site file leaves it out."""
    return Setting(name, description, lambda _, a: get(a), "Double", quantity, is_optional=True)


def _minimum_c(in_force: InForce, analyzer: Analyzer) -> Value:
    product = in_force.product_of(analyzer)
    return None if product is None else product.minimum_c


def _is_strict(in_force: InForce, analyzer: Analyzer) -> Value:
    product = in_force.product_of(analyzer)
    return None if product is None else bool(product.strict_minimum)


def _source(in_force: InForce, analyzer: Analyzer) -> Value:
    product = in_force.product_of(analyzer)
    return "" if product is None else product.source


def _method(in_force: InForce, analyzer: Analyzer) -> Value:
    product = in_force.product_of(analyzer)
    return analyzer.method or (product.method if product is not None else None) or ""


def _rules_changed(is_off: bool) -> Callable[[InForce, Analyzer], Value]:
    def read(_: InForce, analyzer: Analyzer) -> Value:
        return tuple(str(c) for c in changes(analyzer) if (c.what == "off") is is_off)

    return read


def _rules_tuned(_: InForce, analyzer: Analyzer) -> Value:
    tables = [
        ("", analyzer.rules),
        *((f" on stream {s.number}", s.rules) for s in analyzer.streams),
    ]
    return tuple(
        f"{rule}.{parameter} = {value:g}{where}"
        for where, rules in tables
        for rule, tuning in rules.items()
        for parameter, value in tuning.parameters.items()
    )


def _alarms_off(_: InForce, analyzer: Analyzer) -> Value:
    return tuple(
        f"{name}, because: {one.because}" if one.because else f"{name}, without a reason"
        for name, one in analyzer.alarms.items()
        if not one.enabled
    )


def _streams(_: InForce, analyzer: Analyzer) -> Value:
    return tuple(
        " ".join(filter(None, (f"{s.number}", s.name, s.product and f"({s.product})")))
        for s in analyzer.streams
    )


_T, _S, _D = Quantity.TEMPERATURE, Quantity.TIME, Quantity.TEMPERATURE_DIFFERENCE

ANALYZER_SETTINGS: tuple[Setting[Analyzer], ...] = (
    Setting("Method", "Test method whose scope and precision hold; empty: none.", _method),
    Setting(
        "Product",
        "Product of the analyzer's own table; empty: none. A stream or an input may override it.",
        lambda _, a: a.product or "",
    ),
    Setting(
        "ProductMinimum",
        "Lowest flash point of that product.",
        _minimum_c,
        "Double",
        _T,
        is_optional=True,
    ),
    Setting(
        "MinimumIsStrict",
        "Whether a flash point equal to the minimum already fails.",
        _is_strict,
        "Boolean",
        is_optional=True,
    ),
    Setting("ProductSource", "Where the minimum comes from.", _source),
    Setting("Streams", "Streams: number, name, product.", _streams, is_array=True),
    Setting(
        "Basis",
        "Whose flash temperature is corrected and published.",
        lambda _, a: a.basis.value,
        BASIS,
    ),
    Setting(
        "Correction",
        "Form of the correction to standard pressure.",
        lambda _, a: a.correction.value,
        CORRECTION,
    ),
    Setting(
        "AnalyzerCorrectsBarometer",
        "Whether the analyzer corrects to standard pressure by itself.",
        lambda _, a: a.analyzer_corrects_barometer,
        "Boolean",
    ),
    _number(
        "UsualBarometer",
        "Usual station pressure, absolute.",
        lambda a: a.barometer_kpa,
        Quantity.PRESSURE,
    ),
    _number(
        "HoldTime",
        "How long after its cycle a value may be shown.",
        lambda a: a.hold_s,
        _S,
    ),
    Setting(
        "OnReject",
        "What is shown after a rejected cycle.",
        lambda _, a: a.on_reject,
        ON_REJECT,
    ),
    _number("TransportLag", "From the tap to the cup.", lambda a: a.transport_lag_s, _S),
    _number("SensorLag", "First-order lag of the sample sensor.", lambda a: a.sensor_lag_s, _S),
    _number("ExpectedFlashPoint", "Expected flash point.", lambda a: a.expected_c, _T),
    _number(
        "PlannedHeatingRate",
        "Heating rate of the plan.",
        lambda a: a.heating_rate_c_per_min,
        Quantity.HEATING_RATE,
    ),
    _number("SparkInterval", "Time between two sparks.", lambda a: a.spark_interval_s, _S),
    _number("PollInterval", "Time between two readings.", lambda a: a.poll_s, _S),
    _number(
        "CheckSampleReference",
        "Accepted reference value of the check sample.",
        lambda a: a.verification.reference_c if a.verification else None,
        _T,
    ),
    _number(
        "CheckSampleDeviation",
        "Site precision of the check sample, one standard deviation.",
        lambda a: a.verification.sd_c if a.verification else None,
        _D,
    ),
    Setting(
        "HazardScheme",
        "Scheme of the hazard class; information only.",
        lambda _, a: a.hazard_scheme or "none",
        HAZARD_SCHEME,
    ),
    Setting(
        "RegisterMap",
        "Name of the register map in force.",
        lambda f, a: f.maps.get(a.id, ""),
    ),
    Setting("RulesVersion", "Version of the rule catalogue.", lambda _, a: VERSION),
    Setting(
        "RulesOff",
        "Rules that are switched off, each with the reason.",
        _rules_changed(is_off=True),
        is_array=True,
    ),
    Setting(
        "RulesLowered",
        "Rules that may do less than the catalogue has it, each with the reason.",
        _rules_changed(is_off=False),
        is_array=True,
    ),
    Setting(
        "RulesTuned", "Parameters of rules that the site has set.", _rules_tuned, is_array=True
    ),
    Setting(
        "AlarmsOff", "Alarms that are switched off, with the reason.", _alarms_off, is_array=True
    ),
)

NAMEPLATE: tuple[Setting[Analyzer], ...] = (
    Setting(
        "Manufacturer",
        "Who made the analyzer, as the site says; empty: not said.",
        lambda _, a: Text(a.nameplate.manufacturer),
        "LocalizedText",
    ),
    Setting(
        "Model",
        "Model, as the site says; empty: not said.",
        lambda _, a: Text(a.nameplate.model),
        "LocalizedText",
    ),
    Setting(
        "SerialNumber", "As the site says; empty: not said.", lambda _, a: a.nameplate.serial_number
    ),
    Setting(
        "HardwareRevision",
        "As the site says; empty: not said.",
        lambda _, a: a.nameplate.hardware_revision,
    ),
    Setting(
        "SoftwareRevision",
        "As the site says; empty: not said.",
        lambda _, a: a.nameplate.software_revision,
    ),
    Setting("AssetId", "The site's own tag; empty: not said.", lambda _, a: a.nameplate.asset_id),
)
"""Names as in OPC 10000-100, 4.5.2 (vendor and tag nameplates; from memory)."""

GATEWAY_SETTINGS: tuple[Setting[None], ...] = (
    Setting("SiteName", "The site's name.", lambda f, _: f.site_name),
    Setting(
        "SiteFileDigest",
        "SHA-256 of the site file in force; empty: not known.",
        lambda f, _: f.digest,
    ),
    Setting(
        "TakenOverAt",
        "When the site file in force was taken over.",
        lambda f, _: f.taken_over_at,
        "UtcTime",
        is_optional=True,
    ),
    Setting("RulesVersion", "Version of the rule catalogue.", lambda f, _: VERSION),
)

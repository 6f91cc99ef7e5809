"""`edgeflash products`: limits, test methods and hazard classes, with where each is from."""

from __future__ import annotations

import json as json_module
import re
from dataclasses import asdict
from typing import Annotated, Any

import typer

from edgeflash.cli.lines import say_line
from edgeflash.errors import UsageError
from edgeflash.flash.hazard import CAUTION, SOURCES, HazardClass, Scheme, classify
from edgeflash.flash.methods import METHODS, Method
from edgeflash.flash.products import SPECIFICATIONS, Specification, decision_limits_of
from edgeflash.units import UNITS

_TEMPERATURE = re.compile(r"\s*([-+]?\d+(?:\.\d+)?)\s*°?\s*([CFK]?)\s*", re.IGNORECASE)
_UNIT = {"": "degC", "C": "degC", "F": "degF", "K": "K"}

TOLD_AT_C = 60.0
"""The flash point for which ramp and precision are told to people."""

LIMITS_CAUTION = (
    "What is marked 'from memory' has not been compared with the standard. Your contract and the "
    "local code decide, in the edition in force."
)


def products(
    methods: Annotated[
        bool, typer.Option("--methods", help="The test methods in place of the limits.")
    ] = False,
    classify_at: Annotated[
        str | None,
        typer.Option("--classify", metavar="FLASH", help="A flash point: 58.2, or 137F."),
    ] = None,
    boiling: Annotated[
        str | None,
        typer.Option(metavar="BOILING", help="With --classify: the initial boiling point."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Print the known limits of products, the test methods, or the classes of a flash point.

    The ids are what a site file takes as `specification` and `method`. Temperatures are °C unless
    they end in F or K. May reject, sure: ISO 4259, one single result, 95 %.

    Examples: edgeflash products; edgeflash products --methods; edgeflash products --classify 58.2;
    edgeflash products --classify 140F --boiling 400F
    """
    if classify_at is not None:
        flash_c = temperature_c(classify_at)
        boiling_c = None if boiling is None else temperature_c(boiling)
        _say_classes(flash_c, boiling_c, json=json)
        return
    if boiling is not None:
        raise UsageError("--boiling needs --classify: give the flash point too")
    if methods:
        _say_methods(json=json)
    else:
        _say_specifications(json=json)


def temperature_c(text: str) -> float:
    """A temperature of the command line in °C. Raises UsageError."""
    found = _TEMPERATURE.fullmatch(text)
    if found is None:
        raise UsageError(f"'{text}' is not a temperature; write 58.2 for °C, or 137F")
    value_c = UNITS[_UNIT[found[2].upper()]].to_inside(float(found[1]))
    if value_c < -273.15:
        raise UsageError(f"'{text}' is below absolute zero")
    return value_c


def _say_classes(flash_c: float, boiling_c: float | None, *, json: bool) -> None:
    found = [classify(scheme, flash_c, boiling_c) for scheme in Scheme]
    if json:
        document = {
            "flash_point_c": flash_c,
            "boiling_point_c": boiling_c,
            "classes": [_class_dict(one) for one in found],
            "caution": CAUTION,
        }
        typer.echo(json_module.dumps(document, ensure_ascii=False, indent=2))
        return
    boils = "boiling point unknown" if boiling_c is None else f"boiling point {_both(boiling_c)}"
    say_line(f"flash point {_both(flash_c)}, {boils}")
    for one in found:
        say_line(f"  {one.text:<30}  {SOURCES[one.scheme]}")
        if one.note:
            say_line(f"    {one.note}")
    say_line(CAUTION)


def _class_dict(one: HazardClass) -> dict[str, str]:
    return {
        "scheme": one.scheme.value,
        "class": one.text,
        "note": one.note,
        "source": SOURCES[one.scheme],
    }


def _both(temperature_c: float) -> str:
    return f"{temperature_c:.2f} °C ({UNITS['degF'].from_inside(temperature_c):.2f} °F)"


def _say_specifications(*, json: bool) -> None:
    if json:
        document = {
            "specifications": [_specification_dict(one) for one in SPECIFICATIONS.values()],
            "caution": LIMITS_CAUTION,
        }
        typer.echo(json_module.dumps(document, ensure_ascii=False, indent=2))
        return
    for one in SPECIFICATIONS.values():
        limits = decision_limits_of(one)
        least = f"{'above ' if one.strict else ''}{one.minimum_c:.1f} °C"
        say_line(f"{one.id:<20}{least:>14}  {one.method:<16}{one.grade}")
        decides = ""
        if limits is not None:
            decides = (
                f"recipient may reject below {limits.reject_below_c:.2f} °C, "
                f"supplier sure from {limits.sure_from_c:.2f} °C; "
            )
        say_line(f"    {decides}{one.source_text}")
    say_line(LIMITS_CAUTION)


def _specification_dict(one: Specification) -> dict[str, Any]:
    limits = decision_limits_of(one)
    return {**asdict(one), "decision": None if limits is None else asdict(limits)}


def _say_methods(*, json: bool) -> None:
    if json:
        document = {
            "methods": [_method_dict(one) for one in METHODS.values()],
            "caution": LIMITS_CAUTION,
        }
        typer.echo(json_module.dumps(document, ensure_ascii=False, indent=2))
        return
    for one in METHODS.values():
        say_line(f"{one.id:<16}{one.name}; {one.edition}")
        say_line(f"    scope {_scope(one)} °C ({one.scope_origin}); {_ramp(one)}")
        r_c, reproducibility_c = one.repeatability_c(TOLD_AT_C), one.reproducibility_c(TOLD_AT_C)
        say_line(
            f"    r {_figure(r_c)}, R {_figure(reproducibility_c)} at {TOLD_AT_C:g} °C "
            f"({one.precision_origin})"
        )
    say_line(LIMITS_CAUTION)


def _ramp(one: Method) -> str:
    ramp = one.ramp(TOLD_AT_C)
    if ramp is None:
        return f"isothermal ({one.ramp_origin})"
    low, high = ramp.low_c_per_min, ramp.high_c_per_min
    rate = f"{low:.3g}" if low == high else f"{low:.3g} to {high:.3g}"
    return f"{rate} °C/min, ignition every {ramp.interval_c:g} °C ({one.ramp_origin})"


def _method_dict(one: Method) -> dict[str, Any]:
    """As JSON has it: a span without a lower end begins with null."""
    document = asdict(one)
    for precision in document["precisions"]:
        if precision["low_c"] == float("-inf"):
            precision["low_c"] = None
    return document


def _scope(one: Method) -> str:
    low = "" if one.scope_low_c is None else f"{one.scope_low_c:g}"
    high = "" if one.scope_high_c is None else f"{one.scope_high_c:g}"
    if not low:
        return f"below {high}"
    return f"{low} to {high}" if high else f"above {low}"


def _figure(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f} °C"

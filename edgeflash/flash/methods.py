"""The test methods as data, whether a flash was valid, and rounding for a report. Pure.

A precision changes between editions, so each stands with its edition and its origin: compare it
with the standard you own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from enum import StrEnum

from edgeflash.flash.method import READ, Form, Method, Precision, Ramp


class Window(StrEnum):
    """Where a flash lies against the window of valid flashes after the first ignition."""

    VALID = "valid"
    SHORT = "short"
    LONG = "long"
    FIRST_IGNITION = "first ignition"


def flash_window(method: Method, first_ignition_c: float, flash_c: float) -> Window | None:
    """Whether a laboratory result is valid: the flash is not too near the first ignition or far.

    Both temperatures as observed, not corrected to standard pressure. Both ends are valid. None:
    the method has no window. SHORT, LONG: the result is approximate; test a fresh specimen with it
    as the expected flash point. FIRST_IGNITION: discard it, start lower (ASTM D93, from memory).
    In decimals as written: 58.2 − 30.2 is 28, which binary fractions miss.
    """
    low_c, high_c = method.valid_shortest_c, method.valid_longest_c
    if low_c is None or high_c is None:
        return None
    rise_c = Decimal(str(flash_c)) - Decimal(str(first_ignition_c))
    if rise_c <= 0:
        return Window.FIRST_IGNITION
    if rise_c < Decimal(str(low_c)):
        return Window.SHORT
    return Window.LONG if rise_c > Decimal(str(high_c)) else Window.VALID


class Tie(StrEnum):
    """Where a value half way between two steps goes. half_up: away from zero."""

    HALF_EVEN = "half_even"
    HALF_UP = "half_up"


_ROUNDING = {Tie.HALF_EVEN: ROUND_HALF_EVEN, Tie.HALF_UP: ROUND_HALF_UP}

REPORT_STEP_C = 0.5
REPORT_STEP_F = 1.0


def rounded_for_report(value: float, tie: Tie, step: float = REPORT_STEP_C) -> float:
    """The value to the nearest step, for display only: 0.5 °C, or 1 °F (REPORT_STEP_F).

    Round once, after the correction to standard pressure, and never before a limit is compared.
    half_even: to an even number of steps (ASTM E29, from memory). Decimal arithmetic.
    """
    exact = Decimal(str(step))
    return float((Decimal(str(value)) / exact).quantize(Decimal(1), _ROUNDING[tie]) * exact)


_PENSKY_A = (Precision(40.0, 250.0, Form(factor=0.029), Form(factor=0.071)),)
_PENSKY_RESIDUAL = (Precision(40.0, 100.0, Form(2.0), Form(6.0)),)
_PENSKY_OTHER = (Precision(40.0, 370.0, Form(5.0), Form(10.0)),)
_PENSKY_C = (Precision(60.0, 190.0, Form(8.4), Form(14.7)),)
_SMALL_SCALE = (
    Precision(20.0, 70.0, Form(0.5), Form(factor=0.03, offset_c=29.0)),
    Precision(70.0, 300.0, Form(factor=0.022, exponent=0.9), Form(factor=0.083, exponent=0.9)),
)

_PENSKY = Method(
    id="",
    name="",
    source="",
    edition="edition not checked",
    scope_low_c=40.0,
    scope_high_c=None,
    precisions=(),
    first_ignition_near_c=18.0,
    first_ignition_far_c=28.0,
    valid_shortest_c=18.0,
    valid_longest_c=28.0,
)
"""What all Pensky-Martens procedures have in common."""

_FAST = replace(
    _PENSKY,
    ramps=(Ramp(5.0, 6.0, 1.0, high_c=110.0), Ramp(5.0, 6.0, 2.0)),
    precisions=_PENSKY_A,
)
_SLOW = replace(_PENSKY, ramps=(Ramp(1.0, 1.6, 1.0, high_c=110.0), Ramp(1.0, 1.6, 2.0)))
_FAME = replace(
    _PENSKY,
    ramps=(Ramp(2.5, 3.5, 2.0),),
    first_ignition_near_c=24.0,
    first_ignition_far_c=24.0,
    valid_shortest_c=16.0,
    valid_longest_c=30.0,
    precisions=_PENSKY_C,
)


def _d93(
    form: Method, suffix: str, name: str, low_c: float = 40.0, high_c: float = 370.0
) -> Method:
    return replace(
        form,
        id=f"d93-{suffix}",
        name=f"ASTM D93 procedure {name}",
        source="ASTM D93",
        edition="scope of 2007 to 2020, precision not checked",
        scope_low_c=low_c,
        scope_high_c=high_c,
        scope_origin=READ,
    )


def _iso_2719(form: Method, suffix: str, name: str) -> Method:
    return replace(
        form,
        id=f"iso-2719-{suffix}",
        name=f"ISO 2719 procedure {name}",
        source="ISO 2719",
        scope_low_excluded=True,
    )


def _small_scale(id_: str, name: str, source: str, precisions: tuple[Precision, ...]) -> Method:
    return Method(
        id=id_,
        name=name,
        source=source,
        edition="precision not checked",
        scope_low_c=-30.0,
        scope_high_c=300.0,
        precisions=precisions,
        scope_origin=READ,
        ramp_origin=READ,
    )


_ALL = (
    _d93(_FAST, "a", "A (distillates)"),
    _d93(replace(_SLOW, precisions=_PENSKY_RESIDUAL), "b-residual", "B (residual fuels)"),
    _d93(replace(_SLOW, precisions=_PENSKY_OTHER), "b-other", "B (other types)"),
    _d93(_FAME, "c", "C (biodiesel)", 60.0, 190.0),
    _iso_2719(_FAST, "a", "A (distillates)"),
    _iso_2719(replace(_SLOW, precisions=_PENSKY_RESIDUAL), "b", "B (residual fuels)"),
    _iso_2719(_FAME, "c", "C (FAME)"),
    Method(
        id="d56",
        name="ASTM D56 (Tag)",
        source="ASTM D56",
        edition="scope of 2022, precision of about 2005; newer ones differ",
        scope_low_c=None,
        scope_high_c=93.0,
        scope_high_excluded=True,
        precisions=(
            Precision(-math.inf, 60.0, Form(1.2), Form(4.3), high_included=False),
            Precision(60.0, 93.0, Form(1.6), Form(5.8)),
        ),
        # 1 °C in 60 ± 6 s, or 3 °C in the same time.
        ramps=(
            Ramp(1.0 / 1.1, 1.0 / 0.9, 0.5, high_c=60.0, high_included=False),
            Ramp(3.0 / 1.1, 3.0 / 0.9, 1.0),
        ),
        first_ignition_near_c=5.0,
        first_ignition_far_c=5.0,
        scope_origin=READ,
    ),
    _small_scale("d3828-b", "ASTM D3828 procedure B (small scale)", "ASTM D3828", _SMALL_SCALE),
    _small_scale(
        "d3828-b-fame",
        "ASTM D3828 procedure B (FAME, provisional)",
        "ASTM D3828",
        (Precision(-30.0, 300.0, Form(1.9), Form(15.0)),),
    ),
    _small_scale("iso-3679", "ISO 3679 (small scale)", "ISO 3679", _SMALL_SCALE),
    Method(
        id="d7236",
        name="ASTM D7236 (small scale, ramp)",
        source="ASTM D7236",
        edition="edition not stated",
        scope_low_c=40.0,
        scope_high_c=135.0,
        precisions=(
            Precision(
                40.0,
                135.0,
                Form(factor=0.01285, offset_c=40.0),
                Form(factor=0.02482, offset_c=40.0),
            ),
        ),
        ramps=(Ramp(1.5, 2.5, 1.0, high_c=100.0), Ramp(1.5, 2.5, 2.0)),
        first_ignition_near_c=10.0,
        first_ignition_far_c=20.0,
        scope_origin=READ,
        ramp_origin=READ,
        precision_origin=READ,
    ),
    Method(
        id="d6450",
        name="ASTM D6450 (continuously closed cup)",
        source="ASTM D6450",
        edition="edition not stated",
        scope_low_c=10.0,
        scope_high_c=250.0,
        precisions=(Precision(10.0, 250.0, Form(1.9), Form(3.1)),),
        ramps=(Ramp(5.0, 6.0, 1.0),),
        first_ignition_near_c=18.0,
        scope_origin=READ,
        ramp_origin=READ,
        precision_origin=READ,
    ),
    Method(
        id="d7094",
        name="ASTM D7094 (modified continuously closed cup)",
        source="ASTM D7094",
        edition="2004; the precision of later editions is much tighter",
        scope_low_c=35.0,
        scope_high_c=225.0,
        precisions=(Precision(35.0, 225.0, Form(4.1), Form(5.5)),),
        # The step is from memory; the text that was read prints 5 °C, which is doubtful.
        ramps=(Ramp(2.2, 2.8, 2.0),),
        first_ignition_near_c=18.0,
        scope_origin=READ,
        precision_origin=READ,
    ),
    Method(
        id="iso-13736",
        name="ISO 13736 (Abel)",
        source="ISO 13736",
        edition="scope of 2013 and 2021, precision of a note of 2009",
        scope_low_c=-30.0,
        scope_high_c=75.0,
        precisions=(Precision(-8.5, 75.0, Form(1.4), Form(3.2)),),
        # About 1 °C/min and about 9 °C below the expected flash point; no tolerance is known.
        ramps=(Ramp(1.0, 1.0, 0.5),),
        first_ignition_near_c=9.0,
        scope_origin=READ,
        precision_origin=READ,
    ),
)

METHODS: Mapping[str, Method] = {method.id: method for method in _ALL}
"""By our own ids, as the site file names them."""

__all__ = [
    "METHODS",
    "REPORT_STEP_C",
    "REPORT_STEP_F",
    "Method",
    "Ramp",
    "Tie",
    "Window",
    "flash_window",
    "rounded_for_report",
]

"""Hazard classes by flash point and boiling point, under five schemes. Pure.

Information only: other properties count too, exceptions abound, and local codes and licensed
practice decide. Where the boiling point is not known, the more severe class is given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

CAUTION = "information only: local codes and licensed practice decide"

_SAME = 6
"""Decimals compared: 200 °F comes from a register as 93.33333333333333 °C, just below itself."""


class Scheme(StrEnum):
    """The schemes, as the site file names them."""

    GHS = "ghs"
    CLP = "clp"
    NFPA30 = "nfpa30"
    DOT = "dot"
    UN = "un"


SOURCES: Mapping[Scheme, str] = {
    Scheme.GHS: "GHS chapter 2.6, as in OSHA 1910.1200 appendix B.6 (read)",
    Scheme.CLP: "Regulation (EC) 1272/2008, categories 1 to 3 (read)",
    Scheme.NFPA30: "NFPA 30, 2003 and an explainer of 2024 (read)",
    Scheme.DOT: "49 CFR 173.120 (read)",
    Scheme.UN: "UN Model Regulations and ADR, class 3 (from memory)",
}


@dataclass(frozen=True, slots=True)
class HazardClass:
    """A class under one scheme. text: at most 32 ASCII characters, for a published point.

    note: what to know besides; empty when there is nothing.
    """

    scheme: Scheme
    text: str
    note: str = ""

    @property
    def caution(self) -> str:
        """Said wherever the class is shown."""
        return CAUTION


def classify(scheme: Scheme, flash_c: float, boiling_c: float | None = None) -> HazardClass:
    """The class by closed-cup flash point and initial boiling point, both in °C.

    A temperature within 1e-6 of a limit is at the limit, so that one converted from °F is not lost.
    """
    if scheme is Scheme.NFPA30:
        return _nfpa30(_fahrenheit(flash_c), None if boiling_c is None else _fahrenheit(boiling_c))
    flash_c = round(flash_c, _SAME)
    boiling_c = None if boiling_c is None else round(boiling_c, _SAME)
    if scheme is Scheme.DOT:
        return _dot(flash_c)
    if scheme is Scheme.UN:
        return _un(flash_c, boiling_c)
    return _ghs(scheme, flash_c, boiling_c)


def _ghs(scheme: Scheme, flash_c: float, boiling_c: float | None) -> HazardClass:
    """GHS: four categories. CLP: the first three of them."""
    name = scheme.value.upper()
    if flash_c < 23.0:
        if boiling_c is None:
            note = "boiling point unknown; above 35 °C it is category 2, H225"
            return HazardClass(scheme, f"{name} category 1, H224, Danger", note)
        if boiling_c <= 35.0:
            return HazardClass(scheme, f"{name} category 1, H224, Danger")
        return HazardClass(scheme, f"{name} category 2, H225, Danger")
    if flash_c <= 60.0:
        return HazardClass(scheme, f"{name} category 3, H226, Warning")
    if scheme is Scheme.CLP:
        note = ""
        if flash_c <= 75.0:
            note = (
                "gas oils, diesel and light heating oils from 55 to 75 °C may be treated as "
                "category 3 (from memory)"
            )
        return HazardClass(scheme, f"{name} none", note)
    if flash_c <= 93.0:
        return HazardClass(scheme, f"{name} category 4, H227, Warning")
    return HazardClass(scheme, f"{name} none")


def _nfpa30(flash_f: float, boiling_f: float | None) -> HazardClass:
    """The code's own edges are in °F: 73, 100, 140 and 200 for the flash point, 100 for boiling."""
    if flash_f < 73.0:
        if boiling_f is None:
            note = "boiling point unknown; at 100 °F (37.8 °C) or above it is class IB"
            return HazardClass(Scheme.NFPA30, "NFPA 30 class IA", note)
        grade = "IA" if boiling_f < 100.0 else "IB"
    elif flash_f < 100.0:
        grade = "IC"
    elif flash_f < 140.0:
        grade = "II"
    else:
        grade = "IIIA" if flash_f < 200.0 else "IIIB"
    return HazardClass(Scheme.NFPA30, f"NFPA 30 class {grade}")


def _dot(flash_c: float) -> HazardClass:
    """Flammable up to 60 °C; combustible above that and below 93 °C."""
    if flash_c <= 60.0:
        note = ""
        if flash_c >= 38.0:
            note = "may be reclassed as combustible, but not by vessel or aircraft"
        return HazardClass(Scheme.DOT, "DOT flammable liquid", note)
    note = "flammable when carried in bulk, heated on purpose to its flash point or above"
    if flash_c < 93.0:
        return HazardClass(Scheme.DOT, "DOT combustible liquid", note)
    return HazardClass(Scheme.DOT, "DOT none", note)


def _un(flash_c: float, boiling_c: float | None) -> HazardClass:
    """Class 3 up to 60 °C, with its packing group. Heated carriage is not looked at."""
    if flash_c > 60.0:
        note = ""
        if flash_c <= 100.0:
            note = (
                "gas oil, diesel and light heating oil up to 100 °C stay UN 1202, class 3, in ADR"
            )
        return HazardClass(Scheme.UN, "UN none", note)
    if boiling_c is not None and boiling_c <= 35.0:
        return HazardClass(Scheme.UN, "UN class 3, packing group I")
    if flash_c >= 23.0:
        return HazardClass(Scheme.UN, "UN class 3, packing group III")
    if boiling_c is None:
        note = "boiling point unknown; above 35 °C it is packing group II"
        return HazardClass(Scheme.UN, "UN class 3, packing group I", note)
    return HazardClass(Scheme.UN, "UN class 3, packing group II")


def _fahrenheit(temperature_c: float) -> float:
    return round(temperature_c * 1.8 + 32.0, _SAME)

"""Hazard classes at their boundaries, on both sides, in both units, and against a library."""

from __future__ import annotations

import pytest
from chemicals import NFPA_30_classification
from hypothesis import assume, given
from hypothesis import strategies as st

from edgeflash.flash.hazard import CAUTION, SOURCES, Scheme, classify
from edgeflash.units import UNITS

FROM_F = UNITS["degF"].to_inside

# Texts of GHS chapter 2.6, NFPA 30 and 49 CFR 173.120, applied by hand.
VECTORS = [
    (-20.0, 10.4, "1, H224, Danger", "IA", "flammable liquid"),
    (-20.0, 56.0, "2, H225, Danger", "IB", "flammable liquid"),
    (22.77, 80.0, "2, H225, Danger", "IB", "flammable liquid"),
    (22.8, 36.0, "2, H225, Danger", "IC", "flammable liquid"),
    (23.0, 80.0, "3, H226, Warning", "IC", "flammable liquid"),
    (37.77, 150.0, "3, H226, Warning", "IC", "flammable liquid"),
    (37.8, 150.0, "3, H226, Warning", "II", "flammable liquid"),
    (60.0, 180.0, "3, H226, Warning", "IIIA", "flammable liquid"),
    (60.1, 180.0, "4, H227, Warning", "IIIA", "combustible liquid"),
    (93.0, 250.0, "4, H227, Warning", "IIIA", "none"),
    (93.3, 250.0, "", "IIIA", "none"),
    (93.4, 250.0, "", "IIIB", "none"),
]


@pytest.mark.parametrize(("flash_c", "boiling_c", "ghs", "nfpa", "dot"), VECTORS)
@pytest.mark.parametrize("unit", ["degC", "degF"])
def test_boundaries(
    flash_c: float, boiling_c: float, ghs: str, nfpa: str, dot: str, unit: str
) -> None:
    """Both sides of every boundary; a way through °F and back changes nothing."""
    one = UNITS[unit]
    flash, boiling = (one.to_inside(one.from_inside(t)) for t in (flash_c, boiling_c))
    expected_ghs = f"GHS category {ghs}" if ghs else "GHS none"
    assert classify(Scheme.GHS, flash, boiling).text == expected_ghs
    assert classify(Scheme.NFPA30, flash, boiling).text == f"NFPA 30 class {nfpa}"
    assert classify(Scheme.DOT, flash, boiling).text == f"DOT {dot}"


@pytest.mark.parametrize(
    ("flash_f", "below", "at"),
    [(73.0, "IB", "IC"), (100.0, "IC", "II"), (140.0, "II", "IIIA"), (200.0, "IIIA", "IIIB")],
)
def test_the_edges_of_nfpa_30_are_exact_in_fahrenheit(flash_f: float, below: str, at: str) -> None:
    """NFPA 30: "at or above"; the °C beside them in the code are rounded."""
    boiling_c = FROM_F(400.0)
    assert classify(Scheme.NFPA30, FROM_F(flash_f), boiling_c).text == f"NFPA 30 class {at}"
    just_below = FROM_F(flash_f - 0.001)
    assert classify(Scheme.NFPA30, just_below, boiling_c).text == f"NFPA 30 class {below}"
    # The plainest conversion too, which gives 93.33333333333333 °C for 200 °F.
    plain_c = (flash_f - 32.0) / 1.8
    assert classify(Scheme.NFPA30, plain_c, boiling_c).text == f"NFPA 30 class {at}"


@pytest.mark.parametrize(
    ("boiling_c", "grade"), [(FROM_F(99.99), "IA"), (FROM_F(100.0), "IB"), (37.7, "IA")]
)
def test_the_boiling_point_of_nfpa_30(boiling_c: float, grade: str) -> None:
    """NFPA 30: IA boils below 100 °F."""
    assert classify(Scheme.NFPA30, 10.0, boiling_c).text == f"NFPA 30 class {grade}"


@given(st.floats(-80.0, 250.0), st.floats(-20.0, 400.0))
def test_nfpa_30_as_the_library_has_it(flash_c: float, boiling_c: float) -> None:
    """`chemicals` is an independent program after the code of 2008."""
    flash_f, boiling_f = flash_c * 1.8 + 32.0, boiling_c * 1.8 + 32.0
    assume(all(abs(flash_f - edge) > 1e-3 for edge in (73.0, 100.0, 140.0, 200.0)))
    assume(abs(boiling_f - 100.0) > 1e-3)
    theirs = NFPA_30_classification(flash_c + 273.15, Tb=boiling_c + 273.15)
    assert classify(Scheme.NFPA30, flash_c, boiling_c).text == f"NFPA 30 class {theirs}"


@pytest.mark.parametrize(
    ("flash_k", "boiling_k", "grade"),
    [
        # The docstring and runs of the library at the edges.
        (253.15, 283.55, "IA"),
        (295.9, 330.0, "IB"),
        (308.15, None, "IC"),
        (310.92, None, "IC"),
        (310.93, None, "II"),
        (333.14, None, "II"),
        (333.15, None, "IIIA"),
        (366.47, None, "IIIA"),
        (366.49, None, "IIIB"),
    ],
)
def test_nfpa_30_near_its_edges(flash_k: float, boiling_k: float | None, grade: str) -> None:
    """Above 73 °F no boiling point is needed."""
    boiling_c = None if boiling_k is None else boiling_k - 273.15
    found = classify(Scheme.NFPA30, flash_k - 273.15, boiling_c)
    assert (found.text, found.note) == (f"NFPA 30 class {grade}", "")


@pytest.mark.parametrize(
    ("boiling_c", "category"),
    [(35.0, "1, H224, Danger"), (35.1, "2, H225, Danger"), (None, "1, H224, Danger")],
)
@pytest.mark.parametrize(("scheme", "name"), [(Scheme.GHS, "GHS"), (Scheme.CLP, "CLP")])
def test_the_boiling_point_of_ghs(
    boiling_c: float | None, category: str, scheme: Scheme, name: str
) -> None:
    """GHS chapter 2.6: category 1 boils at 35 °C or below; unknown is taken as that."""
    assert classify(scheme, 22.9, boiling_c).text == f"{name} category {category}"


@pytest.mark.parametrize(
    ("scheme", "severe", "says"),
    [
        (Scheme.GHS, "GHS category 1, H224, Danger", "category 2"),
        (Scheme.CLP, "CLP category 1, H224, Danger", "category 2"),
        (Scheme.NFPA30, "NFPA 30 class IA", "class IB"),
        (Scheme.UN, "UN class 3, packing group I", "packing group II"),
    ],
)
def test_an_unknown_boiling_point_gives_the_more_severe_class_and_says_so(
    scheme: Scheme, severe: str, says: str
) -> None:
    """Never the milder one by default."""
    unknown = classify(scheme, 0.0)
    assert unknown.text == severe
    assert "boiling point unknown" in unknown.note and says in unknown.note
    assert classify(scheme, 0.0, 30.0).text == severe
    assert classify(scheme, 0.0, 30.0).note == ""
    assert classify(scheme, 0.0, 80.0).text != severe


@pytest.mark.parametrize(
    ("flash_c", "text"),
    [
        (23.0, "CLP category 3, H226, Warning"),
        (60.0, "CLP category 3, H226, Warning"),
        (60.01, "CLP none"),
        (90.0, "CLP none"),
    ],
)
def test_clp_has_three_categories(flash_c: float, text: str) -> None:
    """Regulation (EC) 1272/2008: no category 4."""
    assert classify(Scheme.CLP, flash_c, 200.0).text == text


@pytest.mark.parametrize(
    ("flash_c", "boiling_c", "text"),
    [
        # UN Model Regulations 2.3.2.6 (from memory).
        (-30.0, 35.0, "UN class 3, packing group I"),
        (-30.0, 35.1, "UN class 3, packing group II"),
        (22.9, 80.0, "UN class 3, packing group II"),
        (23.0, 80.0, "UN class 3, packing group III"),
        (23.0, None, "UN class 3, packing group III"),
        (30.0, 35.0, "UN class 3, packing group I"),
        (60.0, 180.0, "UN class 3, packing group III"),
        (60.1, 180.0, "UN none"),
        (60.1, 30.0, "UN none"),
    ],
)
def test_packing_groups(flash_c: float, boiling_c: float | None, text: str) -> None:
    """Class 3 ends at 60 °C, itself included."""
    assert classify(Scheme.UN, flash_c, boiling_c).text == text


@pytest.mark.parametrize(
    ("scheme", "flash_c", "says"),
    [
        # 49 CFR 173.120 (b)(2) and (a)(2) (read); CLP note and UN 1202 (from memory).
        (Scheme.DOT, 37.9, ""),
        (Scheme.DOT, 38.0, "reclassed"),
        (Scheme.DOT, 60.1, "heated on purpose"),
        (Scheme.DOT, 92.99, "heated on purpose"),
        (Scheme.CLP, 60.1, "55 to 75"),
        (Scheme.CLP, 75.0, "55 to 75"),
        (Scheme.CLP, 75.1, ""),
        (Scheme.UN, 60.1, "UN 1202"),
        (Scheme.UN, 100.0, "UN 1202"),
        (Scheme.UN, 100.1, ""),
        (Scheme.GHS, 60.1, ""),
    ],
)
def test_what_to_know_besides(scheme: Scheme, flash_c: float, says: str) -> None:
    """The exceptions that a class alone would hide."""
    note = classify(scheme, flash_c, 200.0).note
    assert says in note and bool(note) is bool(says)


@pytest.mark.parametrize(
    ("flash_c", "text"), [(92.99, "DOT combustible liquid"), (60.0, "DOT flammable liquid")]
)
def test_dot_edges(flash_c: float, text: str) -> None:
    """49 CFR 173.120: flammable up to 60 °C, combustible below 93 °C."""
    assert classify(Scheme.DOT, flash_c).text == text


@given(st.sampled_from(Scheme), st.floats(-100.0, 600.0), st.none() | st.floats(-100.0, 600.0))
def test_every_class_fits_its_point_and_carries_the_caution(
    scheme: Scheme, flash_c: float, boiling_c: float | None
) -> None:
    """32 ASCII characters, as the Modbus block has them."""
    found = classify(scheme, flash_c, boiling_c)
    assert found.text.isascii() and len(found.text) <= 32
    assert found.scheme is scheme
    assert found.caution == CAUTION
    assert "local codes" in CAUTION and SOURCES[scheme]

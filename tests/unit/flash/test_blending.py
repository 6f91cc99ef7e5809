"""Blending indices against published tables, worked blends and the properties of a blend."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from edgeflash.errors import UsageError
from edgeflash.flash.blending import (
    BatchPart,
    BlendError,
    Index,
    Part,
    batch_flash_c,
    blend_flash_c,
    blend_sd_c,
    extrapolation_note,
    flash_of_ln_index_c,
    ln_index,
    most_light_share,
)

LOG, POWER = Index.LOGARITHMIC, Index.POWER
BOTH = pytest.mark.parametrize("index", Index)
TRUSTED_C = st.floats(20.0, 150.0)


# Printed rows of a table of blending indices by flash point, 20 to 110 °C, found in print.
@pytest.mark.parametrize(
    ("flash_c", "printed"),
    [
        (20, 3281),
        (30, 1400),
        (38, 742),
        (40, 636),
        (50, 306),
        (52, 266),
        (55, 216),
        (60, 155),
        (70, 82),
        (80, 45),
        (90, 26),
        (100, 15),
        (110, 9),
    ],
)
def test_the_logarithmic_index_is_that_of_the_printed_table(flash_c: float, printed: int) -> None:
    """Rounded to whole numbers, as the table has it."""
    assert round(math.exp(ln_index(flash_c, LOG))) == printed


@pytest.mark.parametrize("flash_c", range(20, 111))
def test_the_logarithmic_index_in_fahrenheit(flash_c: int) -> None:
    """log10 I = −6.1188 + 4345.2/(F + 383), F in °F: the same curve, its constants rounded."""
    fahrenheit = flash_c * 9 / 5 + 32
    assert math.exp(ln_index(flash_c, LOG)) == pytest.approx(
        10 ** (-6.1188 + 4345.2 / (fahrenheit + 383)), rel=6e-4
    )


@pytest.mark.parametrize(
    ("flash_c", "fit"), [(38, 718.59), (60, 151.57), (80, 45.14), (100, 15.50)]
)
def test_the_gaussian_fit_of_the_textbooks_is_near(flash_c: float, fit: float) -> None:
    """51708·exp[(ln F − 2.6287)²/(−0.91725)], F in °F (from memory), within 3.2 %."""
    assert fit == pytest.approx(math.exp(ln_index(flash_c, LOG)), rel=0.032)


def test_the_power_index_has_no_unit_of_its_own() -> None:
    """Hu and Burns (from memory): I = T^(1/−0.06); in K and in °R the blend is the same."""
    assert ln_index(60.0, POWER) == pytest.approx(math.log(333.15 ** (1 / -0.06)), rel=1e-12)
    rankine = sum(
        v * ((c + 273.15) * 1.8) ** (1 / -0.06) for v, c in ((0.6, 75.0), (0.4, 52.0))
    ) ** (-0.06)
    blend = blend_flash_c([Part(0.6, 75.0), Part(0.4, 52.0)], POWER)
    assert blend == pytest.approx(rankine / 1.8 - 273.15, abs=1e-9)


@given(st.floats(-60.0, 400.0), st.sampled_from(Index))
def test_index_and_back(flash_c: float, index: Index) -> None:
    """To within 1e-9 °C."""
    assert flash_of_ln_index_c(ln_index(flash_c, index), index) == pytest.approx(flash_c, abs=1e-9)


# Hand arithmetic on the published forms, in °F for the logarithmic one; tolerance: its constants.
@pytest.mark.parametrize(
    ("parts", "logarithmic_c", "power_c"),
    [
        (((0.5, 40.0), (0.5, 70.0)), 47.7503, 49.4634),
        (((0.9, 70.0), (0.1, 40.0)), 61.8236, 63.7361),
        (((0.6, 75.0), (0.3, 52.0), (0.1, 40.0)), 57.7434, 59.6348),
        (((0.95, 60.0), (0.05, 43.0)), 58.3673, 58.6560),
        (((0.99, 66.0), (0.01, -20.0)), 23.957, 49.477),
    ],
)
def test_worked_blends(
    parts: tuple[tuple[float, float], ...], logarithmic_c: float, power_c: float
) -> None:
    """Volume fractions and flash points of the parts; never their average."""
    blend = [Part(share, flash_c) for share, flash_c in parts]
    assert blend_flash_c(blend, LOG) == pytest.approx(logarithmic_c, abs=0.01)
    assert blend_flash_c(blend, POWER) == pytest.approx(power_c, abs=6e-4)


def test_the_trap_of_the_wrong_unit() -> None:
    """60 put as °F into the °F form has an index of 4895.28 in place of 154.68."""
    as_fahrenheit = 10 ** (-6.1188 + 4345.2 / (60 + 383))
    assert as_fahrenheit == pytest.approx(4895.28, abs=0.01)
    assert math.exp(ln_index(60.0, LOG)) == pytest.approx(154.68, rel=1e-3)


@st.composite
def blends(draw: st.DrawFn) -> list[Part]:
    """Two to five parts whose shares add up to 1."""
    weights = draw(st.lists(st.floats(0.01, 1.0), min_size=2, max_size=5))
    total = sum(weights)
    return [Part(w / total, draw(TRUSTED_C)) for w in weights]


@given(blends(), st.sampled_from(Index))
def test_a_blend_lies_between_its_parts_and_below_their_average(
    parts: list[Part], index: Index
) -> None:
    """The light part counts for more than its share."""
    flash_c = blend_flash_c(parts, index)
    average_c = sum(p.share * p.flash_c for p in parts)
    assert min(p.flash_c for p in parts) - 1e-9 <= flash_c <= average_c + 1e-9


@given(blends(), st.sampled_from(Index), st.randoms())
def test_order_and_division_of_parts_do_not_matter(
    parts: list[Part], index: Index, chance: object
) -> None:
    """Permuted, and with one part given twice by halves."""
    expected = blend_flash_c(parts, index)
    halves = [Part(parts[0].share / 2, parts[0].flash_c)] * 2
    chance.shuffle(parts_again := [*parts[1:], *halves])  # type: ignore[attr-defined]
    assert blend_flash_c(parts_again, index) == pytest.approx(expected, abs=1e-9)


@BOTH
def test_a_single_part_is_itself(index: Index) -> None:
    """Share 1 gives the part back, with parts of no share beside it."""
    assert blend_flash_c([Part(1.0, 61.3)], index) == pytest.approx(61.3, abs=1e-9)
    beside = [Part(1.0, 61.3), Part(0.0, 40.0)]
    assert blend_flash_c(beside, index) == pytest.approx(61.3, abs=1e-9)


@BOTH
@pytest.mark.parametrize("total", [0.9991, 1.0009])
def test_shares_as_meters_give_them_are_divided_by_their_sum(index: Index, total: float) -> None:
    """A thousandth off is rounding; the blend is not lifted or lowered by it."""
    parts = [Part(0.6 * total, 75.0), Part(0.4 * total, 52.0)]
    exact = blend_flash_c([Part(0.6, 75.0), Part(0.4, 52.0)], index)
    assert blend_flash_c(parts, index) == pytest.approx(exact, abs=1e-9)


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ([], "at least one component"),
        ([Part(0.6, 75.0), Part(0.39, 52.0)], "add up to 0.99, not to 1"),
        ([Part(0.6, 75.0), Part(0.402, 52.0)], "add up to 1.002, not to 1"),
        ([Part(1.2, 75.0), Part(-0.2, 52.0)], "from 0 to 1, not 1.2"),
        ([Part(-0.2, 75.0), Part(1.0, 52.0)], "from 0 to 1, not -0.2"),
        ([Part(math.nan, 75.0)], "from 0 to 1, not nan"),
        ([Part(1.0, -100.1)], "from -100 to 600 °C, not -100.1 °C"),
        ([Part(1.0, 600.1)], "not 600.1 °C"),
        ([Part(1.0, math.nan)], "not nan °C"),
        ([Part(1.0, 60.0), Part(0.0, math.inf)], "not inf °C"),
    ],
)
@BOTH
def test_what_is_no_blend_is_refused(parts: list[Part], says: str, index: Index) -> None:
    """Never made right in silence."""
    with pytest.raises(BlendError, match=says) as caught:
        blend_flash_c(parts, index)
    assert isinstance(caught.value, UsageError)


@BOTH
@pytest.mark.parametrize("flash_c", [-100.0, 600.0])
def test_the_ends_of_what_is_taken(index: Index, flash_c: float) -> None:
    """The ends themselves are taken."""
    assert blend_flash_c([Part(1.0, flash_c)], index) == pytest.approx(flash_c, abs=1e-6)


@pytest.mark.parametrize(
    ("flashes_c", "named"),
    [
        ((20.0, 150.0), ()),
        ((19.9, 60.0), ("19.9 °C",)),
        ((60.0, 150.1, -20.0), ("150.1 °C", "-20.0 °C")),
    ],
)
def test_extrapolation_is_told(flashes_c: tuple[float, ...], named: tuple[str, ...]) -> None:
    """The range of use is common practice, no source; at 1 % of −20 °C the indices differ by 25."""
    note = extrapolation_note(flashes_c)
    assert bool(note) is bool(named)
    assert all(name in note for name in named)
    assert "60.0 °C" not in note


@BOTH
def test_the_error_of_a_blend_is_that_of_its_parts(index: Index) -> None:
    """Against a Monte Carlo of the same blend (JCGM 101), which itself is good to 1 %."""
    parts = [Part(0.7, 75.0, 0.8), Part(0.3, 52.0, 0.5)]
    chance = np.random.default_rng(20310501)
    drawn = [
        blend_flash_c(
            [Part(p.share, p.flash_c + p.sd_c * e) for p, e in zip(parts, errors, strict=True)],
            index,
        )
        for errors in chance.normal(size=(4_000, 2))
    ]
    assert blend_sd_c(parts, index) == pytest.approx(float(np.std(drawn)), rel=0.04)


@BOTH
@pytest.mark.parametrize(
    ("base_c", "light_c", "limit_c"), [(66.0, 40.0, 55.0), (60.0, 43.0, 55.0), (80.0, -20.0, 55.0)]
)
def test_the_most_light_share_is_just_at_the_limit(
    base_c: float, light_c: float, limit_c: float, index: Index
) -> None:
    """The blend with it has the limit as its flash point; by hand for one."""
    found = most_light_share(base_c, light_c, limit_c, index)
    blend = [Part(1.0 - found.share, base_c), Part(found.share, light_c)]
    assert blend_flash_c(blend, index) == pytest.approx(limit_c, abs=1e-9)
    other = [Part(1.0 - found.share_other, base_c), Part(found.share_other, light_c)]
    assert blend_flash_c(other, index.other) == pytest.approx(limit_c, abs=1e-9)


def test_the_most_light_share_by_hand() -> None:
    """From printed indices: 43 °C into 60 °C at 58.3673 °C is 5 % (worked blend, °F form)."""
    assert most_light_share(60.0, 43.0, 58.3673, LOG).share == pytest.approx(0.05, abs=2e-4)
    assert most_light_share(60.0, 43.0, 58.6560, POWER).share == pytest.approx(0.05, abs=2e-4)
    # Indices 216, 155 and 636 of the printed table: (216 − 155) / (636 − 155).
    assert most_light_share(60.0, 40.0, 55.0, LOG).share == pytest.approx(61 / 481, abs=0.002)


@BOTH
@pytest.mark.parametrize("base_c", [55.0, 54.0, 40.0, 30.0])
def test_a_base_at_the_limit_takes_nothing(index: Index, base_c: float) -> None:
    """There is no room, and errors do not make any."""
    found = most_light_share(base_c, 40.0, 55.0, index, 1.0, 1.0)
    assert (found.share, found.share_other, found.sd, found.cautious) == (0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("light_c", [55.0, 70.0])
def test_a_light_component_must_be_light(light_c: float) -> None:
    """At or above the limit any share will do, which is no answer."""
    with pytest.raises(BlendError, match="must be below the limit"):
        most_light_share(66.0, light_c, 55.0, LOG)


@pytest.mark.parametrize("temperatures", [(700.0, 40.0, 55.0), (66.0, -200.0, 55.0)])
def test_impossible_temperatures_are_refused(temperatures: tuple[float, float, float]) -> None:
    """Before anything is computed with them."""
    with pytest.raises(BlendError, match="from -100 to 600"):
        most_light_share(*temperatures, LOG)


@BOTH
@pytest.mark.parametrize(("base_sd_c", "light_sd_c"), [(0.6, 0.0), (0.0, 0.9), (0.6, 0.9)])
def test_the_error_of_the_share(index: Index, base_sd_c: float, light_sd_c: float) -> None:
    """Against a Monte Carlo of the components (JCGM 101); the indices' difference comes on top."""
    found = most_light_share(66.0, 40.0, 55.0, index, base_sd_c, light_sd_c)
    chance = np.random.default_rng(20310502)
    drawn = [
        most_light_share(66.0 + base_sd_c * b, 40.0 + light_sd_c * c, 55.0, index).share
        for b, c in chance.normal(size=(4_000, 2))
    ]
    spread = found.share - found.share_other
    by_parts = math.sqrt(found.sd**2 - spread**2)
    assert by_parts == pytest.approx(float(np.std(drawn)), rel=0.04)


def test_the_cautious_share() -> None:
    """Both indices hold with it, and 95 % of the components' errors; here the worse index alone."""
    exact = most_light_share(66.0, 40.0, 55.0, POWER)
    assert exact.share_other < exact.share
    assert exact.cautious == exact.share_other
    assert exact.sd == pytest.approx(exact.share - exact.share_other)
    wide = most_light_share(66.0, 40.0, 55.0, LOG, 0.5, 0.5)
    by_parts = math.sqrt(wide.sd**2 - (wide.share - wide.share_other) ** 2)
    assert wide.cautious == pytest.approx(wide.share - 1.645 * by_parts)
    assert most_light_share(56.0, 40.0, 55.0, LOG, 5.0, 5.0).cautious == 0.0


@given(st.floats(56.0, 120.0), st.floats(20.0, 54.0), st.sampled_from(Index))
def test_more_room_makes_more_share(base_c: float, light_c: float, index: Index) -> None:
    """A better base takes more, a lighter component is taken less."""
    share = most_light_share(base_c, light_c, 55.0, index).share
    assert 0.0 < share < 1.0
    assert most_light_share(base_c + 1.0, light_c, 55.0, index).share > share
    assert most_light_share(base_c, light_c - 1.0, 55.0, index).share < share


@BOTH
def test_a_batch_is_the_blend_of_its_volumes(index: Index) -> None:
    """Worked blend of three parts as volumes; what is not known lowers the coverage only."""
    parts = [
        BatchPart(600.0, 75.0, 1.0),
        BatchPart(300.0, 52.0, 1.0),
        BatchPart(250.0, None),
        BatchPart(100.0, 40.0, 1.0),
    ]
    batch = batch_flash_c(parts, index)
    expected = {LOG: 57.7434, POWER: 59.6348}[index]
    assert batch.flash_c == pytest.approx(expected, abs=0.01)
    assert batch.coverage == pytest.approx(0.8)
    assert batch.worst == 3


@BOTH
def test_the_error_of_a_batch_is_not_averaged_away(index: Index) -> None:
    """One analyzer, one error: shifting all parts by it shifts the batch by as much."""
    parts = [BatchPart(1.0, 60.0, 0.01), BatchPart(2.0, 75.0, 0.01), BatchPart(0.0, 30.0, 9.0)]
    shifted = [BatchPart(p.volume_m3, (p.flash_c or 0.0) + 0.01) for p in parts]
    batch, moved = batch_flash_c(parts, index), batch_flash_c(shifted, index)
    assert batch.flash_c is not None and moved.flash_c is not None and batch.sd_c is not None
    assert batch.sd_c == pytest.approx(moved.flash_c - batch.flash_c, rel=1e-3)
    assert batch.worst == 0


def test_a_batch_of_which_nothing_is_known() -> None:
    """No number, and no coverage."""
    batch = batch_flash_c([BatchPart(5.0, None), BatchPart(0.0, 60.0)], LOG)
    assert (batch.flash_c, batch.sd_c, batch.coverage, batch.worst) == (None, None, 0.0, None)


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ([BatchPart(-1.0, 60.0)], "0 m³ or more, not -1 m³"),
        ([BatchPart(math.inf, 60.0)], "not inf m³"),
        ([BatchPart(math.nan, 60.0)], "not nan m³"),
        ([BatchPart(0.0, 60.0)], "no volume"),
        ([], "no volume"),
        ([BatchPart(1.0, -200.0)], "from -100 to 600 °C"),
    ],
)
def test_impossible_volumes_are_refused(parts: list[BatchPart], says: str) -> None:
    """A batch needs a volume."""
    with pytest.raises(BlendError, match=says):
        batch_flash_c(parts, LOG)


@given(st.lists(st.tuples(st.floats(0.1, 100.0), TRUSTED_C), min_size=1, max_size=20))
def test_a_batch_lies_between_its_parts(parts: list[tuple[float, float]]) -> None:
    """For any volumes, and in any unit of volume."""
    volumes = [BatchPart(v, c) for v, c in parts]
    batch = batch_flash_c(volumes, LOG)
    assert batch.flash_c is not None and batch.worst is not None
    low, high = min(c for _, c in parts), max(c for _, c in parts)
    assume(batch.coverage == 1.0)
    assert low - 1e-9 <= batch.flash_c <= high + 1e-9
    assert parts[batch.worst][1] == low
    litres = batch_flash_c([BatchPart(1000.0 * v, c) for v, c in parts], LOG)
    assert litres.flash_c == pytest.approx(batch.flash_c, abs=1e-9)

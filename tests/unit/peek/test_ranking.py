"""Whether the right decoding comes first, on devices whose layout is a matter of chance."""

from __future__ import annotations

import math
import struct
from collections import Counter

import pytest

from edgeflash.config.register_map import Encoding, Order
from edgeflash.peek.decodings import SCALES, Decoding, read_number
from edgeflash.peek.likeness import Likeness, impression
from edgeflash.peek.ranking import Candidate, Looks, best_cut, ranked
from tests.unit.peek.random_devices import Device, Field, close, random_device

IMAGES = 200
MAIN = frozenset({"flash_point", "sample_temperature", "cell_pressure", "cycle_number"})


def _is_right(first: Candidate, field: Field, device: Device) -> bool:
    """Its value is the true one at every look. A scale is asked for where it can be known, of
    temperatures; elsewhere any of the usual ones may fit."""
    seen = impression(first.decoding, first.values, device.epoch_s)
    scales = seen.scales[:1] if field.is_temperature else SCALES
    if not first.decoding.is_whole:
        scales = (1.0,)
    return any(
        all(
            not isinstance(value, str) and close(value * scale, true)
            for value, true in zip(first.values, field.values, strict=True)
        )
        for scale in scales
    )


@pytest.mark.slow
def test_the_right_decoding_comes_first() -> None:
    """In at least 95 % of 200 images every main figure of the analyzer is read rightly."""
    wrong: Counter[str] = Counter()
    whole, main, orders = 0, 0, 0
    for seed in range(IMAGES):
        device = random_device(seed)
        order, found = ranked(Looks(0, device.words, device.epoch_s))
        orders += order.value == device.order
        missed = {f.name for f in device.fields if not _is_right(found[f.at][0], f, device)}
        wrong.update(missed)
        whole += not missed
        main += not missed & MAIN
    print(
        f"{IMAGES} images: order {orders}, main figures all right {main}, all eleven figures right "
        f"{whole}; wrong: {dict(wrong)}"
    )
    assert main >= 0.95 * IMAGES
    assert orders >= 0.98 * IMAGES
    assert whole >= 0.90 * IMAGES


def test_numbers_are_read_as_struct_reads_them() -> None:
    """The reference is the standard library's struct; the order is undone by hand."""
    raw = struct.pack(">f", 61.37)
    words = {
        Order.ABCD: [raw[0:2], raw[2:4]],
        Order.CDAB: [raw[2:4], raw[0:2]],
        Order.BADC: [raw[1::-1], raw[3:1:-1]],
        Order.DCBA: [raw[3:1:-1], raw[1::-1]],
    }
    for order, parts in words.items():
        cells = [int.from_bytes(part, "big") for part in parts]
        value = read_number(Decoding(Encoding.FLOAT32, order), cells)
        assert math.isclose(value, 61.37, rel_tol=1e-6)


def test_the_cut_covers_the_range_once() -> None:
    """Every register belongs to one value."""
    device = random_device(3)
    _, found = ranked(Looks(40, device.words, device.epoch_s))
    cut = best_cut(found)
    covered = [c.address + i for c in cut for i in range(c.decoding.registers)]
    assert covered == list(range(40, 40 + len(device.words[0])))
    assert all(c.worse_bits < 1e-6 for c in cut)


@pytest.mark.parametrize(
    ("values", "likeness"),
    [
        ((17, 17, 18, 18), Likeness.COUNTER),
        ((17, 18, 19, 20, 21), Likeness.SIGN_OF_LIFE),
        ((0, 0, 0), Likeness.ZERO),
        ((3, 3, 5, 3), Likeness.CODE),
        ((4512, 4533, 4562, 4601), Likeness.TEMPERATURE),
        ((1_900_000_000, 1_900_000_030), Likeness.TIME),
    ],
)
def test_what_whole_numbers_look_like(values: tuple[int, ...], likeness: Likeness) -> None:
    """By hand."""
    epoch_s = (1_900_000_004.0, 1_900_000_034.0)
    seen = impression(Decoding(Encoding.UINT32), values, epoch_s)
    assert seen.likeness is likeness
    if likeness is Likeness.TEMPERATURE:
        assert seen.scales[0] == 0.01


@pytest.mark.parametrize(
    ("values", "likeness"),
    [
        ((61.4, 61.5), Likeness.TEMPERATURE),
        ((100.72, 100.71), Likeness.BAROMETER),
        ((1007.2, 1007.1), Likeness.BAROMETER),
        ((14.6, 14.61), Likeness.BAROMETER),
        ((0.4, 0.38, 43.0, 0.4), Likeness.PRESSURE),
        ((6.0e33, 1.0), Likeness.NOTHING),
    ],
)
def test_what_floats_look_like(values: tuple[float, ...], likeness: Likeness) -> None:
    """By hand: 100.72 kPa is 1007.2 hPa and 14.6 psi."""
    assert impression(Decoding(Encoding.FLOAT32), values).likeness is likeness


def test_nothing_to_look_at_gives_nothing() -> None:
    """A range without registers, and one look alone."""
    assert ranked(Looks(0, ((),)))[1] == {}
    _, found = ranked(Looks(5, ((0x4275, 0x7AE1),)))
    assert found[5][0].decoding == Decoding(Encoding.FLOAT32, Order.ABCD)

"""The register image: every type in every order, values that are missing, texts, flags, bounds."""

from __future__ import annotations

import math
import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.config.register_map import Order
from edgeflash.outlets.modbus_encoding import encoded, reordered, text_bytes
from edgeflash.outlets.modbus_image import (
    RegisterImage,
    empty_image,
    with_views,
)
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE, REGISTERS_OF, Point, PointType
from edgeflash.publication import View
from edgeflash.trust import Quality
from tests.unit.outlets.builders import (
    ALL_ORDERS,
    START,
    accepted_view,
    modbus,
    rejected_view,
    with_heartbeat,
)

POINTS = {point.name: point for point in CATALOGUE}
FLASH, CYCLE, SAMPLED = POINTS["flash_point_c"], POINTS["cycle_number"], POINTS["sampled_at"]

# Worked by hand from IEEE 754 single precision and the definition of the four orders.
FLOAT_ORDERS = [
    (62.5, "427A0000", "0000427A", "7A420000", "00007A42"),
    (-12.25, "C1440000", "0000C144", "44C10000", "000044C1"),
    (140.5, "430C8000", "8000430C", "0C430080", "00800C43"),
    (123.456, "42F6E979", "E97942F6", "F64279E9", "79E9F642"),
]


@pytest.mark.parametrize(("value", *(order.value for order in ALL_ORDERS)), FLOAT_ORDERS)
def test_float_orders(value: float, abcd: str, cdab: str, badc: str, dcba: str) -> None:
    """The four layouts a DCS may ask for, each byte in its place."""
    sent = [encoded(FLASH, value, order).hex().upper() for order in ALL_ORDERS]
    assert sent == [abcd, cdab, badc, dcba]


@pytest.mark.parametrize(
    ("order", "sent"),
    [
        (Order.ABCD, "0102030405060708"),
        (Order.CDAB, "0708050603040102"),
        (Order.BADC, "0201040306050807"),
        (Order.DCBA, "0807060504030201"),
    ],
)
def test_orders_of_64_bits_are_the_same_rule(order: Order, sent: str) -> None:
    """cdab reverses the registers, badc swaps the bytes of each, dcba does both."""
    assert reordered(bytes(range(1, 9)), order).hex() == sent


@given(st.binary(min_size=0, max_size=32).filter(lambda b: len(b) % 2 == 0))
def test_every_order_undoes_itself(raw: bytes) -> None:
    """Each order applied twice gives the value back."""
    for order in ALL_ORDERS:
        assert reordered(reordered(raw, order), order) == raw


@pytest.mark.parametrize("order", ALL_ORDERS)
def test_numbers_decode_with_the_standard_library(order: Order) -> None:
    """uint32 and time decode by the standard library after undoing the order."""
    cycle = reordered(encoded(CYCLE, 305_419_896, order), order)
    assert struct.unpack(">I", cycle) == (305_419_896,)
    moment = reordered(encoded(SAMPLED, START, order), order)
    assert struct.unpack(">Q", moment) == (1_933_135_628_901_234,)


def test_single_registers_and_texts_have_no_order() -> None:
    """A register is high byte first whatever the order (Modbus V1.1b3, 4.2; from memory)."""
    for order in ALL_ORDERS:
        assert encoded(POINTS["quality"], 18, order) == b"\x00\x12"
        assert encoded(POINTS["reason_text"], "ab", order)[:4] == b"ab\x00\x00"


@pytest.mark.parametrize("order", ALL_ORDERS)
def test_missing_values(order: Order) -> None:
    """A float is NaN in its own order; numbers are all ones; text is empty."""
    (number,) = struct.unpack(">f", reordered(encoded(FLASH, None, order), order))
    assert math.isnan(number)
    for name in ("quality", "cycle_number", "possible_low_flash", "sampled_at"):
        raw = encoded(POINTS[name], None, order)
        assert raw == b"\xff" * (2 * POINTS[name].registers), name
    assert encoded(POINTS["reason_text"], None, order) == bytes(32)


@given(st.text(max_size=60))
def test_text_is_cut_between_characters(text: str) -> None:
    """What is sent decodes to the start of the text, and no shorter than must be."""
    raw = text_bytes(text)
    assert len(raw) == 32
    if "\x00" in text:
        return
    sent = raw.rstrip(b"\x00").decode("utf-8")
    assert text.startswith(sent)
    if sent != text:
        assert len((sent + text[len(sent)]).encode()) > 32


def test_text_keeps_whole_characters() -> None:
    """31 letters and a two-byte degree sign do not fit: the sign goes, not half of it."""
    assert text_bytes("a" * 31 + "°C") == b"a" * 31 + b"\x00"
    assert text_bytes("a" * 30 + "°C") == b"a" * 30 + "°".encode()


def _image(*views: View, **server: object) -> RegisterImage:
    numbers = {"fp-101": 1, "fp-102": 3}
    config = modbus(**server)
    return with_views(empty_image(numbers.values(), config.order), views, numbers, config)


def _float(image: RegisterImage, address: int) -> float:
    raw = image.registers(address, 2)
    assert raw is not None
    return float(struct.unpack(">f", raw)[0])


def test_points_stand_at_their_catalogue_offsets() -> None:
    """Analyzer 3 starts at 2 × 200; quality, cycle number and heartbeat beside the value."""
    image = _image(accepted_view("fp-102", value_c=48.25, cycle_number=70_000))
    assert _float(image, 400) == 48.25
    assert image.registers(402, 2) == bytes(4)  # good, no reason
    assert image.registers(406, 2) == struct.pack(">I", 70_000)
    assert image.registers(416, 1) == struct.pack(">H", 7)
    assert image.registers(418, 1) == struct.pack(">H", 3)  # phase heat
    assert _float(image, 440) == 61.75


def test_units_are_the_servers() -> None:
    """62.5 °C is 144.5 °F; 41 kPa is 410 mbar."""
    image = _image(accepted_view(), temperature_unit="degF", pressure_unit="mbar")
    assert _float(image, 0) == 144.5
    assert _float(image, 34) == 410.0


def test_a_bad_value_is_nan_with_a_quality_of_10_or_more() -> None:
    """After the hold time there is no number, and the quality register says why."""
    image = _image(rejected_view(held=False))
    assert math.isnan(_float(image, 0))
    raw = image.registers(2, 2)
    assert raw == struct.pack(">HH", Quality.NO_DATA.value.modbus, 4203)
    text = image.registers(54, 16)
    assert text is not None
    assert text.decode("utf-8").startswith("the ramp was not steady, Δ 3 °")


def test_a_held_value_keeps_its_number() -> None:
    """A rejected cycle leaves the last value, marked 1: last usable."""
    image = _image(rejected_view(held=True))
    assert _float(image, 0) == 62.5
    assert image.registers(2, 1) == struct.pack(">H", Quality.LAST_USABLE.value.modbus)


def test_before_the_first_view_nothing_looks_like_a_value() -> None:
    """NaN, and a quality far above 10."""
    image = _image()
    assert math.isnan(_float(image, 0))
    assert image.registers(2, 1) == b"\xff\xff"


def test_unused_registers_read_zero() -> None:
    """From the catalogue's end to the block's end, and in the gap after the phase."""
    image = _image(accepted_view())
    end = max(point.register + point.registers for point in CATALOGUE)
    used = {r for p in CATALOGUE for r in range(p.register, p.register + p.registers)}
    assert image.registers(end, BLOCK_REGISTERS - end) == bytes(2 * (BLOCK_REGISTERS - end))
    for free in set(range(end)) - used:
        assert image.registers(free, 1) == b"\x00\x00", free


def test_the_catalogue_fits_the_block_without_overlap() -> None:
    """No two points share a register and all end within the block."""
    taken: set[int] = set()
    for point in CATALOGUE:
        own = set(range(point.register, point.register + REGISTERS_OF[point.type]))
        assert not taken & own, point.name
        taken |= own
    assert max(taken) < BLOCK_REGISTERS


def test_addresses_of_analyzers_not_there_do_not_exist() -> None:
    """Analyzers 1 and 3 are there; 2 and 4 are not, nor is a read that only touches them."""
    image = _image(accepted_view())
    assert image.registers(199, 1) is not None
    assert image.registers(199, 2) is None
    assert image.registers(200, 1) is None
    assert image.registers(399, 2) is None
    assert image.registers(599, 1) is not None
    assert image.registers(600, 1) is None
    assert image.registers(65535, 1) is None
    assert image.bits(199, 2) is None
    assert image.bits(0, 200) is not None


def test_a_read_may_span_adjacent_analyzers() -> None:
    """The end of one block and the start of the next in one answer."""
    numbers = {"fp-101": 1, "fp-102": 2}
    config = modbus()
    views = [accepted_view(), accepted_view("fp-102", value_c=48.25)]
    image = with_views(empty_image(numbers.values(), config.order), views, numbers, config)
    raw = image.registers(190, 12)
    assert raw == bytes(20) + struct.pack(">f", 48.25)


def test_flags_are_bits_at_their_registers() -> None:
    """The alarm's bit has its register's address; packing is low bit first (V1.1b3, 6.2)."""
    view = accepted_view()
    alarm = replace(view, standing=replace(view.standing, low_flash_alarm=True))
    address = POINTS["possible_low_flash"].register
    assert _image(view).bits(address, 1) == b"\x00"
    assert _image(alarm).bits(address, 1) == b"\x01"
    assert _image(alarm).bits(0, 16) == bytes([1 << address, 0])
    assert _image(alarm).registers(address, 1) == b"\x00\x01"
    assert _image().bits(address, 1) == b"\x01", "an unknown alarm must not look clear"


def test_an_image_never_changes() -> None:
    """A newer view makes a new image; the old one still reads as before."""
    numbers, config = {"fp-101": 1}, modbus()
    first = with_views(empty_image([1], config.order), [accepted_view()], numbers, config)
    before = first.registers(0, 125)
    second = with_views(first, [with_heartbeat(accepted_view(), 8)], numbers, config)
    assert first.registers(0, 125) == before
    assert second.registers(16, 1) == b"\x00\x08"


def test_analyzers_without_a_view_stay_and_strangers_are_left_out() -> None:
    """Publishing one analyzer does not touch the others."""
    image = _image(accepted_view(), accepted_view("fp-999"))
    assert set(image.flags) == {1, 3}
    assert {page for page in image.blocks if page <= 200} == {1, 3}
    assert _float(image, 0) == 62.5
    assert math.isnan(_float(image, 400))


@pytest.mark.parametrize("point", CATALOGUE, ids=lambda p: p.name)
def test_every_point_encodes_to_its_registers(point: Point) -> None:
    """Whatever the value, a point fills exactly its own registers."""
    samples = {
        PointType.FLOAT: 1.5,
        PointType.INT: 1,
        PointType.CODE: 1,
        PointType.FLAG: True,
        PointType.TIME: START,
        PointType.TEXT: "ok",
    }
    for value in (None, samples[point.type]):
        assert len(encoded(point, value, Order.ABCD)) == 2 * point.registers

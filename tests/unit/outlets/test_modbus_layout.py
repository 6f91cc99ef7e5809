"""Where every block is: promised addresses, no overlap, every order against numpy, the pattern."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from edgeflash.config.register_map import Order
from edgeflash.outlets.modbus_encoding import REORDERED, block, block_in, encoded
from edgeflash.outlets.modbus_image import empty_images, with_new_views
from edgeflash.outlets.modbus_inputs import FIRST_ADDRESS, LAST_ADDRESS
from edgeflash.outlets.modbus_layout import (
    INTEGER_REGISTERS,
    ORDERS,
    PATTERN_AT,
    PATTERN_REGISTERS,
    Addresses,
    addresses,
    page_of,
)
from edgeflash.outlets.modbus_pattern import SAMPLES, TIME, pattern_address, pattern_page
from edgeflash.outlets.values import OutletUnits, shown
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE
from tests.unit.outlets.builders import ALL_ORDERS, accepted_view, modbus


@pytest.mark.parametrize(
    ("unit_ids", "number", "expected"),
    [
        ("any", 1, Addresses(0, 40_000, 52_000)),
        ("any", 2, Addresses(200, 40_400, 52_800)),
        ("any", 16, Addresses(3_000, 46_000, 64_000)),
        ("any", 17, Addresses(3_200, 46_400, None)),
        ("any", 25, Addresses(4_800, 49_600, None)),
        ("any", 26, Addresses(5_000, None, None)),
        ("any", 200, Addresses(39_800, None, None)),
        ("per_analyzer", 1, Addresses(0, 1_000, 2_000)),
        ("per_analyzer", 200, Addresses(0, 1_000, 2_000)),
    ],
)
def test_addresses_never_move(unit_ids: str, number: int, expected: Addresses) -> None:
    """Worked by hand from the documentation; lines are added here, never changed."""
    assert addresses(unit_ids, number) == expected  # type: ignore[arg-type]


def test_the_place_of_each_order_never_moves() -> None:
    """abcd, cdab, badc, dcba, of analyzers and of the pattern; lines are never changed."""
    first = addresses("any", 1)
    assert [first.order(order) for order in Order] == [52_000, 52_200, 52_400, 52_600]
    own = addresses("per_analyzer", 9)
    assert [own.order(order) for order in Order] == [2_000, 2_200, 2_400, 2_600]
    patterns = [pattern_address(order) for order in (*Order, None)]
    assert patterns == [65_000, 65_040, 65_080, 65_120, 65_160]


@pytest.mark.parametrize("unit_ids", ["any", "per_analyzer"])
def test_no_two_blocks_share_a_register(unit_ids: str) -> None:
    """Over all 200 analyzers, inputs and pattern; all within 65536 addresses, on whole pages."""
    taken: list[int] = [*range(FIRST_ADDRESS, LAST_ADDRESS + 1)]
    taken += range(PATTERN_AT, PATTERN_AT + PATTERN_REGISTERS * (len(ORDERS) + 1))
    for number in range(1, 201) if unit_ids == "any" else (7,):
        own = addresses(unit_ids, number)  # type: ignore[arg-type]
        starts = [(own.block, BLOCK_REGISTERS)]
        if own.integers is not None:
            starts.append((own.integers, INTEGER_REGISTERS))
        starts += [(at, BLOCK_REGISTERS) for o in ORDERS if (at := own.order(o)) is not None]
        for start, size in starts:
            assert start % BLOCK_REGISTERS == 0
            taken += range(start, start + size)
    assert len(taken) == len(set(taken))
    assert max(taken) < 65_536


def test_the_image_has_just_the_declared_pages() -> None:
    """What is served is what the layout says, no more."""
    images = empty_images([1, 17, 26], modbus())
    pages = {page_of(PATTERN_AT), 1, 17, 26}
    pages |= {201, 202, 201 + 32, 202 + 32}  # integers of 1 and 17
    pages |= {261, 262, 263, 264}  # orders of 1
    assert set(images.shared.blocks) == pages
    assert set(images.shared.flags) == {1, 17, 26}


def numpy_order(raw: bytes, order: Order) -> bytes:
    """Big-endian bytes of one number as the order sends them, by numpy."""
    words = np.frombuffer(raw, ">u2")
    if order in (Order.CDAB, Order.DCBA):
        words = words[::-1]
    if order in (Order.BADC, Order.DCBA):
        words = words.byteswap()
    return bytes(words.tobytes())


@pytest.mark.parametrize("server_order", ALL_ORDERS)
@pytest.mark.parametrize("unit_ids", ["any", "per_analyzer"])
def test_every_order_of_every_point(server_order: Order, unit_ids: str) -> None:
    """On one server any of the four orders can be read, whatever its own order is."""
    server = modbus(order=server_order, unit_ids=unit_ids)
    view, numbers = accepted_view("fp-101", 123.456), {"fp-101": 3}
    image = with_new_views(empty_images([3], server), [view], numbers, server).of(3)
    assert image is not None
    places, units = addresses(server.unit_ids, 3), OutletUnits("degC", "kPa")
    for order in ALL_ORDERS:
        start = places.order(order)
        assert start is not None
        for point in CATALOGUE:
            big_endian = encoded(point, shown(point, view, units).value, Order.ABCD)
            for at, sent in ((start, order), (places.block, server_order)):
                read = image.registers(at + point.register, point.registers)
                wanted = big_endian
                if point.type in REORDERED:
                    wanted = numpy_order(big_endian, sent)
                assert read == wanted, (point.name, order, at)


@pytest.mark.parametrize("order", ALL_ORDERS)
def test_a_block_moved_as_a_whole_is_as_point_by_point(order: Order) -> None:
    """The quick way gives what `encoded` gives."""
    units = OutletUnits("degF", "psi")
    values = {p.name: shown(p, accepted_view(), units).value for p in CATALOGUE}
    moved = block_in(order, block(values))
    for point in CATALOGUE:
        own = encoded(point, values[point.name], order)
        assert moved[2 * point.register :][: len(own)] == own, point.name


@pytest.mark.parametrize("order", ALL_ORDERS)
def test_the_pattern_decodes_with_numpy(order: Order) -> None:
    """Each known value in each order, by numpy; the server's own order comes last."""
    page = pattern_page(order)
    assert len(page) == 2 * BLOCK_REGISTERS
    blocks = {each: page[2 * (pattern_address(each) - PATTERN_AT) :][:80] for each in ORDERS}
    assert page[2 * (pattern_address(None) - PATTERN_AT) :][:80] == blocks[order]
    for each, raw in blocks.items():

        def number(offset: int, dtype: str, raw: bytes = raw, each: Order = each) -> float:
            size = np.dtype(dtype).itemsize
            own = raw[2 * offset :][:size]
            return np.frombuffer(own if size == 2 else numpy_order(own, each), dtype)[0].item()

        assert number(0, ">u2") == 0x1234
        assert number(1, ">i2") == -12_345
        assert number(2, ">f4") == np.float32(123.456)
        assert number(4, ">f4") == -12.25
        assert number(6, ">i4") == -123_456_789
        assert number(8, ">u4") == 0x12345678
        micros = int(number(10, ">u8"))
        assert datetime(1970, 1, 1, tzinfo=TIME.tzinfo) + timedelta(microseconds=micros) == TIME
        assert raw[28:60].rstrip(b"\0").decode() == f"edgeflash test pattern {each.value} °C"
        assert np.isnan(number(30, ">f4"))
        assert number(32, ">i4") == -(2**31)
        assert (number(34, ">i2"), number(35, ">u2")) == (-32_768, 65_535)


def test_one_order_tells_itself_from_the_others() -> None:
    """123.456 comes out of one block of the pattern only, whichever order a client decodes."""
    page = pattern_page(Order.ABCD)
    for decoded in ORDERS:
        found = [
            each
            for each in ORDERS
            if numpy_order(page[2 * (pattern_address(each) - PATTERN_AT + 2) :][:4], decoded)
            == bytes.fromhex("42F6E979")  # IEEE 754 single of 123.456
        ]
        assert found == [decoded]


def test_samples_do_not_overlap() -> None:
    """Each known value has its own registers, within its block."""
    taken: list[int] = []
    for sample in SAMPLES:
        size = len(sample.raw(Order.ABCD)) // 2
        taken += range(sample.offset, sample.offset + size)
    assert len(taken) == len(set(taken))
    assert max(taken) < PATTERN_REGISTERS

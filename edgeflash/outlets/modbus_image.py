"""The register image: what a Modbus client reads, as the bytes that go on the wire. Pure.

The image is immutable: a server answers each request from one image, so no answer mixes two
instants. It is kept in pages of 200 registers; modbus_layout says what is where. Unused registers
of a page read 0, and where there is no page there are no registers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from edgeflash.config.register_map import Order
from edgeflash.config.site import ModbusServer, UnitIds
from edgeflash.outlets.modbus_encoding import block, block_in, discrete_inputs
from edgeflash.outlets.modbus_integers import integer_block
from edgeflash.outlets.modbus_layout import (
    GATEWAY_UNITS,
    ORDERS,
    PATTERN_AT,
    Addresses,
    addresses,
    page_of,
)
from edgeflash.outlets.modbus_pattern import pattern_page
from edgeflash.outlets.values import OutletUnits, shown
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE, PointScalar
from edgeflash.publication import View

PAGE_BYTES = 2 * BLOCK_REGISTERS


@dataclass(frozen=True, slots=True)
class RegisterImage:
    """Every register of one unit at one instant.

    blocks: by page, 2 × 200 bytes as sent; page n is the block of analyzer n. flags: by page, bit
    k set when the discrete input at offset k is 1; pages without flags have no discrete inputs.
    """

    blocks: Mapping[int, bytes]
    flags: Mapping[int, int]

    def registers(self, address: int, count: int) -> bytes | None:
        """`count` registers from a zero-based address, as sent; None when any does not exist."""
        pages = [self.blocks.get(page) for page in _pages(address, count)]
        present = [page for page in pages if page is not None]
        if len(present) != len(pages):
            return None
        start = 2 * (address % BLOCK_REGISTERS)
        joined = present[0] if len(present) == 1 else b"".join(present)
        return joined[start : start + 2 * count]

    def bits(self, address: int, count: int) -> bytes | None:
        """`count` bits, packed low bit first as sent; None when any does not exist.

        A flag's bit has the address of its register. All other bits are 0.
        """
        joined = 0
        for place, page in enumerate(_pages(address, count)):
            flags = self.flags.get(page)
            if flags is None:
                return None
            joined |= flags << (place * BLOCK_REGISTERS)
        wanted = (joined >> (address % BLOCK_REGISTERS)) & ((1 << count) - 1)
        return wanted.to_bytes((count + 7) // 8, "little")

    def with_pages(self, blocks: Mapping[int, bytes], flags: Mapping[int, int]) -> RegisterImage:
        """A new image in which these pages are as given; the others stay."""
        return RegisterImage({**self.blocks, **blocks}, {**self.flags, **flags})


def _pages(address: int, count: int) -> range:
    """The pages that a read touches."""
    return range(page_of(address), page_of(address + count - 1) + 1)


@dataclass(frozen=True, slots=True)
class ServedImages:
    """What every unit reads, of one instant. by_unit: None where every unit is the same."""

    shared: RegisterImage
    by_unit: Mapping[int, RegisterImage] | None = None

    def of(self, unit: int) -> RegisterImage | None:
        """What a unit reads; None when there is no such unit."""
        if self.by_unit is None or unit in GATEWAY_UNITS:
            return self.shared
        return self.by_unit.get(unit)


def empty_images(numbers: Iterable[int], server: ModbusServer) -> ServedImages:
    """The images before the first view: every point without a value."""
    every = tuple(numbers)
    pattern = {page_of(PATTERN_AT): pattern_page(server.order)}
    if server.unit_ids == "any":
        empty = empty_image(every, server.order)
        return ServedImages(empty.with_pages(pattern, {}))
    pages, flags = _empty(server.order, addresses("per_analyzer", 1))
    one = RegisterImage({**pages, **pattern}, flags)
    return ServedImages(RegisterImage(pattern, {}), dict.fromkeys(every, one))


def empty_image(numbers: Iterable[int], order: Order) -> RegisterImage:
    """Analyzers without a value, in the layout where every unit is the same."""
    image = RegisterImage({}, {})
    for number in numbers:
        image = image.with_pages(*_empty(order, addresses("any", number)))
    return image


def with_new_views(
    images: ServedImages, views: Sequence[View], numbers: Mapping[str, int], server: ModbusServer
) -> ServedImages:
    """New images in which the views' analyzers show their views; the others stay as they are."""
    if images.by_unit is None:
        return ServedImages(with_views(images.shared, views, numbers, server))
    by_unit = dict(images.by_unit)
    for number, pages, flags in _shown(views, numbers, server):
        by_unit[number] = by_unit[number].with_pages(pages, flags)
    return ServedImages(images.shared, by_unit)


def with_views(
    image: RegisterImage, views: Sequence[View], numbers: Mapping[str, int], server: ModbusServer
) -> RegisterImage:
    """A new image in which the views' analyzers show their views; the others stay as they are.

    numbers: analyzer number by id. A view of an analyzer that is not there is left out.
    """
    blocks: dict[int, bytes] = {}
    flags: dict[int, int] = {}
    for _, own_blocks, own_flags in _shown(views, numbers, server):
        blocks |= own_blocks
        flags |= own_flags
    return image.with_pages(blocks, flags)


Pages = tuple[dict[int, bytes], dict[int, int]]


def _shown(
    views: Sequence[View], numbers: Mapping[str, int], server: ModbusServer
) -> Iterable[tuple[int, dict[int, bytes], dict[int, int]]]:
    """Number, pages and flags of each view's analyzer."""
    units = OutletUnits(server.temperature_unit, server.pressure_unit)
    unit_ids: UnitIds = server.unit_ids
    for view in views:
        number = numbers.get(view.standing.analyzer)
        if number is None:
            continue
        values = {point.name: shown(point, view, units).value for point in CATALOGUE}
        pages, flags = _pages_of(values, units, server.order, addresses(unit_ids, number))
        yield number, pages, flags


def _empty(order: Order, places: Addresses) -> Pages:
    # Without a value no unit matters.
    return _pages_of({}, OutletUnits("degC", "kPa"), order, places)


def _pages_of(
    values: Mapping[str, PointScalar], units: OutletUnits, order: Order, places: Addresses
) -> Pages:
    """One analyzer's pages and flags."""
    abcd = block(values)
    pages = {page_of(places.block): block_in(order, abcd)}
    if places.integers is not None:
        integers = integer_block(values, units, order)
        for place, start in enumerate(range(0, len(integers), PAGE_BYTES)):
            pages[page_of(places.integers) + place] = integers[start : start + PAGE_BYTES]
    if places.orders is not None:
        for place, other in enumerate(ORDERS):
            pages[page_of(places.orders) + place] = block_in(other, abcd)
    return pages, {page_of(places.block): discrete_inputs(values)}

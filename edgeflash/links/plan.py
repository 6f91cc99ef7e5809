"""Which blocks to read for a group of roles: as few requests as the map allows. Pure.

An element (one scalar, or one element of an array) is never split over two requests, so a float
is never put together from two instants. Within the fewest requests, the plan reads the fewest
registers: a gap is read over only where that saves a request.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from edgeflash.config.register_map import RegisterMap, RolePlace, Table
from edgeflash.links.errors import PlanError
from edgeflash.model import Role

BIT_TABLES = frozenset({Table.COIL, Table.DISCRETE})
MAX_BITS = 2000
"""Bits that one read of a bit table may ask for (application protocol V1.1b3, 6.1 and 6.2)."""
BITS_PER_REGISTER = 16
ADDRESSES = 65536


@dataclass(frozen=True, slots=True)
class Block:
    """One request: count registers (or bits) of a table from the zero-based address on."""

    table: Table
    address: int
    count: int

    @property
    def end(self) -> int:
        """The first address after the block."""
        return self.address + self.count


@dataclass(frozen=True, slots=True)
class Piece:
    """Where a stretch of a role's words is: words [at, at + count) from `start` of a reply."""

    block: int
    start: int
    at: int
    count: int


@dataclass(frozen=True, slots=True)
class Plan:
    """The blocks of a group of roles, and how each role's words are cut out of the replies.

    spans: words from a role's first element to its last. steps: words from one to the next.
    """

    blocks: tuple[Block, ...]
    pieces: Mapping[Role, tuple[Piece, ...]]
    spans: Mapping[Role, int]
    steps: Mapping[Role, int]

    def blocks_for(self, elements: int) -> frozenset[int]:
        """Numbers of the blocks that hold the first so many elements of any role."""
        return frozenset(
            piece.block
            for role, pieces in self.pieces.items()
            for piece in pieces
            if piece.at < elements * self.steps[role]
        )

    def gather(self, replies: Sequence[Sequence[int]]) -> dict[Role, Sequence[int]]:
        """Words of each role, `span_registers` long. replies: one per block, in block order.

        Registers between the elements of an array that no block covers come as 0; decoding never
        looks at them.
        """
        found: dict[Role, Sequence[int]] = {}
        for role, pieces in self.pieces.items():
            span = self.spans[role]
            first = pieces[0]
            if len(pieces) == 1 and first.count == span:
                found[role] = replies[first.block][first.start : first.start + span]
                continue
            words = [0] * span
            for piece in pieces:
                words[piece.at : piece.at + piece.count] = replies[piece.block][
                    piece.start : piece.start + piece.count
                ]
            found[role] = words
        return found


@dataclass(frozen=True, slots=True)
class _Element:
    """One unsplittable stretch [first, end) of a table. at: its offset in the role's words."""

    first: int
    end: int
    role: Role
    at: int


def plan_reads(
    places: Mapping[Role, RolePlace], register_map: RegisterMap, max_gap: int | None = None
) -> Plan:
    """The reading plan of these roles. max_gap: overrides the map's.

    Raises PlanError when an element is longer than one request, forbidden, or past the last
    address.
    """
    header = register_map.map
    gap = header.max_gap if max_gap is None else max_gap
    blocks: list[Block] = []
    pieces: dict[Role, list[Piece]] = {role: [] for role in places}
    for table in Table:
        here = {role: place for role, place in places.items() if place.table is table}
        if not here:
            continue
        limit = header.max_registers
        if table in BIT_TABLES:
            limit = min(MAX_BITS, limit * BITS_PER_REGISTER)
        closed = _closed_addresses(table, register_map)
        elements = sorted(
            _elements(here, register_map, limit, closed), key=lambda e: (e.first, -e.end, e.at)
        )
        # Ordered so, an element that lies within another one follows it and comes along with it.
        block_of: list[int] = []
        leaders = _leaders(elements)
        for run in _runs(leaders, gap, closed):
            for members in _fewest_blocks(run, limit):
                block_of += [len(blocks)] * len(members)
                first = members[0].first
                blocks.append(Block(table, first, members[-1].end - first))
        leader = -1
        for element in elements:
            if leader + 1 < len(leaders) and element is leaders[leader + 1]:
                leader += 1
            number = block_of[leader]
            _add_piece(pieces[element.role], element, number, blocks[number].address)
    spans = {role: place.span_registers for role, place in places.items()}
    steps = {role: place.stride or place.element_registers for role, place in places.items()}
    return Plan(tuple(blocks), {role: tuple(p) for role, p in pieces.items()}, spans, steps)


def _closed_addresses(table: Table, register_map: RegisterMap) -> list[tuple[int, int]]:
    """Forbidden stretches of a table as [first, end) of zero-based addresses, rising."""
    return sorted(
        (register_map.pdu_address(f.first), register_map.pdu_address(f.last) + 1)
        for f in register_map.map.forbidden
        if f.table is table
    )


def _meets(first: int, end: int, closed: Iterable[tuple[int, int]]) -> bool:
    return any(low < end and first < high for low, high in closed)


def _elements(
    places: Mapping[Role, RolePlace],
    register_map: RegisterMap,
    limit: int,
    closed: list[tuple[int, int]],
) -> Iterable[_Element]:
    """Every element of these places, each checked."""
    for role, place in places.items():
        size = place.element_registers
        step = place.stride or size
        start = register_map.pdu_address(place.address)
        if size > limit:
            raise PlanError(
                role,
                f"one value takes {size} registers, but max_registers lets one request read "
                f"{limit}; a value is never put together from two requests",
            )
        if start < 0 or start + place.span_registers > ADDRESSES:
            raise PlanError(
                role,
                f"address {place.address} with {place.span_registers} registers lies outside "
                f"the {ADDRESSES} addresses of a table",
            )
        for index in range(place.count or 1):
            first = start + index * step
            if _meets(first, first + size, closed):
                raise PlanError(
                    role,
                    f"address {place.address + index * step} is forbidden by the map; remove "
                    "the role or the forbidden stretch",
                )
            yield _Element(first, first + size, role, index * step)


def _leaders(elements: Iterable[_Element]) -> list[_Element]:
    """The elements that reach further than every one before them; first and end both rise."""
    leaders: list[_Element] = []
    for element in elements:
        if not leaders or element.end > leaders[-1].end:
            leaders.append(element)
    return leaders


def _runs(
    leaders: Sequence[_Element], max_gap: int, closed: list[tuple[int, int]]
) -> Iterable[list[_Element]]:
    """Leaders that may share a request as far as gaps go."""
    run: list[_Element] = []
    for element in leaders:
        # Overlapping or adjoining elements have no gap; the stretch between is then empty.
        gap = element.first - run[-1].end if run else 0
        if gap > max_gap or (gap > 0 and _meets(run[-1].end, element.first, closed)):
            yield run
            run = []
        run.append(element)
    if run:
        yield run


def _fewest_blocks(run: Sequence[_Element], limit: int) -> list[Sequence[_Element]]:
    """The run cut into the fewest blocks of at most `limit`; of those, the fewest registers.

    Dynamic programming in address order: cost[i] is the cheapest (requests, registers) for the
    first i elements, and a block j..i-1 costs one request and end - first registers. The best j
    is the front of a queue of rising costs, so the whole takes one pass.
    """
    cost: list[tuple[int, int]] = [(0, 0)]
    start_of_last_block: list[int] = [0]
    queue: deque[tuple[tuple[int, int], int]] = deque()
    for i, element in enumerate(run):
        requests, registers = cost[i]
        opened = (requests, registers - element.first)
        while queue and queue[-1][0] >= opened:
            queue.pop()
        queue.append((opened, i))
        while element.end - run[queue[0][1]].first > limit:
            queue.popleft()
        (requests, registers), j = queue[0]
        cost.append((requests + 1, registers + element.end))
        start_of_last_block.append(j)
    blocks: list[Sequence[_Element]] = []
    end = len(run)
    while end:
        start = start_of_last_block[end]
        blocks.append(run[start:end])
        end = start
    return blocks[::-1]


def _add_piece(pieces: list[Piece], element: _Element, block: int, block_first: int) -> None:
    """Append an element, joined to the piece before when both come from one block."""
    size = element.end - element.first
    start = element.first - block_first
    if pieces and pieces[-1].block == block:
        last = pieces[-1]
        pieces[-1] = Piece(block, last.start, last.at, element.at + size - last.at)
        return
    pieces.append(Piece(block, start, element.at, size))

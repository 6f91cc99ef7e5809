"""What to read in one poll, and what the answers mean. No I/O, no clock.

The steps of a poll are a generator: it yields what it wants of the analyzer next and is sent the
answer. So retries, torn readings and skipped numbers are decided here and tested without a socket,
the same for every protocol.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.register_map import RegisterMap
from edgeflash.config.roles import LIVE_ROLES
from edgeflash.links.blocks import pulse_from_block, recent_results, trace_from_block
from edgeflash.links.encodings import decoder
from edgeflash.links.errors import LinkError, PlanError
from edgeflash.links.groups import Group, Steps
from edgeflash.links.meaning import EPOCH_TICKS_PER_S
from edgeflash.links.plan import plan_reads
from edgeflash.links.register_group import RegisterGroup
from edgeflash.model import CycleBody, Pulse, RecentResult, Role, Scalar, Scan, Trace
from edgeflash.units import UNITS

ATTEMPTS_PER_POLL = 3
POLLS_PER_CYCLE = 3
"""How often a body is read again in one poll, and in how many polls, before it counts as torn."""

EARLIER_MARKS = 4

NUMBER_ROLES = (Role.CYCLE_NUMBER, Role.RESULT_TIME)
TRACE_HEADER_ROLES = (Role.TRACE_CYCLE, Role.TRACE_LENGTH, Role.TRACE_INTERVAL)
TRACE_ARRAY_ROLES = (Role.TRACE_TIME, Role.TRACE_TEMPERATURE, Role.TRACE_PRESSURE)
PULSE_HEADER_ROLES = (Role.PULSE_CYCLE, Role.PULSE_LENGTH, Role.PULSE_INTERVAL)
PULSE_ARRAY_ROLES = (Role.PULSE_PRESSURE,)
RING_ROLES = (Role.RECENT_NUMBER, Role.RECENT_TIME, Role.RECENT_FLASH_POINT)
ARRAY_ROLES = frozenset({*TRACE_ARRAY_ROLES, *PULSE_ARRAY_ROLES, *RING_ROLES})
BODY_ROLES = tuple(
    r for r in Role if r not in {*ARRAY_ROLES, *TRACE_HEADER_ROLES, *PULSE_HEADER_ROLES}
)
"""Every scalar that is not part of the trace block or the pulse."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What tells one finished cycle from the next."""

    cycle_number: int
    result_time: datetime | None


@dataclass(frozen=True, slots=True)
class ReadingState:
    """What a link remembers from poll to poll.

    last: the last body handed over; earlier: the ones before, newest first. ring_due: read the
    ring of recent results with the next stable number. unsettled_polls: polls since the last body
    that saw a new cycle but no steady one. pulse_fault: why the last pulse could not be read; empty
    when it could.
    """

    last: Mark | None
    ring_due: bool = True
    unsettled_polls: int = 0
    earlier: tuple[Mark, ...] = ()
    pulse_fault: str = ""

    def awaits(self, mark: Mark) -> bool:
        """True when this mark is of a cycle that has not been handed over.

        Registers that a device is just rewriting can show an older result once more: one with
        the number and the time of an earlier body is that body.
        """
        if mark.result_time is not None and mark in self.earlier:
            return False
        return is_new(self.last, mark.cycle_number, mark.result_time)

    def with_body(self, mark: Mark, ring_due: bool) -> ReadingState:
        """The state once this mark's body is handed over."""
        earlier = self.earlier if self.last is None else (self.last, *self.earlier)
        return replace(
            self, last=mark, ring_due=ring_due, unsettled_polls=0, earlier=earlier[:EARLIER_MARKS]
        )


@dataclass(frozen=True, slots=True)
class MapReading:
    """A register map made ready for reading. A group is None when its roles are not mapped."""

    analyzer: str
    counted: bool
    first_number: int
    last_number: int
    live: Group
    number: Group
    body: Group
    trace_header: Group | None
    trace_arrays: Group | None
    pulse_header: Group | None
    pulse_arrays: Group | None
    ring: Group | None


def prepare(analyzer: str, register_map: RegisterMap) -> MapReading:
    """Sort the roles into groups and plan their blocks. Raises PlanError."""
    roles = register_map.roles
    for role, place in roles.items():
        if place.unit is not None and place.unit not in UNITS.keys() | EPOCH_TICKS_PER_S.keys():
            raise PlanError(role, f"unit {place.unit!r} is not known")
        if place.count is not None and role not in ARRAY_ROLES:
            raise PlanError(role, "count is for the trace_*, pulse_* and recent_* arrays only")

    def group(wanted: Iterable[Role]) -> Group:
        places = {role: roles[role] for role in wanted if role in roles}
        order = register_map.map.order
        return RegisterGroup(
            plan_reads(places, register_map),
            {role: decoder(role, place, order) for role, place in places.items()},
        )

    return map_reading(analyzer, register_map, group)


def map_reading(
    analyzer: str, analyzer_map: AnalyzerMap, group: Callable[[Iterable[Role]], Group]
) -> MapReading:
    """The map's roles sorted into groups. group: makes one of those roles that are mapped."""
    roles = analyzer_map.roles
    has_trace = {Role.TRACE_TEMPERATURE, Role.TRACE_PRESSURE} <= roles.keys() and (
        Role.TRACE_TIME in roles or Role.TRACE_INTERVAL in roles
    )
    has_header = has_trace and any(role in roles for role in TRACE_HEADER_ROLES)
    has_pulse = {Role.PULSE_PRESSURE, Role.PULSE_INTERVAL} <= roles.keys()
    has_ring = Role.RECENT_FLASH_POINT in roles and (
        Role.RECENT_NUMBER in roles or Role.RECENT_TIME in roles
    )
    first, last = analyzer_map.counter_span
    return MapReading(
        analyzer=analyzer,
        counted=analyzer_map.is_counted,
        first_number=first,
        last_number=last,
        live=group(r for r in LIVE_ROLES if r not in roles or roles[r].of != "result"),
        number=group(NUMBER_ROLES),
        body=group(BODY_ROLES),
        trace_header=group(TRACE_HEADER_ROLES) if has_header else None,
        trace_arrays=group(TRACE_ARRAY_ROLES) if has_trace else None,
        pulse_header=group(PULSE_HEADER_ROLES) if has_pulse else None,
        pulse_arrays=group(PULSE_ARRAY_ROLES) if has_pulse else None,
        ring=group(RING_ROLES) if has_ring else None,
    )


def is_new(last: Mark | None, number: int, result_time: datetime | None) -> bool:
    """True when this is another cycle than the last one.

    A time that is not known on both sides tells nothing.
    """
    if last is None or number != last.cycle_number:
        return True
    return None not in (last.result_time, result_time) and result_time != last.result_time


def is_skip(reading: MapReading, last: Mark, number: int) -> bool:
    """True when `number` neither repeats the last number nor follows it (wrap included).

    Without a counter the number is a time, and nothing can be said.
    """
    if not reading.counted or number == last.cycle_number:
        return False
    if last.cycle_number == reading.last_number:
        return number != reading.first_number
    return number != last.cycle_number + 1


def mark_of(reading: MapReading, values: Mapping[Role, Scalar]) -> Mark | None:
    """The mark these values show; None when the number, or the mapped time, is not available.

    A device that has not made a result yet, or is just writing one, shows no time. Without a
    mapped cycle number, the number is the whole UTC seconds of the result time.
    """
    time = values.get(Role.RESULT_TIME)
    result_time = time if isinstance(time, datetime) else None
    if result_time is None and Role.RESULT_TIME in values:
        return None
    if not reading.counted:
        return None if result_time is None else Mark(int(result_time.timestamp()), result_time)
    number = values.get(Role.CYCLE_NUMBER)
    if isinstance(number, bool) or not isinstance(number, int | float):
        return None
    return Mark(round(number), result_time)


def scan_steps(
    reading: MapReading, state: ReadingState, taken_at: datetime, taken_mono_s: float
) -> Steps[tuple[Scan, ReadingState]]:
    """One poll: the scan, and the state to keep once the scan has been handed over."""
    told = yield from reading.live.scalars()
    live = told.values
    mark = mark_of(reading, live)
    body: CycleBody | None = None
    recent: tuple[RecentResult, ...] = ()
    after = state
    if mark is not None and state.awaits(mark):
        is_last_poll = state.unsettled_polls + 1 >= POLLS_PER_CYCLE
        body, mark = yield from body_steps(reading, mark, is_last_poll)
        if not state.awaits(mark):
            body = None  # the counter moved back while we read: that cycle is already known
        if body is None:
            after = replace(after, unsettled_polls=0 if is_last_poll else state.unsettled_polls + 1)
        else:
            skipped = state.last is not None and is_skip(reading, state.last, mark.cycle_number)
            after = state.with_body(mark, state.ring_due or skipped)
    # A ring read now would end at a cycle whose body is still to come; it waits for the body.
    if mark is not None and after.ring_due and not after.unsettled_polls:
        read = yield from ring_steps(reading, mark)
        if read is not None:
            recent = read
            after = replace(after, ring_due=False)
    # The pulse comes last: the cycle is told without it when it cannot be read.
    if body is not None and mark is not None and not body.torn:
        pulse, fault = yield from pulse_steps(reading, mark)
        body = replace(body, pulse=pulse)
        after = replace(after, pulse_fault=fault)
    return (
        Scan(
            reading.analyzer,
            taken_at,
            taken_mono_s,
            live,
            body,
            recent,
            told.statuses,
            told.times,
        ),
        after,
    )


def body_steps(
    reading: MapReading, before: Mark, is_last_poll: bool
) -> Steps[tuple[CycleBody | None, Mark]]:
    """The finished cycle's body, read while its number stood still, and the mark it has.

    before: the mark just read. None: not steady yet, look again at the next poll; on the last
    poll the body comes all the same, marked torn when the number moved, without a trace when the
    trace block still holds another cycle.
    """
    announced = before
    for _ in range(ATTEMPTS_PER_POLL):
        told = yield from reading.body.scalars()
        values = told.values
        trace, is_own_trace, of_trace = yield from trace_steps(reading, before)
        statuses = {**told.statuses, **of_trace}
        inside = mark_of(reading, values)
        after = mark_of(reading, (yield from read_scalars(reading.number)))
        if before == inside == after:
            # The block holds another cycle: milliseconds do not change that, a poll may.
            if is_own_trace or is_last_poll:
                body = CycleBody(
                    before.cycle_number,
                    values,
                    trace,
                    statuses=statuses,
                    source_times=told.times,
                )
                return body, before
            return None, before
        before = after or before
    if is_last_poll:
        body = CycleBody(announced.cycle_number, values, torn=True, statuses=statuses)
        return body, announced
    return None, before


def trace_steps(
    reading: MapReading, mark: Mark
) -> Steps[tuple[Trace | None, bool, Mapping[Role, str]]]:
    """The trace block, whether it belongs to the marked cycle (True when none is mapped), and
    what the server says of its arrays.

    The header is read before and after the arrays, because an analyzer may fill the block with
    the next cycle before it moves its number.
    """
    if reading.trace_arrays is None:
        return None, True, {}
    header: Mapping[Role, Scalar] = {}
    if reading.trace_header is not None:
        header = yield from read_scalars(reading.trace_header)
        if not _is_of(Role.TRACE_CYCLE, reading, header, mark):
            return None, False, {}
    told = _samples_told(Role.TRACE_LENGTH, header)
    arrays = yield from reading.trace_arrays.arrays(told)
    if reading.trace_header is not None:
        again = yield from read_scalars(reading.trace_header)
        if again != header:
            return None, False, {}
    return trace_from_block(header, arrays.values), True, arrays.statuses


def pulse_steps(reading: MapReading, mark: Mark) -> Steps[tuple[Pulse | None, str]]:
    """The fast pulse of the marked cycle, and why it could not be read; empty when it could.

    None when the block holds another cycle's, or began to hold one while it was read. A request
    that fails is no LinkError here: it costs the pulse, not the cycle.
    """
    if reading.pulse_header is None or reading.pulse_arrays is None:
        return None, ""
    try:
        header = yield from read_scalars(reading.pulse_header)
        if not _is_of(Role.PULSE_CYCLE, reading, header, mark):
            return None, ""
        told = _samples_told(Role.PULSE_LENGTH, header)
        arrays = yield from read_arrays(reading.pulse_arrays, told)
        again = yield from read_scalars(reading.pulse_header)
        after = mark_of(reading, (yield from read_scalars(reading.number)))
    except LinkError as error:
        return None, error.sentence
    if again != header or after != mark:
        return None, ""
    return pulse_from_block(header, arrays[Role.PULSE_PRESSURE]), ""


def _samples_told(role: Role, header: Mapping[Role, Scalar]) -> int | None:
    """How many samples a block has; None when the analyzer does not tell, 0 when unusable."""
    if role not in header:
        return None
    told = header[role]
    if isinstance(told, bool) or not isinstance(told, int | float):
        return 0
    return max(0, int(told))


def _is_of(role: Role, reading: MapReading, header: Mapping[Role, Scalar], mark: Mark) -> bool:
    """Without a counter to compare with, a block's own number tells nothing."""
    if role not in header or not reading.counted:
        return True
    return header[role] == mark.cycle_number


def ring_steps(reading: MapReading, mark: Mark) -> Steps[tuple[RecentResult, ...] | None]:
    """The ring of recent results, oldest first; None when the number never stood still.

    A result that is made during the reading costs another attempt, not the ring: the body read
    just before is handed over now, and what the ring holds before it could not be told later.
    """
    if reading.ring is None:
        return ()
    for _ in range(ATTEMPTS_PER_POLL):
        arrays = yield from read_arrays(reading.ring)
        after = mark_of(reading, (yield from read_scalars(reading.number)))
        if after == mark:
            return recent_results(
                arrays, mark.cycle_number, reading.first_number, reading.last_number
            )
        mark = after or mark
    return None


def read_scalars(group: Group) -> Steps[dict[Role, Scalar]]:
    """The values of a group of scalars alone."""
    return (yield from group.scalars()).values


def read_arrays(group: Group, elements: int | None = None) -> Steps[dict[Role, list[Scalar]]]:
    """The elements of a group of arrays alone. elements: how many of each are wanted."""
    return (yield from group.arrays(elements)).values

"""One device over two protocols: the cycles are the same.

The simulated device shows one and the same registers, as Modbus words and as OPC UA nodes; the
nodes are decoded by the simulator itself, which shares no code with the gateway.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.config import load_map
from edgeflash.config.load import EXAMPLE_MAPS
from edgeflash.config.node_map import NodeMap
from edgeflash.config.register_map import RegisterMap
from edgeflash.cycles.assembler import Assembler
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.node_reading import NodeQuery, prepare_nodes
from edgeflash.links.opcua_client import node_value
from edgeflash.links.opcua_values import NodeValue
from edgeflash.links.plan import Block
from edgeflash.links.reading import MapReading, ReadingState, prepare, scan_steps
from edgeflash.model import Cycle, Role, Scan
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import Fault, FaultKind, fault
from simulators.opcua_server import shown_values
from tests.simulated_line import EPOCH

REGISTERS = load_map(EXAMPLE_MAPS / "bench-cup.toml")
NODES = load_map(EXAMPLE_MAPS / "bench-cup-opcua.toml")
assert isinstance(REGISTERS, RegisterMap) and isinstance(NODES, NodeMap)

WORDLESS = (FaultKind.TORN,)
"""Torn on purpose by counting readings, of which the two protocols make different numbers."""

Answer = Callable[[Any], Any]


def node_of(role: Role) -> str:
    """The simulator's own name of a role's node, as "Folder.Name"."""
    assert isinstance(NODES, NodeMap)
    place = NODES.roles[role]
    if place.node is not None:
        return place.node.rpartition("Cup.")[2]
    steps = [step.rpartition(";")[2] for step in place.path or ()]
    start = [] if place.start is None else [place.start.rpartition("Cup.")[2]]
    return ".".join([*start, *steps]).removeprefix("Cup.")


def words_of(simulated: SimulatedAnalyzer) -> Answer:
    def answer(block: Block) -> list[int]:
        return simulated.image.read(block.table.value, block.address, block.count)

    return answer


def values_of(simulated: SimulatedAnalyzer) -> Answer:
    def answer(query: NodeQuery) -> list[NodeValue]:
        names = [node_of(role) for role in query.roles]
        shown = shown_values(simulated.image, names)
        return [node_value(shown[name]) for name in names]

    return answer


class Line:
    """One simulated device, read by one protocol, assembled into cycles."""

    def __init__(
        self, simulated: SimulatedAnalyzer, reading: MapReading, answer: Answer, span: Any
    ) -> None:
        self.simulated, self.reading, self.answer = simulated, reading, answer
        self.state = ReadingState(None)
        self.assembler = Assembler("kestrel-1", span)

    def poll(self, dt_s: float) -> tuple[Scan, tuple[Cycle, ...]]:
        self.simulated.advance(dt_s)
        now_s = self.simulated.simulated_s
        steps = scan_steps(self.reading, self.state, EPOCH + timedelta(seconds=now_s), now_s)
        try:
            wanted = next(steps)
            while True:
                wanted = steps.send(self.answer(wanted))
        except StopIteration as done:
            scan, self.state = done.value
        return scan, self.assembler.take(scan)


def both(seed: int, faults: list[Fault], start: int) -> tuple[Line, Line]:
    """The same device twice."""
    assert isinstance(REGISTERS, RegisterMap) and isinstance(NODES, NodeMap)
    one, other = (
        SimulatedAnalyzer("kestrel-1", seed=seed, faults=faults, start_number=start)
        for _ in range(2)
    )
    return (
        Line(one, prepare("kestrel-1", REGISTERS), words_of(one), REGISTERS.counter_span),
        Line(other, prepare_nodes("kestrel-1", NODES), values_of(other), NODES.counter_span),
    )


FAULTS = st.lists(
    st.builds(
        fault,
        st.sampled_from([kind for kind in FaultKind if kind not in WORDLESS]),
        st.integers(1, 4),
    ),
    max_size=3,
    unique_by=lambda one: (one.kind, one.from_cycle),
)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    faults=FAULTS,
    steps_s=st.lists(st.floats(0.5, 60.0), min_size=30, max_size=60),
    start=st.sampled_from([1, 65534]),
)
def test_the_same_device_gives_the_same_cycles(
    seed: int, faults: list[Fault], steps_s: list[float], start: int
) -> None:
    """Scans and cycles are equal: values, trace, pulse, ring, torn, phases, everything."""
    modbus, opcua = both(seed, faults, start)
    for dt_s in steps_s:
        (scan, cycles), (node_scan, node_cycles) = modbus.poll(dt_s), opcua.poll(dt_s)
        assert node_scan.live == scan.live
        assert node_scan.recent == scan.recent
        assert node_cycles == cycles
        assert all(cycle.statuses == {} for cycle in node_cycles)


def test_there_are_cycles_to_compare() -> None:
    """Three cycles of three, each with trace and pulse."""
    _, opcua = both(3, [], 1)
    found = [cycle for _ in range(600) for cycle in opcua.poll(1.0)[1]]
    assert [cycle.cycle_number for cycle in found] == [1, 2, 3]
    assert all(cycle.trace is not None and len(cycle.trace) > 100 for cycle in found)
    assert all(cycle.pulse is not None for cycle in found)


def test_a_pulse_that_cannot_be_read_costs_the_pulse() -> None:
    """As over Modbus: the cycle is told without it, and why."""
    _, opcua = both(3, [], 1)
    sound = opcua.answer

    def failing(query: NodeQuery) -> list[NodeValue]:
        if Role.PULSE_PRESSURE in query.roles:
            raise LinkError(LinkFault.OVERLOADED, "too many")
        values: list[NodeValue] = sound(query)
        return values

    simulated = opcua.simulated
    simulated.advance_to_next_result()
    steps = scan_steps(opcua.reading, ReadingState(None), EPOCH, 1.0)
    wanted = next(steps)
    with pytest.raises(StopIteration) as done:
        while True:
            try:
                answer = failing(wanted)
            except LinkError as error:
                wanted = steps.throw(error)
            else:
                wanted = steps.send(answer)
    scan, after = done.value.value
    assert scan.body is not None and scan.body.pulse is None and scan.body.trace is not None
    assert after.pulse_fault == "too many"


def test_a_number_that_moves_while_it_is_read_is_torn() -> None:
    """Every reading of nodes sees another number: rejected as torn after the third poll."""
    _, opcua = both(3, [], 1)
    opcua.simulated.advance_to_next_result()
    plain, count = opcua.answer, 0

    def moving(query: NodeQuery) -> list[NodeValue]:
        nonlocal count
        count += 1
        return [
            NodeValue(count) if role is Role.CYCLE_NUMBER else value
            for role, value in zip(query.roles, plain(query), strict=True)
        ]

    opcua.answer = moving
    bodies = [scan.body for scan, _ in (opcua.poll(0.01) for _ in range(3))]
    assert bodies[:2] == [None, None]
    assert bodies[2] is not None and bodies[2].torn

"""The fast pulse: read once with its cycle, never another's, and never at the cycle's cost."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.config.register_map import RegisterMap, Table
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.reading import Mark, ReadingState, prepare, scan_steps
from edgeflash.links.source import read_scan
from edgeflash.model import Pulse, Role, Scan
from tests.unit.links.image import PULSE_SAMPLES, START, AnalyzerImage, pulse_map

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
PULSE_REGISTERS = range(2000, 2100 + PULSE_SAMPLES)


def poll(
    image: AnalyzerImage, state: ReadingState, register_map: RegisterMap | None = None
) -> tuple[Scan, ReadingState]:
    """One poll of the image."""
    image.reads.clear()
    return image.play(scan_steps(prepare("cup", register_map or pulse_map()), state, NOW, 1.0))


def known(number: int) -> ReadingState:
    """A link that has handed over that cycle, and needs no ring."""
    return ReadingState(Mark(number, START + timedelta(minutes=number)), ring_due=False)


def pulse_of(number: int) -> Pulse:
    """What the image holds for a cycle: `number` kPa throughout, 0.5 ms apart."""
    return Pulse(0.0005, np.full(PULSE_SAMPLES - number % 7, float(number)))


def pulse_reads(image: AnalyzerImage) -> list[int]:
    """Addresses of the pulse that the last poll read, by request."""
    return [block.address for block in image.reads if block.address in PULSE_REGISTERS]


def test_the_pulse_comes_with_its_cycle_and_only_then() -> None:
    """After everything else of the scan, cut to its length; not again between cycles."""
    image = AnalyzerImage(7)
    scan, state = poll(image, ReadingState(None))
    assert scan.body is not None
    assert scan.body.pulse == pulse_of(7)
    assert scan.body.trace is not None
    assert [r.cycle_number for r in scan.recent] == [7]
    first = next(i for i, block in enumerate(image.reads) if block.address in PULSE_REGISTERS)
    others = [b.address for b in image.reads[first:] if b.address not in PULSE_REGISTERS]
    assert others == [0]  # the number, once more
    scan, state = poll(image, state)
    assert (scan.body, pulse_reads(image)) == (None, [])
    image.finish(8)
    scan, _ = poll(image, state)
    assert scan.body is not None
    assert scan.body.pulse == pulse_of(8)


def test_only_the_samples_told_are_read() -> None:
    """A short pulse in a long array costs one request for samples, not three."""
    image = AnalyzerImage(7)
    image.put(2001, (60).to_bytes(2, "big"))
    scan, _ = poll(image, known(6))
    assert scan.body is not None
    assert scan.body.pulse == Pulse(0.0005, np.full(60, 7.0))
    assert [a for a in pulse_reads(image) if a >= 2100] == [2100]


def test_a_sample_that_is_not_available_keeps_its_place() -> None:
    """The map says −32768 stands for none."""
    image = AnalyzerImage(7)
    image.put(2103, (0x8000).to_bytes(2, "big"))
    scan, _ = poll(image, known(6))
    assert scan.body is not None
    assert scan.body.pulse is not None
    assert np.flatnonzero(np.isnan(scan.body.pulse.pressure_kpa)).tolist() == [3]


def test_the_pulse_of_another_cycle_is_left() -> None:
    """The cycle comes at once, without it; its samples are not even read."""
    image = AnalyzerImage(7)
    image.finish_pulse(6)
    scan, state = poll(image, known(6))
    assert scan.body is not None
    assert scan.body.pulse is None
    assert not any(a >= 2100 for a in pulse_reads(image))
    assert state.pulse_fault == ""


@pytest.mark.parametrize(("without", "moved"), [([], 8), ([Role.PULSE_CYCLE], 14)])
def test_a_pulse_that_changes_while_it_is_read_is_not_used(without: list[Role], moved: int) -> None:
    """Its own number tells that the block is another's, or the cycle's that it may be.

    Cycles 7 and 14 have pulses of one length, so that without a number their headers are alike.
    """
    image = AnalyzerImage(7)

    def overwrite(_: int) -> None:
        if image.reads and image.reads[-1].address == 2100:
            image.finish_pulse(moved)
            if without:
                image.finish(moved)

    image.before_read = overwrite
    scan, state = poll(image, known(6), pulse_map(without))
    assert scan.body is not None
    assert (scan.body.cycle_number, scan.body.pulse) == (7, None)
    assert state.pulse_fault == ""


def test_without_its_own_number_the_pulse_is_the_last_results() -> None:
    """Where the map gives no pulse_cycle, or no cycle_number to compare it with."""
    image = AnalyzerImage(7)
    for without in ([Role.PULSE_CYCLE], [Role.CYCLE_NUMBER, Role.RECENT_NUMBER]):
        scan, _ = poll(image, ReadingState(None), pulse_map(without))
        assert scan.body is not None
        assert scan.body.pulse == pulse_of(7)


def test_a_map_without_a_pulse_reads_none() -> None:
    """Neither without samples nor without their interval."""
    image = AnalyzerImage(7)
    for role in (Role.PULSE_PRESSURE, Role.PULSE_INTERVAL):
        scan, _ = poll(image, known(6), pulse_map([role]))
        assert scan.body is not None
        assert (scan.body.pulse, pulse_reads(image)) == (None, [])


@settings(max_examples=100, deadline=None)
@given(moves=st.sets(st.integers(0, 60)), lag=st.integers(-4, 4), own_number=st.booleans())
def test_no_pulse_is_ever_anothers(moves: set[int], lag: int, own_number: bool) -> None:
    """Whenever the analyzer moves, an untorn cycle's pulse is its own, whole, or none.

    With a number of its own the block may change before or after the cycle's number; without
    one only together with it.
    """
    image = AnalyzerImage(7)
    register_map = pulse_map([] if own_number else [Role.PULSE_CYCLE])
    lag = lag if own_number else 0
    numbers = [7, 7]  # of the cycle, of the pulse
    clock = 0

    def before_read(_: int) -> None:
        nonlocal clock
        for which, due in enumerate((clock, clock - lag)):
            if due in moves:
                numbers[which] += 1
                if which == 0:
                    image.finish(numbers[0])
                image.finish_pulse(numbers[1])
        clock += 1

    image.before_read = before_read
    state, told = known(6), []
    while clock < 90:
        scan, state = poll(image, state, register_map)
        if scan.body is None or scan.body.torn:
            continue
        told.append(scan.body.cycle_number)
        if scan.body.pulse is not None:
            assert scan.body.pulse == pulse_of(scan.body.cycle_number)
    assert told == sorted(set(told))
    if not moves:
        assert scan.body is None and told == [7]


@pytest.mark.parametrize("fault", [LinkFault.NO_RESPONSE, LinkFault.ILLEGAL_ADDRESS])
@pytest.mark.parametrize("failing", [2000, 2100, 2225])
async def test_a_pulse_that_cannot_be_read_costs_no_cycle(fault: LinkFault, failing: int) -> None:
    """The cycle and the ring come in the same poll, once; why the pulse does not is kept."""
    image = AnalyzerImage(7)

    class Failing:
        """Refuses one block of the pulse until it is mended."""

        mended = False

        async def read(self, table: Table, address: int, count: int) -> list[int]:
            if not self.mended and address == failing:
                raise LinkError(fault, "no pulse today")
            return await image.read(table, address, count)

    source, reading = Failing(), prepare("cup", pulse_map())
    scan, state = await read_scan(source, reading, ReadingState(None), NOW, 1.0)
    assert scan.body is not None
    assert (scan.body.cycle_number, scan.body.pulse) == (7, None)
    assert scan.body.trace is not None
    assert scan.recent
    assert state.pulse_fault == "no pulse today"
    scan, state = await read_scan(source, reading, state, NOW, 2.0)
    assert (scan.body, state.pulse_fault) == (None, "no pulse today")
    source.mended = True
    image.finish(8)
    scan, state = await read_scan(source, reading, state, NOW, 3.0)
    assert scan.body is not None
    assert scan.body.pulse == pulse_of(8)
    assert state.pulse_fault == ""

"""Values that the control system writes, as they stand at an instant.

The store of all inputs: outlets write, workers read with every cycle. It belongs to one event
loop, reads no clock and tells nobody: instants come in as arguments, and `changes` says what is
worth a line in the log. Whatever a writer sends is kept; what cannot be trusted is kept as not
good, so that an older value never goes on looking good in its place.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import isfinite, isnan, nan

from edgeflash.config.site import Input
from edgeflash.model import InputReading
from edgeflash.trust import Trust
from edgeflash.units import UNITS, Quantity

LATEST_KEPT = 10
"""Values of a product's number kept between two looks, which are a second apart."""


class InputFault(StrEnum):
    """Why an input is not good; the first that holds. NONE: it is good."""

    NONE = "good"
    NEVER = "never written"
    NO_NUMBER = "not a number"
    OUT_OF_RANGE = "outside low to high"
    WRITER = "its writer says it is not good"
    STALE = "older than stale_s"


@dataclass(frozen=True, slots=True)
class Written:
    """The last write of an input. value: in the input's own unit. trust: what its writer said.

    at_mono_s: when the value came. source: outlet and address of the last writer.
    """

    value: float
    trust: Trust
    at_mono_s: float
    source: str


@dataclass(frozen=True, slots=True)
class InputStanding:
    """One input at an instant. value: in its own unit, NaN when there is none.

    trust: as its writer said. age_s: since the value came; None for a constant, and before any.
    """

    declared: Input
    value: float
    trust: Trust
    age_s: float | None
    fault: InputFault
    source: str = ""

    @property
    def is_good(self) -> bool:
        """True when it may be used."""
        return self.fault is InputFault.NONE


@dataclass(frozen=True, slots=True)
class InputChange:
    """What became of an input since the last look. value: its present one, in its own unit.

    told: the value at the last look. steps: how many times a value that differed was written
    since, and latest: the last of these values, at most LATEST_KEPT, oldest first; both for inputs
    that give a product's number only.
    """

    name: str
    before: InputFault
    now: InputFault
    told: float
    value: float
    steps: int
    source: str
    latest: tuple[float, ...] = ()


class InputStore:
    """The inputs of a site. product_inputs: ids of those that give a product's number."""

    def __init__(self, declared: Sequence[Input], product_inputs: Collection[str] = ()) -> None:
        self.declared = tuple(declared)
        self._written: dict[str, Written] = {}
        self._steps = dict.fromkeys(product_inputs, 0)
        self._latest = {name: deque[float](maxlen=LATEST_KEPT) for name in product_inputs}
        self._told = {
            one.id: (InputFault.NEVER if one.value is None else InputFault.NONE, nan)
            for one in self.declared
        }

    def write(self, name: str, value: float, trust: Trust, at_mono_s: float, source: str) -> None:
        """Takes a value in the input's own unit. A constant stays what it is."""
        before = self.written(name)
        if name in self._steps and not _same(value, before.value if before else nan):
            self._steps[name] += 1
            self._latest[name].append(value)
        self._written[name] = Written(value, trust, at_mono_s, source)

    def write_trust(self, name: str, trust: Trust, at_mono_s: float, source: str) -> None:
        """Takes what the writer thinks of the value that is there; it stays as old as it is."""
        before = self._written.get(name, Written(nan, trust, at_mono_s, source))
        self._written[name] = replace(before, trust=trust, source=source)

    def written(self, name: str) -> Written | None:
        """The last write; None before the first."""
        return self._written.get(name)

    def standing(self, declared: Input, now_mono_s: float) -> InputStanding:
        """One input as it stands now."""
        if declared.value is not None:
            return InputStanding(declared, declared.value, Trust.GOOD, None, InputFault.NONE)
        last = self._written.get(declared.id)
        if last is None:
            return InputStanding(declared, nan, Trust.BAD, None, InputFault.NEVER)
        age_s = max(0.0, now_mono_s - last.at_mono_s)
        fault = _fault(declared, last, age_s)
        return InputStanding(declared, last.value, last.trust, age_s, fault, last.source)

    def readings(self, now_mono_s: float) -> tuple[InputReading, ...]:
        """All inputs in inside units, in the order of the site file; never written: left out."""
        return tuple(
            InputReading(one.declared.id, inside(one.declared, one.value), one.is_good, one.age_s)
            for one in (self.standing(declared, now_mono_s) for declared in self.declared)
            if one.fault is not InputFault.NEVER
        )

    def silent(self, now_mono_s: float, since_mono_s: float) -> tuple[str, ...]:
        """What the declared heartbeats say of the control system, in words; empty: it is there.

        Only how long ago somebody wrote counts, not what. since_mono_s: when the gateway began to
        listen; one that was never written is silent since then.
        """
        found = []
        for one in self.declared:
            if not one.heartbeat:
                continue
            last = self._written.get(one.id)
            quiet_s = now_mono_s - (since_mono_s if last is None else last.at_mono_s)
            if quiet_s > one.stale_s:
                how = (
                    "was never written" if last is None else f"was last written {quiet_s:.0f} s ago"
                )
                found.append(f"heartbeat {one.id} {how}; more than {one.stale_s:g} s is silence")
        return tuple(found)

    def changes(self, now_mono_s: float) -> tuple[InputChange, ...]:
        """What changed since the last call: whether an input is good, and a product's number."""
        found = []
        for declared in self.declared:
            now = self.standing(declared, now_mono_s)
            before, told = self._told[declared.id]
            steps = self._steps.get(declared.id, 0)
            if now.fault is before and not steps:
                continue
            latest = tuple(self._latest.get(declared.id, ()))
            change = InputChange(
                declared.id, before, now.fault, told, now.value, steps, now.source, latest
            )
            found.append(change)
            self._told[declared.id] = (now.fault, now.value)
            if steps:
                self._steps[declared.id] = 0
                self._latest[declared.id].clear()
        return tuple(found)


def inside(declared: Input, value: float) -> float:
    """A value of the input's unit in the inside unit: °C for temperatures, 0 to 1 for shares."""
    unit = UNITS.get(declared.unit)
    if unit is None:
        return value
    return value / 100.0 if unit.quantity is Quantity.PERCENT else unit.to_inside(value)


def _fault(declared: Input, last: Written, age_s: float) -> InputFault:
    if not isfinite(last.value):
        return InputFault.WRITER if last.trust is Trust.BAD else InputFault.NO_NUMBER
    if (declared.low is not None and last.value < declared.low) or (
        declared.high is not None and last.value > declared.high
    ):
        return InputFault.OUT_OF_RANGE
    if last.trust is not Trust.GOOD:
        return InputFault.WRITER
    return InputFault.STALE if age_s > declared.stale_s else InputFault.NONE


def _same(a: float, b: float) -> bool:
    return a == b or (isnan(a) and isnan(b))

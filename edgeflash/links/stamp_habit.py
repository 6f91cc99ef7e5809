"""A server that stamps every sample, and then no longer does. Pure: the caller gives the time.

A number of a cycle moves once in minutes. Where its source time moves all the while although it
stands, the server stamps what it samples, not what changes; when the stamp then stands as well,
nobody samples any more, whatever the status says. On a server that stamps changes only there is no
such habit, and nothing is ever said. Other values cannot show one: what flickers and is back at the
next reading looks the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from edgeflash.links.opcua_values import GOOD, SEVERITY_SHIFT, NodeValue

HABIT_READINGS = 20
"""In a row, in each of which the stamp had moved and the number had not."""
STILL_S = 30.0
"""As long as a sign of life may stand still, by default."""
STILL_PAUSES = 10.0
"""And so many of the longest pause between two stamps while the habit showed."""
LAST_USABLE, LAST_USABLE_NAME = 0x40900000, "UncertainLastUsableValue"
"""OPC 10000-8, 6.3.1 (from memory): whatever was updating this value has stopped doing so."""


@dataclass(slots=True)
class StampHabit:
    """Watches the stamps of one analyzer's number, over all its connections."""

    _before: NodeValue | None = None
    _moved_mono_s: float = 0.0
    _run: int = 0
    _longest_s: float = 0.0
    _is_still: bool = False

    @property
    def is_still(self) -> bool:
        """True while nobody samples, as far as the last reading shows."""
        return self._is_still

    def note(self, number: NodeValue, now_mono_s: float) -> None:
        """Takes one reading of the number."""
        before, self._before = self._before, number
        if before is None or number.source_time is None or before.source_time is None:
            self._run, self._is_still, self._moved_mono_s = 0, False, now_mono_s
            return
        pause_s = now_mono_s - self._moved_mono_s
        if number.source_time != before.source_time:
            self._moved_mono_s = now_mono_s
            if self._is_still and number.value != before.value:
                self._run = 0  # somebody samples after all: the habit is another one now
            elif number.value == before.value and self._run < HABIT_READINGS:
                self._run += 1
                self._longest_s = pause_s if self._run == 1 else max(self._longest_s, pause_s)
            self._is_still = False
        elif self._run < HABIT_READINGS:
            self._run = 0
        else:
            self._is_still = pause_s > max(STILL_S, STILL_PAUSES * self._longest_s)

    def judged(self, value: NodeValue) -> NodeValue:
        """A value as it may be used now: while nobody samples, the last usable one."""
        if not self._is_still or value.status >> SEVERITY_SHIFT != GOOD or self._is_newer(value):
            return value
        return replace(value, status=LAST_USABLE, name=LAST_USABLE_NAME)

    def _is_newer(self, value: NodeValue) -> bool:
        """Whether its own stamp shows that it has been sampled since."""
        last = self._before.source_time if self._before is not None else None
        if last is None or value.source_time is None:
            return False
        return (value.source_time - last).total_seconds() > STILL_S

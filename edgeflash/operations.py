"""What may be asked of a running gateway, whoever asks: OPC UA methods, commands, signal check.

The gateway implements it; outlets and the operator's socket only call it.
"""

from __future__ import annotations

from typing import Protocol

from edgeflash.access import Who
from edgeflash.model import AlarmState
from edgeflash.publication import TestSignal

LONGEST_DECLARED_MIN = 24 * 60.0
"""A declared maintenance or check sample ends by itself after this at the latest."""

LONGEST_TEST_S = 600.0
"""A test signal ends by itself after this at the latest."""


class Operations(Protocol):
    """Each is authorised by `access.demand`, recorded in the event record with who and when, and
    raises OperationRefusedError (with words for people) when it is not done. analyzer: its id."""

    async def acknowledge(
        self, analyzer: str, alarm: str, who: Who, because: str = ""
    ) -> AlarmState:
        """Takes note of an alarm; the state it is in then."""

    async def comment(self, analyzer: str, alarm: str, who: Who, text: str) -> None:
        """Records what somebody says of an alarm; nothing else changes."""

    async def maintenance(
        self, analyzer: str, minutes: float | None, who: Who, because: str = ""
    ) -> None:
        """Declares maintenance for so many minutes (0 < minutes <= LONGEST_DECLARED_MIN), anew
        when it runs already; None ends it."""

    async def check_sample(
        self, analyzer: str, minutes: float | None, who: Who, because: str = ""
    ) -> None:
        """Declares that a check sample is measured; None ends it."""

    async def test_signal(
        self, analyzer: str, point: str, signal: TestSignal, seconds: float, who: Who
    ) -> None:
        """Shows a test value in place of a point, in every outlet, for 0 < seconds <=
        LONGEST_TEST_S; anew when one of the same person is shown already."""

    async def end_test(self, analyzer: str, point: str | None, who: Who) -> None:
        """Ends the test of a point, or (None) every test of the analyzer. No test: no error."""

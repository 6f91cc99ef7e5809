"""Shows test values through the operator's socket, and takes them back whatever happens.

A test has a lease in the gateway, renewed every few seconds: when this process dies, the gateway
ends the test by itself.
"""

from __future__ import annotations

import threading
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from edgeflash.alarms.asking import (
    GatewayError,
    GatewayNotReachedError,
    GatewayRefusedError,
    ask,
)
from edgeflash.signal_check.plan import Step

LEASE_S = 6.0
RENEW_EVERY_S = 1.5


class Driver:
    """Drives the tests of one analyzer, one at a time. Leaving it ends the last, and nobody else's.

    restored: what became of the last test value, in words, once it is left.
    """

    def __init__(self, socket_path: Path, analyzer: str, seconds: float) -> None:
        self._path = socket_path
        self._analyzer = analyzer
        self._seconds = seconds
        self._lock = threading.Lock()
        self._shown: str | None = None
        self._may_stand: str | None = None
        """The point that the gateway may show for us, also when its answer was lost."""
        self._has_driven = False
        self._ended = ""
        self._leaving = threading.Event()
        self._thread = threading.Thread(target=self._renew_for_ever, name="lease", daemon=True)
        self.restored = ""

    def demand(self) -> None:
        """Raises GatewayError when no gateway answers, or it lets this person drive no tests."""
        self._ask({"do": "renew_test"})

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._leaving.set()
        self._thread.join()
        if not self._has_driven:
            self.restored = "No test value was shown."
            return
        try:
            self._end_own()
            self.restored = "Every test value was taken back at the end."
        except GatewayError as failure:
            self.restored = (
                f"The gateway could not be asked to take back the last test value ({failure}); a "
                f"running gateway ends it within {LEASE_S:g} s by itself."
            )

    def show(self, step: Step) -> None:
        """Shows a step's value in every outlet, in place of the last one's. Raises GatewayError."""
        value = step.value.isoformat() if isinstance(step.value, datetime) else step.value
        with self._lock:
            if self._may_stand != step.point:
                self._end_own()
            request: dict[str, object] = {
                "do": "test_signal",
                "point": step.point,
                "value": value,
                "quality": step.quality.name.lower(),
                "seconds": self._seconds,
                "lease_s": LEASE_S,
            }
            before = (self._may_stand, self._has_driven)
            self._shown, self._may_stand, self._has_driven = None, step.point, True
            try:
                self._ask(request)
            except (GatewayRefusedError, GatewayNotReachedError):
                self._may_stand, self._has_driven = before
                raise
            self._shown, self._ended = step.point, ""

    def ended(self) -> str:
        """Why the value that should be shown is not shown any more; empty when it is."""
        with self._lock:
            if self._shown is not None:
                self._renew()
            return self._ended

    def _end_own(self) -> None:
        if self._may_stand is not None:
            self._ask({"do": "end_test", "point": self._may_stand, "only_own": True})
            self._may_stand = None

    def _renew(self) -> None:
        try:
            reply = self._ask({"do": "renew_test", "point": self._shown})
        except GatewayError as error:
            self._ended = str(error)
            return
        points = reply.get("points")
        if not isinstance(points, list) or self._shown not in points:
            self._ended = "the gateway has ended the test: its time is over, or an alarm was raised"

    def _renew_for_ever(self) -> None:
        while not self._leaving.wait(RENEW_EVERY_S):
            with self._lock:
                if self._shown is not None and not self._ended:
                    self._renew()

    def _ask(self, request: dict[str, object]) -> dict[str, object]:
        return ask(self._path, {"analyzer": self._analyzer, **request})

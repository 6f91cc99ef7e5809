"""How often something may be done at a stranger's instance: a burst, then a steady few."""

from __future__ import annotations

import time
from collections.abc import Callable


class Bucket:
    """`burst` at once, then one each `every_s`."""

    def __init__(
        self, burst: int, every_s: float = 1.0, mono_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._burst, self._every_s, self._mono_s = burst, every_s, mono_s
        self._left, self._at_s = float(burst), mono_s()

    def take(self) -> bool:
        """True when it may be done once more now."""
        now_s = self._mono_s()
        self._left = min(self._burst, self._left + (now_s - self._at_s) / self._every_s)
        self._at_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True

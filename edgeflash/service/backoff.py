"""When to try again: the delay before a reconnect, and the next slot of a fixed cadence. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable


def backoff_s(attempt: int, first_s: float, max_s: float, random: Callable[[], float]) -> float:
    """Seconds to wait after failed attempt number `attempt` (0 is the first).

    The ceiling doubles from first_s to max_s; the delay is drawn between half the ceiling and the
    ceiling, so that gateways restarted together do not come back together. random: 0 ≤ x < 1.
    """
    # 2^32 s is past every max_s; without the bound the power itself would overflow in time.
    ceiling_s = min(max_s, first_s * 2.0 ** min(attempt, 32))
    return ceiling_s * (0.5 + 0.5 * random())


def next_slot_s(last_slot_s: float, period_s: float, now_s: float) -> float:
    """The first slot after now on the grid last_slot_s + k × period_s, k ≥ 1.

    Slots that passed while the work ran are left out, not made up for; the grid never drifts.
    """
    passed = math.floor((now_s - last_slot_s) / period_s)
    slot_s = last_slot_s + max(1, passed + 1) * period_s
    # The quotient is rounded: one more step where it fell on the wrong side of a slot.
    return slot_s if slot_s > now_s else slot_s + period_s

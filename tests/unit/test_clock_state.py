"""What the kernel's answer means. Source: adjtimex(2) of the Linux manual pages: the status bit
STA_UNSYNC (0x0040 in linux/timex.h), the returned TIME_ERROR (5), errors in microseconds."""

from __future__ import annotations

import pytest

from edgeflash.clock_state import ClockState, Synchronisation, of_kernel

STA_PLL, STA_UNSYNC, STA_INS, STA_NANO = 0x0001, 0x0040, 0x0010, 0x2000
TIME_OK, TIME_INS, TIME_OOP, TIME_WAIT, TIME_ERROR = 0, 1, 3, 4, 5


@pytest.mark.parametrize(
    ("returned", "status"), [(TIME_OK, STA_PLL), (TIME_OK, STA_PLL | STA_NANO), (TIME_INS, STA_INS)]
)
def test_a_kept_clock_has_errors(returned: int, status: int) -> None:
    """Bound and estimate in seconds, rounded up to a hundredth: never shown better than told."""
    expected = ClockState(Synchronisation.SYNCHRONISED, 0.03, 0.01)
    assert expected == of_kernel(returned, status, 20_001, 1)
    exact = ClockState(Synchronisation.SYNCHRONISED, 0.02, 0.0)
    assert exact == of_kernel(returned, status, 20_000, 0)


@pytest.mark.parametrize("returned", [TIME_OOP, TIME_WAIT])
def test_a_leap_second_leaves_the_clock_synchronised(returned: int) -> None:
    """While the second is inserted and after it the call returns TIME_OOP, TIME_WAIT."""
    state = of_kernel(returned, STA_PLL | STA_INS, 5_000, 1_000)
    assert Synchronisation.SYNCHRONISED is state.synchronisation


@pytest.mark.parametrize(
    ("returned", "status"),
    [(TIME_ERROR, STA_UNSYNC), (TIME_ERROR, STA_PLL), (TIME_OK, STA_PLL | STA_UNSYNC)],
)
def test_a_clock_left_alone_has_no_error_known(returned: int, status: int) -> None:
    """Either sign suffices, and the kernel's 16 s are no bound any more."""
    assert ClockState(Synchronisation.NOT_SYNCHRONISED) == of_kernel(
        returned, status, 16_000_000, 16_000_000
    )

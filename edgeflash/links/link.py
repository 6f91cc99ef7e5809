"""What every link to an analyzer offers, whatever it speaks."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Never, Protocol, TypeAlias

from edgeflash.link_figures import LinkFigures
from edgeflash.model import Scan
from edgeflash.publication import LinkState

OnScan: TypeAlias = Callable[[Scan], Awaitable[None]]
OnState: TypeAlias = Callable[[LinkState, str], None]


class Link(Protocol):
    """The connection to one analyzer: it reads, hands over scans, and comes back by itself."""

    @property
    def answered_mono_s(self) -> float | None:
        """When the analyzer last answered anything, on the monotonic clock."""

    @property
    def figures(self) -> LinkFigures:
        """What its requests came to so far, and how fast it answers."""

    async def run(self, on_scan: OnScan, on_state: OnState) -> Never:
        """Read until cancelled. on_state is called for another state, and in one state for a cause
        that is new since it came into it; before the scan.

        Each scan is awaited before the next is read. What on_scan raises ends the run.
        """
        ...

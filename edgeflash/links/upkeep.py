"""What every link does beside reading: tells its state once, and waits after failures."""

from __future__ import annotations

import random

import structlog

from edgeflash.config.site import Analyzer
from edgeflash.links.errors import LinkFault
from edgeflash.links.link import OnState
from edgeflash.links.reading import ReadingState
from edgeflash.publication import LinkState
from edgeflash.service.backoff import backoff_s

_log = structlog.get_logger(__name__)


class Upkeep:
    """Of one link. failures: attempts that failed since it last worked."""

    def __init__(self, analyzer: Analyzer) -> None:
        self._analyzer = analyzer
        self._state: LinkState | None = None
        self._told: set[LinkFault | None] = set()
        self.failures = 0

    def is_told(self, state: LinkState, cause: LinkFault | None = None) -> bool:
        """True when it is in this state, and this cause of it has been told."""
        return state is self._state and cause in self._told

    def show(
        self, on_state: OnState, state: LinkState, sentence: str, cause: LinkFault | None = None
    ) -> None:
        """Tells another state, and in the same state a cause that is new since it came into it.

        So who trusts a certificate reads that the password is wrong, and not the old complaint; and
        an analyzer that fails now this way, now that, does not fill the log.
        """
        if self.is_told(state, cause):
            return
        if state is not self._state:
            self._told.clear()
        self._state = state
        self._told.add(cause)
        on_state(state, sentence)

    def works(self, on_state: OnState, sentence: str) -> None:
        """A poll succeeded."""
        self.failures = 0
        self.show(on_state, LinkState.UP, sentence)

    def next_backoff_s(self) -> float:
        """How long to wait after one more failure."""
        analyzer = self._analyzer
        delay_s = backoff_s(
            self.failures, analyzer.backoff_first_s, analyzer.backoff_max_s, random.random
        )
        self.failures += 1
        return delay_s

    def tell_pulse(self, before: ReadingState, after: ReadingState) -> None:
        """Says once when the fast pulse cannot be read, and once when it can again."""
        if after.pulse_fault and not before.pulse_fault:
            _log.warning("pulse_unreadable", analyzer=self._analyzer.id, why=after.pulse_fault)
        if before.pulse_fault and not after.pulse_fault:
            _log.info("pulse_readable_again", analyzer=self._analyzer.id)

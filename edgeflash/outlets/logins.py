"""Logging in by name and password: a few at a time, slower after each failure, and recorded.

A name that is not there costs what a wrong password costs. Nothing here stores a password.
"""

from __future__ import annotations

import asyncio
from collections import Counter, OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

import structlog

from edgeflash.access import UserRole
from edgeflash.errors import EdgeflashError
from edgeflash.outlets.refusals import Refusals
from edgeflash.service.certificates import printable
from edgeflash.service.users import UserFile

MOST_AT_ONCE = 2
"""Verifications; each takes 64 MiB for a tenth of a second."""
MOST_WAITING = 16
"""Beyond that an address with several makes room for one with fewer, and who waits for earlier
failures for who has none: a few addresses that guess passwords must keep nobody else out."""
MOST_WAITING_EACH = 4
"""Of one address."""
MOST_KEPT = 1024
"""Addresses, and names, whose failures are remembered; beyond that the longest unused goes."""
MOST_NAME = 256
FIRST_DELAY_S = 0.5
LONGEST_S = {"peer": 8.0, "user": 4.0}
"""Shorter than a session waits for its log-in. For a name shorter still, and never refused for it:
who knows a name could else keep its owner out."""
FORGOTTEN_S = 900.0

_log = structlog.get_logger(__name__)

LoginFailed = Callable[[str, str], None]
"""Told of each failed log-in: the user name as claimed (cleaned), and the client's address."""


@dataclass(slots=True)
class _Past:
    failures: int
    failed_mono_s: float
    free_mono_s: float


class Throttle:
    """How long a log-in must wait because of earlier failures. Pure: the caller gives the time."""

    def __init__(self) -> None:
        self._past: OrderedDict[tuple[str, str], _Past] = OrderedDict()

    def __len__(self) -> int:
        return len(self._past)

    def wait_s(self, user: str, peer: str, now_mono_s: float) -> float | None:
        """Seconds until this attempt may be verified, which takes its turn by asking.

        None: too many are before it; it is to be refused at once.
        """
        waits = []
        for key in (("peer", peer), ("user", user)):
            past = self._past.get(key)
            if past is not None and now_mono_s - past.failed_mono_s < FORGOTTEN_S:
                wait_s = max(0.0, past.free_mono_s - now_mono_s)
                if key[0] == "peer" and wait_s > LONGEST_S["peer"]:
                    return None
                waits.append((past, min(wait_s, LONGEST_S[key[0]]), _delay_s(*key, past.failures)))
        longest_s = max((wait_s for _, wait_s, _ in waits), default=0.0)
        for past, _, delay_s in waits:
            past.free_mono_s = now_mono_s + longest_s + delay_s
        return longest_s

    def failed(self, user: str, peer: str, now_mono_s: float) -> None:
        """One more failure of this name and from this address."""
        for key in (("peer", peer), ("user", user)):
            past = self._past.pop(key, None)
            if past is None or now_mono_s - past.failed_mono_s >= FORGOTTEN_S:
                past = _Past(0, now_mono_s, now_mono_s)
            past.failures += 1
            past.failed_mono_s = now_mono_s
            free_s = now_mono_s + _delay_s(*key, past.failures)
            past.free_mono_s = max(past.free_mono_s, free_s)
            self._past[key] = past
            while len(self._past) > 2 * MOST_KEPT:
                self._past.popitem(last=False)

    def succeeded(self, user: str) -> None:
        """Forgets the failures of a name. Those of the address stay: it may be trying others."""
        self._past.pop(("user", user), None)


@dataclass(slots=True, eq=False)
class Place:
    """Where one log-in waits. lost: it had to make room."""

    peer: str
    is_delayed: bool
    lost: bool = False


class Places:
    """The log-ins that wait, shared among their addresses. Pure."""

    def __init__(self) -> None:
        self._taken: list[Place] = []

    def __len__(self) -> int:
        return len(self._taken)

    def take(self, peer: str, is_delayed: bool) -> Place | None:
        """A place for one more of this address; None when it has its share, or all have."""
        each = Counter(place.peer for place in self._taken)
        if each[peer] >= MOST_WAITING_EACH:
            return None
        if len(self._taken) >= MOST_WAITING:
            # Of the address with the most places the newest; of equals, one that is delayed.
            last = max(
                reversed(self._taken), key=lambda place: (each[place.peer], place.is_delayed)
            )
            has_more = each[last.peer] > each[peer] + 1
            gives_way = last.is_delayed and not is_delayed and each[last.peer] > each[peer]
            if not (has_more or gives_way):
                return None
            last.lost = True
            self._taken.remove(last)
        place = Place(peer, is_delayed)
        self._taken.append(place)
        return place

    def leave(self, place: Place) -> None:
        """Its log-in is over."""
        if not place.lost:
            self._taken.remove(place)


def _delay_s(kind: str, _key: str, failures: int) -> float:
    return min(FIRST_DELAY_S * 2.0 ** min(failures - 1, 10), LONGEST_S[kind])


class LogIns:
    """Verifies names and passwords against the users' file.

    mono_s, sleep: the clock, and how to wait by it. on_failed is told of each failure, and once an
    hour of an address that tries too often at once; it must not raise.
    """

    def __init__(
        self,
        users: UserFile,
        mono_s: Callable[[], float],
        on_failed: LoginFailed | None = None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._users = users
        self._mono_s = mono_s
        self._on_failed = on_failed
        self._sleep = sleep
        self._throttle = Throttle()
        self._at_once = asyncio.Semaphore(MOST_AT_ONCE)
        self._places = Places()
        self._crowds = Refusals(mono_s)

    async def log_in(self, name: str, password: str, peer: str) -> UserRole | None:
        """The role of this user, or None when name and password are not right, or not verified.

        peer: the client's address, without its port.
        """
        shown, name = printable(name, most=64), name[:MOST_NAME]
        wait_s = self._throttle.wait_s(name, peer, self._mono_s())
        place = None if wait_s is None else self._places.take(peer, wait_s > 0.0)
        if wait_s is None or place is None:
            self._refuse(shown, peer)
            return None
        try:
            if wait_s > 0.0:
                await self._sleep(wait_s)
            async with self._at_once:
                if place.lost:
                    self._refuse(shown, peer)
                    return None
                role = await asyncio.to_thread(self._users.verify, name, password)
        except EdgeflashError as error:
            _log.error("users_unreadable", why=str(error))
            self._say_failed(shown, peer, "the users' file cannot be read")
            return None
        finally:
            self._places.leave(place)
        if role is None:
            self._throttle.failed(name, peer, self._mono_s())
            self._say_failed(shown, peer, "unknown user or wrong password")
            return None
        self._throttle.succeeded(name)
        return role

    def _refuse(self, shown: str, peer: str) -> None:
        if self._crowds.note(peer) is not None:  # a flood must not fill log and records
            self._say_failed(shown, peer, "too many attempts at once")

    def _say_failed(self, shown: str, peer: str, why: str) -> None:
        _log.warning("login_failed", user=shown, peer=peer, why=why)
        if self._on_failed is not None:
            self._on_failed(shown, peer)

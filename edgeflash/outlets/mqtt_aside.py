"""Messages that a broker refuses again and again, set aside so that those after them go on.

Only for reasons of the message itself. What is set aside is listed in the journal before its place
is passed, and the journal keeps its entry: it is owed until the broker has it or somebody gives it
up.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime

import structlog

from edgeflash.errors import StorageError
from edgeflash.journal import Journal, JournalReader

OWN_LIMIT = 0
"""In place of a reason code: the broker's own largest packet, by which we do not even send it."""

OF_THE_TOPIC = frozenset({OWN_LIMIT, 0x90, 0x95, 0x99})
"""Topic name invalid, packet too large, payload format invalid (MQTT 5.0, 2.4): about this message,
and about the next one just like it."""

OF_THE_MESSAGE = OF_THE_TOPIC | {0x83}
"""With implementation specific error, which says nothing; brokers use it for rules of their own
about payloads. All others (busy, not authorized, quota, unspecified) concern every message."""

TRIES = 3
"""Before a message is set aside it is offered so often at least, and for `set_aside_after_s`."""

MOST_ASIDE = 1000
"""Set aside of one stream; with more, it waits as for any other reason."""

_PREFIX, _EVENTS = "mqtt-aside:", "events:mqtt-aside:"
_LONGEST_WHY = 300

log = structlog.get_logger("edgeflash.mqtt")


@dataclass(frozen=True, slots=True)
class SetAside:
    """One message. number: of its entry in the journal; id: of the result, or the event's number.

    code: the broker's reason code, or OWN_LIMIT; at: when it was set aside, UTC.
    """

    number: int
    id: str
    topic: str
    code: int
    why: str
    at: datetime


def state_key(consumer: str) -> str:
    """Under which the journal keeps the list of a consumer."""
    return f"mqtt set aside {consumer}"


def keeper_of(consumer: str) -> str:
    """The consumer that keeps the journal from dropping what is set aside of this one."""
    if consumer.startswith("events:mqtt:"):
        return _EVENTS + consumer.removeprefix("events:mqtt:")
    return _PREFIX + consumer.removeprefix("mqtt:")


def keepers(journal: JournalReader) -> tuple[str, ...]:
    """All of them that there are now. Raises StorageError."""
    return tuple(name for name in journal.positions() if name.startswith((_PREFIX, _EVENTS)))


def let_go(journal: Journal, in_force: Sequence[str]) -> int:
    """Forgets what was set aside for consumers that are no more; how many messages.

    Blocks. Raises StorageError.
    """
    known = {keeper_of(consumer) for consumer in in_force}
    gone = 0
    for keeper in keepers(journal):
        if keeper not in known:
            consumer = keeper.replace("mqtt-aside:", "mqtt:", 1)
            gone += len(_decoded(journal.states().get(state_key(consumer), "[]")))
            journal.put_state(state_key(consumer), "[]")
            journal.retire(keeper)
    return gone


class AsideList:
    """What one stream has set aside. A StorageError changes nothing."""

    def __init__(self, journal: Journal, consumer: str) -> None:
        self._journal = journal
        self._consumer = consumer
        self._entries: dict[int, SetAside] = {}
        self._writing = asyncio.Lock()

    @property
    def entries(self) -> tuple[SetAside, ...]:
        """In the order of the journal."""
        return tuple(self._entries[number] for number in sorted(self._entries))

    def __contains__(self, number: int) -> bool:
        return number in self._entries

    @property
    def is_full(self) -> bool:
        """No more can be set aside."""
        return len(self._entries) >= MOST_ASIDE

    def get(self, number: int) -> SetAside | None:
        """The message of this number, if it is set aside."""
        return self._entries.get(number)

    def load(self) -> None:
        """Takes what the journal keeps. Blocks. What cannot be read is told and let go."""
        try:
            text = self._journal.states().get(state_key(self._consumer), "[]")
            self._entries = {entry.number: entry for entry in _decoded(text)}
        except StorageError as error:
            log.error("what was set aside is lost", consumer=self._consumer, why=str(error))

    async def put(self, entry: SetAside) -> None:
        """Adds it, or replaces what was known of it; on disk when this returns."""
        async with self._writing:
            await self._keep({**self._entries, entry.number: entry})

    async def drop(self, numbers: Sequence[int]) -> None:
        """Takes them out."""
        async with self._writing:
            await self._keep({n: e for n, e in self._entries.items() if n not in numbers})

    async def _keep(self, entries: dict[int, SetAside]) -> None:
        await asyncio.to_thread(self._write, entries)
        self._entries = entries

    def _write(self, entries: dict[int, SetAside]) -> None:
        keeper = keeper_of(self._consumer)
        if entries:
            # First, so that no moment lets the journal drop what is listed.
            self._journal.advance(keeper, min(entries) - 1)
        text = json.dumps([{**asdict(e), "at": e.at.isoformat()} for e in entries.values()])
        self._journal.put_state(state_key(self._consumer), text)
        if not entries:
            self._journal.retire(keeper)


def _decoded(text: str) -> list[SetAside]:
    try:
        return [
            SetAside(
                int(tree["number"]),
                str(tree["id"]),
                str(tree["topic"]),
                int(tree["code"]),
                str(tree["why"])[:_LONGEST_WHY],
                datetime.fromisoformat(tree["at"]).astimezone(UTC),
            )
            for tree in json.loads(text)
        ]
    except (ValueError, TypeError, KeyError) as error:
        raise StorageError(f"what was set aside cannot be read: {text[:80]!r}") from error

"""The MQTT outlet under the campaign of kills. Peers: mosquitto and mosquitto_sub."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from tests.faults.crash.stages import Ended, Stage
from tests.peers.broker import Broker, Subscriber, broker, subscriber
from tests.waiting import until

PATIENCE_S = 120.0


class Mqtt(Stage):
    """Every result goes to a real broker, and from there to a subscriber with QoS 1."""

    name = "MQTT"
    points = ("write", "commit", "after_commit")

    def __init__(self) -> None:
        self._broker: Broker | None = None
        self._listener: Subscriber | None = None
        self._told = Counter[str]()

    @contextmanager
    def around(self, folder: Path) -> Iterator[None]:
        """mosquitto and mosquitto_sub."""
        settings = ("allow_anonymous true", "max_queued_messages 0")
        with broker(folder / "broker", *settings) as self._broker:
            asyncio.run(self._broker.start())
            with subscriber(self._broker.port, folder / "heard") as self._listener:
                asyncio.run(self._subscribed())
                yield

    async def _subscribed(self) -> None:
        await until(
            lambda: self._broker is not None and "Received SUBSCRIBE" in self._broker.log,
            PATIENCE_S,
        )

    def lines(self) -> str:
        """The outlet; it tries again soon."""
        assert self._broker is not None
        return "\n".join(
            (
                *("[[mqtt]]", 'id = "panel"', 'host = "127.0.0.1"', f"port = {self._broker.port}"),
                *("tls = false", 'start_from = "journal"', "backoff_first_s = 0.2"),
            )
        )

    def has_reached(self, newest: Mapping[str, int]) -> bool:
        """The newest of each was heard; what was before it came before it."""
        assert self._listener is not None
        heard = {str(d["id"]) for d in self._listener.documents("results")}
        return {f"{analyzer}/0/{number}" for analyzer, number in newest.items()} <= heard

    def wrong(self, ended: Ended) -> list[str]:
        """Every cycle at least once, and no other; what comes again has the same id."""
        assert self._listener is not None
        self._told = Counter(str(d["id"]) for d in self._listener.documents("results"))
        wanted = {f"{analyzer}/{epoch}/{number}" for analyzer, epoch, number in ended.made}
        missing = sorted(wanted - self._told.keys())
        analyzers = {analyzer for analyzer, _, _ in ended.made}
        strange = [i for i in self._told if i.split("/")[0] not in analyzers]
        return [f"never heard: {missing[:10]}"] * bool(missing) + [
            f"no id of ours: {one}" for one in strange
        ]

    def told(self) -> str:
        """How much came more than once."""
        return f"{len(self._told)} results heard, {self._told.total() - len(self._told)} repeats"

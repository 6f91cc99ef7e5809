"""One session with a broker, from the TCP connection to its end; it never waits for ever."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import aiomqtt
from paho.mqtt.reasoncodes import ReasonCode

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.outlets.mqtt_client import Client
from edgeflash.outlets.mqtt_errors import (
    REFUSED_FROM,
    BrokerNotTrustedError,
    BrokerRefusedError,
    BrokerUnreachableError,
    MqttOutletError,
    PublishRefusedError,
)
from edgeflash.outlets.mqtt_message import Message
from edgeflash.outlets.mqtt_socket import connected_socket

LAST_WORDS_S = 0.5
"""For the broker to close after we said goodbye."""


class Session:
    """What can be done while a session stands. All raise SessionLostError once it does not.

    sent: messages that the broker has taken.
    """

    def __init__(self, client: Client, entry: MqttEntry) -> None:
        self._client = client
        self._entry = entry
        self._room = asyncio.Semaphore(client.most_under_way)
        self.sent = 0

    @property
    def most_under_way(self) -> int:
        """Messages that may be under way at once; a stream should leave room for the others."""
        return self._client.most_under_way

    async def publish(self, message: Message) -> None:
        """Returns when the broker has it (QoS 1), or when it is on its way (QoS 0).

        Waits for room first: that is the back-pressure. Raises PublishRefusedError when the broker
        did not take it; without an answer within timeout_s the session is given up.
        """
        await (await self.post(message))

    async def post(self, message: Message) -> asyncio.Future[None]:
        """Hands a message over as soon as there is room, in the order of the calls, and gives what
        `publish` would wait for. Raises as `publish`, but for what only the answer can tell."""
        most = self._client.most_bytes
        if most is not None and message.most_bytes > most:
            why = f"its {message.most_bytes} bytes are more than the {most} that it allows"
            raise PublishRefusedError(message.topic, why)
        await self._room.acquire()
        try:
            answered = self._client.post(message)
        except BaseException:
            self._room.release()
            raise
        answered.add_done_callback(self._answered)
        return answered

    def _answered(self, answered: asyncio.Future[None]) -> None:
        self._room.release()
        if not answered.cancelled() and answered.exception() is None:
            self.sent += 1

    async def subscribe(self, topic: str, qos: int = 1) -> None:
        """Asks for messages. Raises BrokerRefusedError when the broker will not send them."""
        self._client.check()
        try:
            answers = await self._client.subscribe(topic, qos=qos)
        except aiomqtt.MqttError as error:
            self.give_up(f"a subscription was not answered: {error}")
            raise BrokerRefusedError(
                f"{self._entry.broker} did not answer a subscription: {error}"
            ) from error
        for answer in answers:
            code = answer.value if isinstance(answer, ReasonCode) else answer
            if code >= REFUSED_FROM:
                raise BrokerRefusedError(
                    f"{self._entry.broker} does not let us subscribe to {topic}: {answer}"
                )

    async def messages(self) -> AsyncIterator[Message]:
        """What the broker sends, in order. Ends by SessionLostError only."""
        while True:
            yield await self._client.received()

    async def ended(self) -> None:
        """Returns when the session has ended."""
        await self._client.lost.wait()

    async def goodbye(self) -> None:
        """Ends the session so that our will is not published; takes LAST_WORDS_S at most."""
        await self._client.leave(LAST_WORDS_S)

    def give_up(self, why: str) -> None:
        """Ends the session without a goodbye, so that the broker publishes our will."""
        self._client.lose(why)

    def check(self) -> None:
        """Raises SessionLostError when the session has ended."""
        self._client.check()


@asynccontextmanager
async def opened(
    entry: MqttEntry,
    client_id: str,
    will: Message | None,
    context: ssl.SSLContext | None,
    password: str | None,
) -> AsyncIterator[Session]:
    """A session. Raises MqttOutletError when there is none within entry.timeout_s.

    Who leaves it without a goodbye lets the broker publish the will.
    """
    client = await _entered(entry, client_id, will, context, password)
    try:
        yield Session(client, entry)
    finally:
        client.lose("it is over")


async def _entered(
    entry: MqttEntry,
    client_id: str,
    will: Message | None,
    context: ssl.SSLContext | None,
    password: str | None,
) -> Client:
    wire: socket.socket | None = None
    client: Client | None = None
    try:
        async with asyncio.timeout(entry.timeout_s):
            wire = await connected_socket(entry.host, entry.broker_port, context)
            client = Client(entry, wire, client_id, password, will)
            await client.enter()
            return client
    except BaseException as error:
        if client is not None:
            client.lose("it never stood")
        if wire is not None:
            wire.close()
        if (known := _translated(error, entry)) is not None:
            raise known from error
        raise


def _translated(error: BaseException, entry: MqttEntry) -> MqttOutletError | None:
    """What failed, in words of ours; None for what is not about the connection."""
    broker = entry.broker
    match error:
        case ssl.SSLCertVerificationError():
            return BrokerNotTrustedError(
                f"the certificate of {broker} is not accepted: {error.verify_message}"
            )
        case TimeoutError():
            return BrokerUnreachableError(f"{broker} did not answer within {entry.timeout_s:g} s")
        case aiomqtt.MqttCodeError():
            return BrokerRefusedError(f"{broker} refuses us: {error}")
        case ssl.SSLError():
            return BrokerNotTrustedError(f"no TLS with {broker}: {error.reason or error}")
        case BrokerUnreachableError() | aiomqtt.MqttError() | OSError():
            return BrokerUnreachableError(f"{broker} cannot be reached: {error}")
    return None

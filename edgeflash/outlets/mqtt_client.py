"""The MQTT library's client as a session needs it: on a socket of ours, its answers read.

The library retries what a broken connection left when its object connects again, takes a refused
message for a delivered one, and keeps as much in memory as it is given. So there is a new object
for every session, every acknowledgement is read here, and what is under way is counted.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from dataclasses import dataclass
from typing import Any

import aiomqtt
import structlog
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.outlets import mqtt_reasons
from edgeflash.outlets.mqtt_errors import (
    BrokerRefusedError,
    PublishRefusedError,
    SessionLostError,
)
from edgeflash.outlets.mqtt_inbox import Inbox
from edgeflash.outlets.mqtt_message import Message
from edgeflash.outlets.mqtt_packets import (
    MOST_INCOMING_BYTES,
    in_words,
    limits,
    properties_of,
    said,
    will_of,
)

MOST_UNDER_WAY = 32
"""Messages that may be under way at once, of all who publish; fewer where the broker says so."""

READ_BYTES = 16 * 1024
"""Read from the socket at once."""

UNSPECIFIED = 0x80
"""The reason code that says nothing, which the library gives to every loss without a reason."""


log = structlog.get_logger("edgeflash.mqtt")

_LIBRARY_LOG = logging.getLogger("edgeflash.mqtt.library")
# It tells of every failed attempt; we tell of each reason once.
_LIBRARY_LOG.setLevel(logging.CRITICAL)


@dataclass(frozen=True, slots=True)
class _Asked:
    """A message that waits for its acknowledgement."""

    topic: str
    answered: asyncio.Future[None]


class Client(aiomqtt.Client):
    """One session's client. Leans on how aiomqtt 2.5 uses paho: its `_client`, `_connected`,
    `_disconnected`, `_misc_task` and the callbacks below."""

    def __init__(
        self,
        entry: MqttEntry,
        wire: socket.socket,
        client_id: str,
        password: str | None,
        will: Message | None,
    ) -> None:
        is_v5 = entry.protocol == "5"
        super().__init__(
            entry.host,
            entry.broker_port,
            identifier=client_id,
            username=entry.user,
            password=password,
            protocol=aiomqtt.ProtocolVersion.V5 if is_v5 else aiomqtt.ProtocolVersion.V311,
            will=None if will is None else will_of(will, is_v5),
            keepalive=entry.keepalive_s,
            timeout=entry.timeout_s,
            logger=_LIBRARY_LOG,
            properties=limits() if is_v5 else None,
            max_queued_outgoing_messages=2 * MOST_UNDER_WAY,
            max_inflight_messages=MOST_UNDER_WAY,
            # A session that the broker remembers would only hold what the journal holds already.
            clean_start=True if is_v5 else MQTT_CLEAN_START_FIRST_ONLY,
            clean_session=None if is_v5 else True,
        )
        self._entry = entry
        self._is_v5 = is_v5
        self._asked: dict[int, _Asked] = {}
        self._why_lost = ""
        self._alert = ""
        self._inbox = Inbox()
        self._mail = asyncio.Event()
        self._client._create_socket = lambda: wire  # type: ignore[method-assign]
        self._receive = self._client._sock_recv
        self._client._sock_recv = self._sock_recv  # type: ignore[method-assign]
        self._strange: dict[int, int] = {}
        self._acknowledged = self._client._handle_pubackcomp
        self._client._handle_pubackcomp = self._on_acknowledged  # type: ignore[method-assign]
        self.lost = asyncio.Event()
        self.most_under_way = MOST_UNDER_WAY
        self.most_bytes: int | None = None
        # Without somebody who looks, an end that nobody waits for would be logged as a fault.
        self._connected.add_done_callback(_look)
        self._disconnected.add_done_callback(self._on_end)

    async def enter(self) -> None:
        """Returns when the broker has taken us. Raises aiomqtt.MqttError."""
        self._client_connect()  # does not block: the socket is connected
        await self._connected

    async def leave(self, within_s: float) -> None:
        """Says goodbye, so that the will is not published."""
        if self._client.disconnect() == MQTTErrorCode.MQTT_ERR_SUCCESS:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(within_s):
                    await self.lost.wait()

    def check(self) -> None:
        """Raises SessionLostError when the session has ended."""
        if self.lost.is_set():
            raise self._loss()

    def lose(self, why: str) -> None:
        """Ends the connection and everything that waits for it; the first reason stands."""
        if self.lost.is_set():
            return
        self._why_lost = self._why_lost or why
        self.lost.set()
        self._mail.set()
        if not self._connected.done():
            self._connected.set_exception(aiomqtt.MqttError(self._why_lost))
        for asked in self._asked.values():
            if not asked.answered.done():
                asked.answered.set_exception(self._loss())
        self._asked.clear()
        self._client._sock_close()

    def post(self, message: Message) -> asyncio.Future[None]:
        """Hands a message over, in the order of the calls; the future is done when the broker has
        it (QoS 1), or when it is on its way (QoS 0).

        The future fails with PublishRefusedError or SessionLostError; without an answer in time the
        session is given up: what was said may have arrived or not. Raises SessionLostError.
        """
        self.check()
        properties = properties_of(PacketTypes.PUBLISH, message) if self._is_v5 else None
        info = self._client.publish(
            message.topic, message.payload, message.qos, message.retain, properties
        )
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.lose(f"a message could not be sent ({info.rc.name})")
            self.check()
        answered: asyncio.Future[None] = self._loop.create_future()
        answered.add_done_callback(_look)
        if info.is_published():
            answered.set_result(None)
            return answered
        timeout_s = self._entry.timeout_s
        late = self._loop.call_later(
            timeout_s, self.lose, f"a message was not acknowledged within {timeout_s:g} s"
        )
        self._asked[info.mid] = _Asked(message.topic, answered)
        answered.add_done_callback(lambda _: late.cancel())
        return answered

    async def received(self) -> Message:
        """The next message of the broker. Raises SessionLostError."""
        while (message := self._inbox.get()) is None:
            self.check()
            self._mail.clear()
            await self._mail.wait()
        return message

    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        told = Message(message.topic, bytes(message.payload), message.qos, message.retain)
        is_first = self._inbox.dropped == 0
        self._inbox.put(told)
        if is_first and self._inbox.dropped:
            log.warning("mqtt: messages of others come too fast; some are passed over")
        self._mail.set()

    def _sock_recv(self, bufsize: int) -> bytes:
        """A piece of what the broker sent. What TLS says at the end of a connection is kept: the
        library throws it away, and it may be that our certificate has expired."""
        try:
            return self._receive(min(bufsize, READ_BYTES))
        except ssl.SSLError as error:
            self._alert = in_words(error)
            self._why_lost = self._why_lost or f"TLS: {self._alert}"
            raise

    def _on_connect(
        self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None
    ) -> None:
        """Takes the broker's limits (MQTT 5.0, 3.2.2.3.3, 3.2.2.3.4 and 3.2.2.3.6)."""
        allowed = getattr(properties, "ReceiveMaximum", None)
        if allowed is not None:
            self.most_under_way = max(1, min(MOST_UNDER_WAY, allowed))
        self.most_bytes = getattr(properties, "MaximumPacketSize", None)
        why = said(reason_code, properties) if reason_code.is_failure else ""
        if getattr(properties, "MaximumQoS", 1) == 0:
            why = "it takes no QoS 1, without which nothing is known to have arrived"
        if why and not self._connected.done():
            refusal = BrokerRefusedError(f"{self._entry.broker} refuses us: {why}")
            self._connected.set_exception(refusal)
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(
        self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None
    ) -> None:
        """Tells the end also to who still waits for the beginning."""
        if not self._connected.done():
            why = self._why_lost or "the connection was closed before the broker answered"
            refused = f"{self._entry.broker} refuses us: TLS: {self._alert}"
            self._connected.set_exception(
                BrokerRefusedError(refused) if self._alert else aiomqtt.MqttError(why)
            )
        if reason_code.value not in (0, UNSPECIFIED):
            # Before anybody finds out by himself that the socket is closed.
            self._why_lost = self._why_lost or f"the broker says: {said(reason_code, properties)}"
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_socket_open(self, client: Any, userdata: Any, sock: Any) -> None:
        """Watches the socket at once: the library does it a turn later, when it may be closed and
        its number another's."""
        self._loop.add_reader(sock.fileno(), self._read)
        self._misc_task = self._loop.create_task(self._misc_loop())

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        self._loop.add_writer(sock.fileno(), self._write)

    def _read(self) -> None:
        try:
            self._client.loop_read()
            self._shorten()
            # What TLS has decrypted already, no readiness of the socket tells of.
            while isinstance(wire := self._client.socket(), ssl.SSLSocket) and wire.pending():
                self._client.loop_read()
                self._shorten()
        except Exception as error:
            self.lose(f"reading failed: {error!r}")

    def _shorten(self) -> None:
        """Keeps the beginning of a packet that is too large."""
        packet = self._client._in_packet["packet"]
        if len(packet) > MOST_INCOMING_BYTES:
            del packet[MOST_INCOMING_BYTES:]

    def _write(self) -> None:
        try:
            self._client.loop_write()
        except Exception as error:
            self.lose(f"writing failed: {error!r}")

    def _on_acknowledged(self, cmd: Any) -> MQTTErrorCode:
        """Lets the library read codes that it does not expect in an acknowledgement."""
        if self._is_v5:
            packet, mid, code = mqtt_reasons.readable(bytes(self._client._in_packet["packet"]))
            self._client._in_packet["packet"] = bytearray(packet)
            if code is not None and mid in self._asked:
                self._strange[mid] = code
        return self._acknowledged(cmd)

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any
    ) -> None:
        asked, strange = self._asked.pop(mid, None), self._strange.pop(mid, None)
        if asked is None or asked.answered.done():
            return
        if strange is not None:
            why = said(mqtt_reasons.words(strange), properties)
            refusal = PublishRefusedError(asked.topic, why, strange)
            asked.answered.set_exception(refusal)
        elif reason_code.is_failure:
            why = said(reason_code, properties)
            refusal = PublishRefusedError(asked.topic, why, reason_code.value)
            asked.answered.set_exception(refusal)
        else:
            asked.answered.set_result(None)

    def _on_end(self, ended: asyncio.Future[None]) -> None:
        _look(ended)
        self.lose("the connection was closed")

    def _loss(self) -> SessionLostError:
        return SessionLostError(f"the session with {self._entry.broker} ended: {self._why_lost}")


def _look(done: asyncio.Future[Any]) -> None:
    if not done.cancelled():
        done.exception()

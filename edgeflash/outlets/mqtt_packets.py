"""What MQTT 5 says beside messages: properties, and reasons in words. Pure."""

from __future__ import annotations

import ssl
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from edgeflash.outlets.mqtt_message import Message

MOST_INCOMING_BYTES = 64 * 1024 + 1024
"""Of a packet from the broker; we ask for no more (MQTT 5.0, 3.1.2.11.4). Of a larger one, which
a broker of MQTT 3.1.1 sends all the same, the rest is read and thrown away."""

MOST_WORDS = 200
"""Characters of what a broker says that go into logs and diagnostics."""


def said(reason_code: Any, properties: Any) -> str:
    """A reason of the broker, with its own words where it has any (MQTT 5.0, 3.2.2.3.9)."""
    words = str(getattr(properties, "ReasonString", ""))[:MOST_WORDS]
    plain = "".join(sign if sign.isprintable() else " " for sign in words)
    return f"{reason_code}: {plain}" if plain else str(reason_code)


def in_words(error: ssl.SSLError) -> str:
    """An alert of TLS by its name alone, as RFC 8446 (6.2) has it."""
    name = (error.reason or str(error)).lower().replace("_", " ")
    return name.partition(" alert ")[2] or name


def limits() -> Properties:
    """What we ask of a broker of MQTT 5."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = MOST_INCOMING_BYTES
    return properties


def will_of(will: Message, is_v5: bool) -> aiomqtt.Will:
    """The will as the library takes it."""
    properties = properties_of(PacketTypes.WILLMESSAGE, will) if is_v5 else None
    return aiomqtt.Will(will.topic, will.payload, will.qos, will.retain, properties)


def properties_of(packet: int, message: Message) -> Properties | None:
    """What MQTT 5 says beside a message."""
    if message.expiry_s is None and not message.content_type:
        return None
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    if message.expiry_s is not None:
        properties.MessageExpiryInterval = message.expiry_s
    if message.content_type:
        properties.ContentType = message.content_type
    return properties

"""Reason codes of acknowledgements, also those that the standard does not list there. Pure.

Brokers refuse a message with codes that MQTT 5.0 (3.4.2.1) has for other packets only, "packet too
large" above all. The library takes that for a broken protocol and ends the session, in which the
same message would be the first again.
"""

from __future__ import annotations

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

STAND_IN = 0x80
"""Unspecified error, which every acknowledgement may have."""


def is_of_acknowledgements(code: int) -> bool:
    """Whether the library knows the code in a PUBACK."""
    return any(PacketTypes.PUBACK in kinds for kinds in ReasonCode.names.get(code, {}).values())


def words(code: int) -> str:
    """The name that the code has in any packet."""
    return next(iter(ReasonCode.names.get(code, {})), f"reason code 0x{code:02X}")


def readable(packet: bytes) -> tuple[bytes, int, int | None]:
    """The body of a PUBACK as the library can read it, the packet identifier, and the code that
    had to be replaced; None when nothing had."""
    identifier = int.from_bytes(packet[:2])
    if len(packet) < 3 or is_of_acknowledgements(packet[2]):
        return packet, identifier, None
    if packet[2] < STAND_IN:  # whatever it means, it is done (MQTT 5.0, 2.4)
        return packet[:2] + b"\x00" + packet[3:], identifier, None
    return packet[:2] + bytes((STAND_IN,)) + packet[3:], identifier, packet[2]

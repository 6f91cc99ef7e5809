"""Acknowledgements as brokers really send them, against the codes of MQTT 5.0, 2.4."""

from __future__ import annotations

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from edgeflash.outlets.mqtt_reasons import readable, words

LISTED = (0x00, 0x10, 0x80, 0x83, 0x87, 0x90, 0x91, 0x97, 0x99)
"""MQTT 5.0, 3.4.2.1, table 3-4."""


@pytest.mark.parametrize("code", range(256))
def test_whatever_the_code_the_library_can_read_it(code: int) -> None:
    """Those of the standard as they are; below 0x80 it is done, above it is not."""
    packet, identifier, replaced = readable(b"\x12\x34" + bytes((code, 0)))
    assert (packet[:2], packet[3:], identifier) == (b"\x12\x34", b"\x00", 0x1234)
    read = ReasonCode(PacketTypes.PUBACK)
    read.unpack(packet[2:])
    assert read.is_failure == (code >= 0x80)
    if code in LISTED:
        assert (packet[2], replaced) == (code, None)
    else:
        assert replaced == (code if code >= 0x80 else None)


def test_a_short_acknowledgement_is_a_success() -> None:
    """MQTT 5.0, 3.4.2.1: without a reason code it is 0x00."""
    assert readable(b"\x00\x07") == (b"\x00\x07", 7, None)


def test_the_words_are_those_of_the_standard() -> None:
    """Of any packet; a number where there are none."""
    assert words(0x95) == "Packet too large"
    assert words(0xF7) == "reason code 0xF7"

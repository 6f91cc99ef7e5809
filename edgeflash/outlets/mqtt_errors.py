"""What can go wrong between an MQTT outlet and its broker, by who must act."""

from __future__ import annotations

from edgeflash.outlets.listening import OutletError

REFUSED_FROM = 0x80
"""Reason codes from here on mean that the broker did not do it (MQTT 5.0, 2.4)."""


class MqttOutletError(OutletError):
    """An MQTT outlet cannot deliver; what it owes waits."""


class BrokerUnreachableError(MqttOutletError):
    """Nobody answers, or not in time: the network, the broker, or its address."""


class BrokerNotTrustedError(MqttOutletError):
    """The broker does not prove that it is the host we mean, or our own proof cannot be used."""


class BrokerRefusedError(MqttOutletError):
    """The broker answers, and will not have us: user, password, client id, protocol version."""


class SessionLostError(MqttOutletError):
    """A session that stood has ended: the network, the broker, or another client of our name."""


class PublishRefusedError(MqttOutletError):
    """The broker did not take one message; the session stands. code: the reason code, or 0."""

    def __init__(self, topic: str, why: str, code: int = 0) -> None:
        super().__init__(f"the broker does not take what is published to {topic}: {why}")
        self.topic, self.code = topic, code

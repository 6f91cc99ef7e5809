"""The names an MQTT outlet goes by: its topics in plain JSON, and its client. Pure."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

from edgeflash.config.mqtt_entry import MqttEntry


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one outlet; all begin with root."""

    root: str

    @classmethod
    def of(cls, entry: MqttEntry, site_name: str) -> Topics:
        """As the site file has them."""
        return cls(entry.topic_root or f"edgeflash/{topic_level(site_name)}")

    @property
    def status(self) -> str:
        """Whether the gateway is connected; retained."""
        return f"{self.root}/status"

    def state(self, analyzer: str) -> str:
        """What is shown of an analyzer now; retained."""
        return f"{self.root}/analyzers/{analyzer}/state"

    def results(self, analyzer: str) -> str:
        """Every judged cycle of an analyzer."""
        return f"{self.root}/analyzers/{analyzer}/results"

    def events(self, analyzer: str) -> str:
        """What happened to an analyzer, alarms included; without one, to the gateway itself."""
        return f"{self.root}/analyzers/{analyzer}/events" if analyzer else f"{self.root}/events"


def client_id_of(entry: MqttEntry, site_name: str) -> str:
    """The client id of an outlet, where it is given none: of the site and its id.

    Of a Sparkplug node: of its group and name. Nobody else in the plant may have both, and of two
    gateways that do, the broker throws one out, which is told; else each would be taken for the
    other.
    """
    if entry.client_id is not None:
        return entry.client_id
    if entry.group_id is not None and entry.node_id is not None:
        return f"edgeflash-{topic_level(entry.group_id)}-{topic_level(entry.node_id)}"
    return f"edgeflash-{topic_level(site_name)}-{entry.id}"


def topic_level(name: str) -> str:
    """A name as one level of a topic: lower-case letters, digits and hyphens.

    A name that is not plain gets a few characters of its SHA-256, so that two stay two; not so
    names that differ only by case, or by a hyphen where the other has a space.

    >>> topic_level("Windmill Quay depot")
    'windmill-quay-depot'
    """
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40]
    if plain and plain == name.lower().replace(" ", "-"):
        return plain
    digest = hashlib.sha256(name.encode()).hexdigest()[:6]
    return f"{plain}-{digest}" if plain else digest

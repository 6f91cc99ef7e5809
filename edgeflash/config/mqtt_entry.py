"""How to reach an MQTT broker, who we are towards it, and in which form results go there."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from edgeflash.config.analyzer_map import Strict
from edgeflash.config.outlet_units import PressureUnit, TemperatureUnit

PORT, TLS_PORT = 1883, 8883
"""The ports of MQTT and of MQTT over TLS (IANA: mqtt, secure-mqtt)."""

MqttForm = Literal["json", "sparkplug"]
MqttVersion = Literal["5", "3.1.1"]
StartFrom = Literal["now", "journal"]

_Seconds = Annotated[float, Field(gt=0, le=86_400)]
_SparkplugId = Annotated[str, Field(min_length=1, max_length=128)]


class MqttEntry(Strict):
    """One MQTT outlet: results, events and the state of all analyzers go to one broker.

    id: names the outlet, its place in the journal and, with the site, its client. form: plain JSON,
    or Sparkplug B 3.0. port: else that of the protocol. tls: the broker must prove that it is
    `host`, by a certificate that ca_file vouches for (without it, one that this machine trusts).
    certificate_file, key_file: by which we prove who we are, in PEM. user: its password comes from
    a file or from a credential of the service manager. client_id: else made of site and id,
    or of a Sparkplug node's group and own name. topic_root: what the topics begin with; else made
    of the site's name (JSON only). timeout_s:
    for the broker to answer, anything. state_every_s: the least time between two states of one
    analyzer. heartbeat_s: the most. state_valid_s: a retained state older than that is withdrawn
    by the broker (MQTT 5) and must not be used by anyone. start_from: what an outlet that is new
    to the journal sends: results from now on, or all that the journal holds. alarm_after_s: how
    long it may be away from its broker, or owe it without getting on, before that is an alarm.
    set_aside_after_s: how long a message is offered that the broker refuses for a reason of its
    own, before it is set aside and those after it go on (JSON only).

    Of Sparkplug only: group_id, node_id: of the edge node; nobody else in the plant has both.
    primary_host: the host application without which nothing is sent. host_overlap_s: how long it
    may have been gone before its STATE says so, one and a half times its keep-alive; after a break
    results sent within that time are sent again.
    """

    id: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,31}$")]
    form: MqttForm = "json"
    host: str
    port: Annotated[int, Field(ge=1, le=65_535)] | None = None
    protocol: MqttVersion = "5"
    tls: bool = True
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    user: Annotated[str, Field(min_length=1, max_length=256)] | None = None
    password_file: Path | None = None
    password_credential: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,31}$")] | None = None
    client_id: Annotated[str, Field(min_length=1, max_length=256)] | None = None
    topic_root: Annotated[str, Field(min_length=1, max_length=256)] | None = None
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 20
    timeout_s: Annotated[float, Field(ge=1, le=120)] = 10.0
    backoff_first_s: _Seconds = 1.0
    backoff_max_s: _Seconds = 30.0
    state_every_s: Annotated[float, Field(ge=0.1, le=3600)] = 1.0
    heartbeat_s: _Seconds = 10.0
    state_valid_s: _Seconds = 60.0
    start_from: StartFrom = "now"
    alarm_after_s: Annotated[float, Field(ge=10, le=604_800)] = 300.0
    set_aside_after_s: Annotated[float, Field(ge=1, le=604_800)] = 180.0
    temperature_unit: TemperatureUnit = "degC"
    pressure_unit: PressureUnit = "kPa"
    group_id: _SparkplugId | None = None
    node_id: _SparkplugId | None = None
    primary_host: _SparkplugId | None = None
    host_overlap_s: Annotated[float, Field(ge=0, le=3600)] = 90.0

    @property
    def broker_port(self) -> int:
        """The port in force."""
        return self.port or (TLS_PORT if self.tls else PORT)

    @property
    def broker(self) -> str:
        """The broker in words, for logs and people."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.broker_port}"

    @property
    def consumer(self) -> str:
        """Its name among those who read the journal's results."""
        return f"mqtt:{self.id}"

    @property
    def event_consumer(self) -> str:
        """Its name among those who read the journal's event record."""
        return f"events:{self.consumer}"

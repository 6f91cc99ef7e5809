"""The stages by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tests.faults.crash.mqtt_stage import Mqtt
from tests.faults.crash.retention_stage import Retention
from tests.faults.crash.ship_stage import Ship
from tests.faults.crash.stages import Stage

STAGES: Mapping[str, Callable[[], Stage]] = {
    "retention": Retention,
    "mqtt": Mqtt,
    "ship": Ship,
}

"""An independent OPC UA alarm client watches, refreshes and acknowledges our alarms.

Peer: node-opcua (watch_alarms.js) with its own alarm monitoring: it reads the fields from our type
nodes, filters by OfType, asks for a refresh and finds the methods by browsing.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from edgeflash.model import AlarmState
from tests.integration.outlets.desk import ENGINEER, OBSERVER, Plant, running_plant
from tests.peers.programs import node_modules
from tests.peers.running import HERE, Peer, running

pytestmark = pytest.mark.peer("node", "node-opcua")
LEVEL_ALARM = "ns=0;i=10060"  # NonExclusiveLevelAlarmType, from the published list of node ids


@pytest.fixture
async def plant() -> AsyncIterator[Plant]:
    """An outlet on a free port, an engineer at every client."""
    async with running_plant() as made:
        yield made


@pytest.fixture
async def peer(plant: Plant, tmp_path: Path) -> AsyncIterator[Peer]:
    """The client, with one alarm standing when it comes."""
    await plant.desk.condition("fp-102", "unavailable", True, "no result for 60 s")
    environment = {"NODE_PATH": str(node_modules()), "PKI_FOLDER": str(tmp_path / "pki")}
    command = ["node", str(HERE / "watch_alarms.js"), plant.outlet.endpoint]
    async with running(command, environment) as one:
        yield one


async def heard(peer: Peer, key: str, fits: Callable[[Any], bool] = lambda value: True) -> Any:
    """The next line with this key whose value fits."""
    while True:
        line = json.loads("{" + await peer.hear("{"))
        if key in line and fits(line[key]):
            return line[key]


async def asked(peer: Peer, *command: Any) -> Any:
    """The answer to a command."""
    peer.say(json.dumps(command))
    return await heard(peer, "answer")


def of(identifier: str) -> Callable[[Any], bool]:
    """Fits the alarms of one condition."""
    return lambda alarm: str(alarm["condition"]).endswith(f";s={identifier}")


async def test_an_alarm_is_seen_acknowledged_and_over(plant: Plant, peer: Peer) -> None:
    """From what stands at the connection, through every state, with one wrong and one stale id."""
    standing = await heard(peer, "alarm", of("fp-102.condition.unavailable"))
    assert (standing["active"], standing["acked"], standing["retain"]) == (True, False, True)
    assert standing["message"] == "no result for 60 s"

    await plant.desk.condition("fp-101", "below_limit", True, "36.2 °C is below 38 °C")
    raised = await heard(peer, "alarm", of("fp-101.condition.below_limit"))
    since = plant.desk.kept["fp-101", "below_limit"].since
    assert since is not None
    assert (raised["active"], raised["acked"], raised["retain"]) == (True, False, True)
    assert (raised["name"], raised["source"]) == ("below_limit", "fp-101")
    assert (raised["eventType"], raised["severity"]) == (LEVEL_ALARM, 800)
    assert (raised["message"], raised["quality"]) == ("36.2 °C is below 38 °C", "Good")
    told_at = datetime.fromisoformat(raised["time"]).astimezone(UTC)
    assert told_at == since.replace(microsecond=since.microsecond // 1000 * 1000)

    condition = raised["condition"]
    wrong = await asked(peer, "acknowledge", condition, standing["eventId"], "wrong alarm")
    assert wrong == "BadEventIdUnknown"
    assert await asked(peer, "comment", condition, raised["eventId"], "sample taken") == "Good"
    commented = await heard(peer, "alarm", of("fp-101.condition.below_limit"))
    assert (commented["comment"], commented["acked"]) == ("sample taken", False)
    assert await asked(peer, "acknowledge", condition, raised["eventId"], "seen") == "Good"
    acked = await heard(peer, "alarm", of("fp-101.condition.below_limit"))
    assert (acked["active"], acked["acked"], acked["comment"]) == (True, True, "seen")
    assert acked["user"] == ENGINEER.name
    again = await asked(peer, "acknowledge", condition, raised["eventId"], "seen")
    assert again == "BadConditionBranchAlreadyAcked"

    await plant.desk.condition("fp-101", "below_limit", False)
    over = await heard(peer, "alarm", of("fp-101.condition.below_limit"))
    assert (over["active"], over["acked"], over["retain"]) == (False, True, False)


async def test_a_refresh_finds_what_stands(plant: Plant, peer: Peer) -> None:
    """node-opcua's search: a subscription of its own, a refresh, from its start to its end."""
    await plant.desk.condition("fp-101", "below_limit", True, "too low")
    await plant.desk.condition("fp-101", "below_limit", False)
    await plant.desk.condition("fp-101", "clock", True, "moved")
    await plant.desk.condition("fp-101", "clock", False)
    found = await asked(peer, "active")
    assert {(one["source"], one["name"], one["retain"], one["acked"]) for one in found} == {
        ("fp-102", "unavailable", True, False),
        ("fp-101", "below_limit", True, False),
    }


async def test_an_observer_may_look_only(plant: Plant, peer: Peer) -> None:
    """Acknowledging and operating are refused by role."""
    standing = await heard(peer, "alarm", of("fp-102.condition.unavailable"))
    plant.desk.who = OBSERVER
    condition = standing["condition"]
    refused = await asked(peer, "acknowledge", condition, standing["eventId"], "")
    assert refused == "BadUserAccessDenied"
    assert plant.desk.kept["fp-102", "unavailable"].state is AlarmState.ACTIVE
    call = ("call", f"ns={plant.index};s=fp-101", f"ns={plant.index};s=fp-101.method.%s")
    end = await asked(peer, *call[:2], call[2] % "end_maintenance")
    assert end["status"] == "BadUserAccessDenied"
    assert plant.desk.done == []


async def test_a_method_is_called(plant: Plant, peer: Peer) -> None:
    """With sound arguments, and with a time out of range."""
    objects, method = f"ns={plant.index};s=fp-101", f"ns={plant.index};s=fp-101.method."
    start = method + "start_maintenance"
    why = ["String", "new electrodes"]
    done = await asked(peer, "call", objects, start, ["Double", 30.0], why)
    assert done["status"] == "Good"
    assert plant.desk.done == [("maintenance", "fp-101", 30.0, "new electrodes")]
    wrong = await asked(peer, "call", objects, start, ["Double", 0.0], why)
    assert wrong == {"status": "BadInvalidArgument", "arguments": ["BadOutOfRange", "Good"]}

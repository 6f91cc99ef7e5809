"""What signed-in users may call over secured channels: the roles of real users, not of the test."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest
from asyncua import Client, ua
from asyncua.ua.object_ids import ObjectIds

from edgeflash.access import NEEDED_ROLE, UserRole
from edgeflash.model import AlarmState
from edgeflash.outlets.opcua_methods import METHODS
from edgeflash.outlets.opcua_names import NAMESPACE_URI
from tests.integration.outlets.desk import Desk
from tests.integration.outlets.secured import secured

LOW = "fp-101.condition.unavailable"


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


async def _acknowledge(client: Client) -> str:
    """Acknowledges the alarm by its newest event; the name of the code."""
    index = await client.get_namespace_index(NAMESPACE_URI)
    request = ua.CallMethodRequest()
    request.ObjectId = ua.NodeId(LOW, index)
    request.MethodId = ua.NodeId(ObjectIds.AcknowledgeableConditionType_Acknowledge)
    known = await client.get_node(ua.NodeId(f"{LOW}.EventId", index)).read_value()
    request.InputArguments = [
        ua.Variant(known, ua.VariantType.ByteString),
        ua.Variant(ua.LocalizedText("seen"), ua.VariantType.LocalizedText),
    ]
    (answer,) = await client.uaclient.call([request])
    return str(answer.StatusCode.name)


async def test_the_signed_in_user_acknowledges_by_role(tmp_path: Path) -> None:
    """The observer not, the operator under the own name; whoever is anonymous not at all."""
    desk = Desk()
    async with secured(tmp_path, desk, allow_open_endpoint=True) as plant:
        desk.outlet = plant.outlet
        await desk.publish()
        await desk.condition("fp-101", "unavailable", True, "no result")
        async with plant.open_client() as anonymous:
            assert await _acknowledge(anonymous) == "BadUserAccessDenied"
        async with await plant.client(user="oscar") as observer:
            assert await _acknowledge(observer) == "BadUserAccessDenied"
        assert desk.kept["fp-101", "unavailable"].state is AlarmState.ACTIVE
        async with await plant.client(user="olive") as operator:
            assert await _acknowledge(operator) == "Good"
        kept = desk.kept["fp-101", "unavailable"]
        assert (kept.state, kept.by, kept.because) == (AlarmState.ACKNOWLEDGED, "olive", "seen")


@pytest.mark.parametrize(
    ("user", "role"), list(zip(("oscar", "olive", "erin"), UserRole, strict=True))
)
async def test_user_executable_is_that_of_the_signed_in_user(
    tmp_path: Path, user: str, role: UserRole
) -> None:
    """For every method, before anything is called."""
    async with secured(tmp_path, Desk()) as plant, await plant.client(user=user) as client:
        index = await client.get_namespace_index(NAMESPACE_URI)
        for declared in METHODS:
            node = client.get_node(ua.NodeId(f"fp-101.method.{declared.name}", index))
            shown = await node.read_attribute(ua.AttributeIds.UserExecutable)
            assert shown.Value.Value is (role >= NEEDED_ROLE[declared.needs]), declared.name

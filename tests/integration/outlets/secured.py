"""A secured OPC UA server on a state folder of its own, with users and a trusted client."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from asyncua import Client, ua
from asyncua.crypto import security_policies as library
from asyncua.ua.uaerrors import UaError

from edgeflash.access import UserRole
from edgeflash.config.site import Input
from edgeflash.inputs import InputStore
from edgeflash.outlets.opcua import OpcUaOutlet
from edgeflash.service import keys
from edgeflash.service.users import UserFile
from tests.certificates import CLIENT_URI, Made, make
from tests.unit.outlets.builders import accepted_view, analyzer, opcua

PASSWORD = "a long enough password"
POLICIES: dict[str, type[library.SecurityPolicy]] = {
    "Basic256Sha256": library.SecurityPolicyBasic256Sha256,
    "Aes128_Sha256_RsaOaep": library.SecurityPolicyAes128Sha256RsaOaep,
    "Aes256_Sha256_RsaPss": library.SecurityPolicyAes256Sha256RsaPss,
}
SIGN, ENCRYPT = ua.MessageSecurityMode.Sign, ua.MessageSecurityMode.SignAndEncrypt
INPUT = Input(id="t10", number=1, low=0.0, high=400.0)


@dataclass
class Plant:
    """The server, its state folder, and a client's certificate that it trusts."""

    outlet: OpcUaOutlet
    state: Path
    trusted: Made
    failed: list[tuple[str, str]] = field(default_factory=list)

    @property
    def trust(self) -> keys.TrustList:
        """The list of its clients."""
        return keys.TrustList(keys.clients_folder(self.state))

    @property
    def users(self) -> UserFile:
        """The file of its users."""
        return UserFile(self.state / "users.json")

    @property
    def server(self) -> Any:
        """The library's server, for looking inside."""
        assert self.outlet._server is not None
        return self.outlet._server

    async def client(
        self,
        made: Made | None = None,
        user: str | None = "olive",
        password: str = PASSWORD,
        policy: str = "Basic256Sha256",
        mode: ua.MessageSecurityMode = ENCRYPT,
        uri: str = CLIENT_URI,
    ) -> Client:
        """A client with a secured channel, not yet connected."""
        client = Client(self.outlet.endpoint, timeout=30)
        client.application_uri = uri
        certificate = made or self.trusted
        await client.set_security(
            POLICIES[policy],
            *certificate.files(self.state / f"client-{certificate.sha1}"),
            server_certificate=keys.own_folder(self.state) / keys.CERTIFICATE,
            mode=mode,
        )
        if user is not None:
            client.set_user(user)
            client.set_password(password)
        return client

    def open_client(self) -> Client:
        """A client without any security."""
        return Client(self.outlet.endpoint, timeout=30)

    async def refused(self, client: Client) -> str:
        """Connects in vain; the name of the status that the client was told, or the error."""
        with pytest.raises((UaError, ConnectionError, TimeoutError)) as refusal:
            await client.connect()
        return status_of(refusal.value)

    async def look(self) -> None:
        """Lets the server look now at what has changed on the disk."""
        self.outlet.watch._looked_mono_s = float("-inf")
        await self.outlet.publish([])


@asynccontextmanager
async def secured(state: Path, **config: object) -> AsyncIterator[Plant]:
    """A running server, with an observer, an operator and an engineer, and one input."""
    failed: list[tuple[str, str]] = []
    outlet = OpcUaOutlet(
        opcua(**({"allow_open_endpoint": False} | config)),
        (analyzer(),),
        "Invented Bend",
        InputStore((INPUT,)),
        state_dir=state,
        on_login_failed=lambda user, peer: failed.append((user, peer)),
    )
    plant = Plant(outlet, state, make(), failed)
    for name, role in zip(("oscar", "olive", "erin"), UserRole, strict=True):
        plant.users.add(name, role, PASSWORD)
    plant.trust.add(plant.trusted.der)
    await outlet.start()
    try:
        await outlet.publish([accepted_view(value_c=62.5)])
        yield plant
    finally:
        await outlet.stop()


def status_of(error: BaseException) -> str:
    """The name of the status code of an error, or the error itself in words."""
    code = getattr(error, "code", None)
    return ua.StatusCode(code).name if code is not None else repr(error)


async def flash_point(client: Client) -> float:
    """What the client reads of the one analyzer."""
    index = await client.get_namespace_index("urn:edgeflash:points")
    value = await client.get_node(f"ns={index};s=fp-101.flash_point_c").read_value()
    assert isinstance(value, float)
    return value


async def write_input(client: Client, value: float) -> int:
    """Writes the one input; the status code of the answer."""
    index = await client.get_namespace_index("urn:edgeflash:points")
    item = ua.WriteValue(
        ua.NodeId("inputs.t10", index),
        ua.AttributeIds.Value,
        Value=ua.DataValue(ua.Variant(value, ua.VariantType.Double)),
    )
    (status,) = await client.uaclient.write(ua.WriteParameters(NodesToWrite=[item]))
    return int(status.value)

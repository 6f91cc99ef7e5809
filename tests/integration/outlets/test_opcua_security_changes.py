"""What changes while the OPC UA server runs: trust, its certificate, users, roles."""

from __future__ import annotations

import asyncio
import logging
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Never

import pytest
from asyncua import Client, ua
from structlog.testing import capture_logs

from edgeflash.access import UserRole
from edgeflash.errors import StorageError
from edgeflash.outlets.opcua_identity import who_of
from edgeflash.service import keys
from edgeflash.service.expiry import Stage
from edgeflash.service.machine import application_uri
from tests.certificates import key_of, make
from tests.integration.outlets.secured import (
    PASSWORD,
    Plant,
    flash_point,
    secured,
    write_input,
)
from tests.unit.outlets.builders import accepted_view
from tests.waiting import until

BAD_USER_ACCESS_DENIED = 0x801F0000


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


async def test_trust_and_users_count_without_a_restart(tmp_path: Path) -> None:
    """A client is refused, trusted, let in; distrusted it is put out. The same for a user."""
    async with secured(tmp_path) as plant:
        stranger = make("newcomer", key=key_of("newcomer"))
        assert await plant.refused(await plant.client(stranger)) == "BadSecurityChecksFailed"
        plant.trust.trust(stranger.sha1)
        client = await plant.client(stranger)
        await client.connect()
        assert await flash_point(client) == 62.5

        plant.trust.reject(stranger.sha1)
        await plant.look()
        await ended(client)
        assert await plant.refused(await plant.client(stranger)) == "BadSecurityChecksFailed"

        await user_changes(plant)


async def user_changes(plant: Plant) -> None:
    """A new user logs in at once; one that is removed is put out, and another goes on."""
    plant.users.add("ursula", UserRole.OBSERVER, PASSWORD)
    async with await plant.client() as other:
        client = await plant.client(user="ursula")
        await client.connect()
        await plant.look()
        assert await flash_point(client) == 62.5
        plant.users.set_role("ursula", UserRole.ENGINEER)
        await plant.look()
        await ended(client)
        client = await plant.client(user="ursula")
        await client.connect()
        await plant.look()
        plant.users.remove("ursula")
        await plant.look()
        await ended(client)
        assert await flash_point(other) == 62.5
    assert await plant.refused(await plant.client(user="ursula")) == "BadUserAccessDenied"


async def test_a_spoiled_trust_list_does_not_keep_a_user_signed_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each thing is looked at by itself; what cannot be is said once, not every two seconds."""
    async with secured(tmp_path) as plant:
        plant.users.add("ursula", UserRole.OBSERVER, PASSWORD)
        client = await plant.client(user="ursula")
        await client.connect()
        await plant.look()
        trust = plant.outlet._security.trust
        assert trust is not None

        def unreadable(*arguments: object) -> Never:
            raise StorageError("keys/clients/trusted: cannot be read")

        monkeypatch.setattr(trust, "check", unreadable)
        plant.users.remove("ursula")
        with capture_logs() as lines:
            await plant.look()
            await plant.look()
        await ended(client)
        said = [line for line in lines if line["event"] == "opcua_security_not_looked_at"]
        assert len(said) == 1


async def ended(client: Client) -> None:
    """The server has closed this client's connection."""
    connection = client.uaclient.protocol
    await until(lambda: connection is None or connection.is_closed, timeout_s=30.0)
    with pytest.raises((ua.UaError, ConnectionError, TimeoutError)):
        await client.nodes.server_state.read_value()
    client.disconnect_socket()


async def test_a_renewed_certificate_is_taken_over_with_no_data_lost(tmp_path: Path) -> None:
    """An open subscription gets every value; a new channel gets the new certificate."""
    async with secured(tmp_path) as plant:
        old = keys.read_own(keys.own_folder(tmp_path)).facts
        seen: list[float] = []

        class Handler:
            def datachange_notification(self, node: Any, value: float, data: Any) -> None:
                seen.append(value)

        async with await plant.client() as watching:
            index = await watching.get_namespace_index("urn:edgeflash:points")
            subscription = await watching.create_subscription(50, Handler())
            await subscription.subscribe_data_change(
                watching.get_node(f"ns={index};s=fp-101.flash_point_c"), queuesize=100
            )
            await until(lambda: seen == [62.5], timeout_s=30.0)
            uri = application_uri("Invented Bend")
            with capture_logs() as lines:
                new = keys.renew_own(keys.own_folder(tmp_path), uri, (), datetime.now(UTC)).facts
                await plant.look()
            assert [line["event"] for line in lines] == ["own_certificate_taken_over"]
            for value in (63.0, 64.0, 65.0):
                await plant.outlet.publish([accepted_view(value_c=value)])
                await until(lambda value=value: value in seen, timeout_s=30.0)
            assert seen == [62.5, 63.0, 64.0, 65.0]

            endpoints = await plant.open_client().connect_and_get_server_endpoints()
            (told,) = {keys.certificates.facts_of(e.ServerCertificate) for e in endpoints}
            assert told == new != old
            async with await plant.client() as client:  # with the new certificate of the server
                assert await flash_point(client) == 65.0
        client = await plant.client()
        await client.set_security(
            type(client.security_policy),
            *plant.trusted.files(tmp_path / "client"),
            server_certificate=next((keys.own_folder(tmp_path) / "old").glob("*/certificate.der")),
        )
        client.set_user("olive")
        client.set_password(PASSWORD)
        assert await plant.refused(client) == "BadSecurityChecksFailed"


async def test_the_end_of_the_certificate_is_told(tmp_path: Path) -> None:
    """In the log and as a state, as the clock goes on."""
    async with secured(tmp_path) as plant:
        watch, security = plant.outlet.watch, plant.outlet._security
        assert (watch.own_stage, "1824 days left" in watch.own_state) == (Stage.FINE, True)
        for days, stage in ((1800, Stage.WITHIN_30_DAYS), (1830, Stage.EXPIRED)):
            later = datetime.now(UTC) + timedelta(days=days)
            with capture_logs() as lines:
                security.now = lambda later=later: later
                await plant.look()
                await plant.look()
            said = [line for line in lines if line["event"] == "own_certificate_ends"]
            assert (watch.own_stage, len(said)) == (stage, 1)


async def test_roles_decide_who_writes_inputs(tmp_path: Path) -> None:
    """Operator and engineer; an observer is refused each value, and reads."""
    async with secured(tmp_path, accept_inputs=True, anonymous=True) as plant:
        for user, status in (
            ("oscar", BAD_USER_ACCESS_DENIED),
            ("olive", 0),
            ("erin", 0),
            (None, BAD_USER_ACCESS_DENIED),
        ):
            async with await plant.client(user=user) as client:
                assert await write_input(client, 200.0) == status, user
                assert await flash_point(client) == 62.5
                (session,) = plant.server.iserver._external_sessions.values()
                who = who_of(session)
                assert who.name == (user or "anonymous")
                assert who.via.startswith("opcua 127.0.0.1:")


async def test_the_open_endpoint_beside_the_secured_ones(tmp_path: Path) -> None:
    """There anybody reads and, where inputs are accepted, writes; no password is taken."""
    async with secured(tmp_path, accept_inputs=True, allow_open_endpoint=True) as plant:
        async with plant.open_client() as client:
            assert await flash_point(client) == 62.5
            assert await write_input(client, 200.0) == 0
        client = plant.open_client()
        client.set_user("olive")
        client.set_password(PASSWORD)
        client._password_policy = None
        assert await plant.refused(client) == "BadIdentityTokenRejected"
        assert await plant.refused(await plant.client(user=None)) == "BadIdentityTokenRejected"


async def test_a_flood_of_wrong_passwords_does_not_hold_up_readers(tmp_path: Path) -> None:
    """While eight clients guess, another reads."""
    async with secured(tmp_path) as plant, await plant.client() as reader:
        guessers = [await plant.client(user=f"u{n}", password="wrong") for n in range(8)]
        tasks = [asyncio.create_task(plant.refused(client)) for client in guessers]
        reads = 0
        while not all(task.done() for task in tasks):
            assert await flash_point(reader) == 62.5
            reads += 1
        statuses = set(await asyncio.gather(*tasks))
        assert statuses == {"BadUserAccessDenied"}
        assert 5 <= len(plant.failed) <= 8  # of those refused for being too many, one is told
        assert reads > 0

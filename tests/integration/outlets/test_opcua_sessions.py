"""Sessions and channels under attack by a client that does not keep to the rules.

The rules: OPC 10000-4, 5.5.2 (channels), 5.6.2 and 5.6.3 (sessions), 5.13 and 5.14
(subscriptions), 7.40.2.2 (encrypted passwords); OPC 10000-6, 7.1.2 (connections).
"""

from __future__ import annotations

import asyncio
import contextlib
import copy
import logging
import struct
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.crypto.security_policies import encrypt_asymmetric
from asyncua.ua.uaerrors import UaError

from tests.certificates import key_of, make
from tests.integration.outlets.secured import (
    ENCRYPT,
    PASSWORD,
    SIGN,
    Plant,
    flash_point,
    secured,
    status_of,
)
from tests.waiting import until

pytestmark = pytest.mark.asyncio(loop_scope="module")
NONE = b"http://opcfoundation.org/UA/SecurityPolicy#None"
OAEP = "http://www.w3.org/2001/04/xmlenc#rsa-oaep"


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def plant(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Plant]:
    """One server, also with the open endpoint: the more that can go wrong."""
    state = tmp_path_factory.mktemp("secured")
    async with secured(state, allow_open_endpoint=True, client_share=1.0) as one:
        yield one


async def refusal(waiting: Any) -> str:
    """The status that a call of the client fails with."""
    with pytest.raises((UaError, ConnectionError, TimeoutError)) as refused:
        await waiting
    return status_of(refused.value)


async def with_channel(client: Client) -> Client:
    """The client with its channel open and no session."""
    await client.connect_sessionless()
    return client


def session_of(plant: Plant, client: Client) -> Any:
    """The server's object of a client's session."""
    token = client.uaclient.session.authentication_token
    return plant.server.iserver.lookup_external_session(token)


async def test_tokens_cannot_be_guessed(plant: Plant) -> None:
    """32 random bytes each (OPC 10000-4, 7.36: not to be guessed)."""
    async with plant.open_client() as one, plant.open_client() as other:
        tokens = [c.uaclient.session.authentication_token for c in (one, other)]
        assert [t.NodeIdType for t in tokens] == [ua.NodeIdType.ByteString] * 2
        assert [len(t.Identifier) for t in tokens] == [32, 32]
        assert tokens[0] != tokens[1]


async def test_a_session_cannot_be_taken_over(plant: Plant) -> None:
    """Even with its token: not from the open endpoint, not with another certificate, not as
    another user; and the failed attempt leaves the thief with nothing."""
    other = make("other", uri="urn:panel-7:invented:client", key=key_of("other"))
    plant.trust.add(other.der)
    async with await plant.client(user="erin") as owner:
        token = owner.uaclient.session.authentication_token
        for thief in (plant.open_client(), await plant.client(other)):
            await with_channel(thief)
            thief.uaclient.session.restore_authentication_token(token)
            thief._server_nonce = session_of(plant, owner).nonce  # which it could not know
            thief.security_policy.peer_certificate = owner.security_policy.peer_certificate
            thief.server_policy = owner.server_policy  # type: ignore[method-assign]
            status = await refusal(thief.activate_session("erin", PASSWORD))
            assert status == "BadSecurityChecksFailed"
            assert await refusal(thief.nodes.server_state.read_value()) == "BadSessionIdInvalid"
            thief.disconnect_socket()
        same_key = await with_channel(await plant.client(user="olive"))
        same_key.uaclient.session.restore_authentication_token(token)
        same_key._server_nonce = session_of(plant, owner).nonce
        same_key.server_policy = owner.server_policy  # type: ignore[method-assign]
        status = await refusal(same_key.activate_session("olive", PASSWORD))
        assert status == "BadIdentityTokenRejected"
        assert await refusal(same_key.nodes.server_state.read_value()) == "BadSessionIdInvalid"
        same_key.disconnect_socket()
        assert await flash_point(owner) == 62.5
        assert session_of(plant, owner).who.name == "erin"


async def test_the_owner_may_come_back_on_another_channel(plant: Plant) -> None:
    """With the same certificate and user, as after a lost connection (5.6.3); the old one ends."""
    async with await plant.client() as old:
        old_connection = old.uaclient.protocol
        new = await with_channel(await plant.client())
        token = old.uaclient.session.authentication_token
        new.uaclient.session.restore_authentication_token(token)
        new._server_nonce, new._policy_ids = session_of(plant, old).nonce, old._policy_ids
        await new.activate_session("olive", PASSWORD)
        index = await new.uaclient.session.read(
            ua.ReadParameters(
                NodesToRead=[ua.ReadValueId(ua.NodeId(ua.ObjectIds.Server_ServerStatus_State), 13)]
            )
        )
        assert index[0].StatusCode.is_good()
        assert old_connection is not None
        await until(lambda: old_connection.is_closed, timeout_s=30.0)
        new.disconnect_socket()


async def test_a_wrong_signature_activates_nothing(plant: Plant) -> None:
    """BadApplicationSignatureInvalid, whatever password goes with it; and no service follows."""
    client = await with_channel(await plant.client())
    await client.create_session()
    client._server_nonce = bytes(32)
    status = await refusal(client.activate_session("olive", PASSWORD))
    assert status == "BadApplicationSignatureInvalid"
    assert await refusal(client.nodes.server_state.read_value()) != "Good"
    client.disconnect_socket()


async def test_a_session_that_is_not_activated_does_nothing(plant: Plant) -> None:
    """On the open endpoint as well."""
    for client in (plant.open_client(), await plant.client()):
        await with_channel(client)
        await client.create_session()
        status = await refusal(client.nodes.server_state.read_value())
        assert status in ("BadUserAccessDenied", "BadSessionNotActivated")
        client.disconnect_socket()


async def test_the_certificate_of_the_session_is_the_channels(plant: Plant) -> None:
    """Left out, or another's: BadSecurityChecksFailed. The library would not have looked."""
    other = make("another", key=key_of("another"))
    for given in (None, other.der):
        client = await with_channel(await plant.client())
        params = ua.CreateSessionParameters(
            ClientDescription=ua.ApplicationDescription(ApplicationUri=client.application_uri),
            ClientNonce=bytes(range(32)),
            ClientCertificate=given,
            RequestedSessionTimeout=60_000.0,
        )
        assert await refusal(client.uaclient.create_session(params)) == "BadSecurityChecksFailed"
        client.disconnect_socket()


async def test_a_short_nonce_is_refused(plant: Plant) -> None:
    """32 bytes at least, 5.6.2.2."""
    client = await with_channel(await plant.client())
    params = ua.CreateSessionParameters(
        ClientDescription=ua.ApplicationDescription(ApplicationUri=client.application_uri),
        ClientNonce=bytes(31),
        ClientCertificate=plant.trusted.der,
        RequestedSessionTimeout=60_000.0,
    )
    assert await refusal(client.uaclient.create_session(params)) == "BadNonceInvalid"
    client.disconnect_socket()


async def activated_with(plant: Plant, token: Any, mode: ua.MessageSecurityMode) -> str:
    """What a client with a good certificate is told for an identity token of its own making.

    token: made from the client, once its session is created.
    """
    client = await with_channel(await plant.client(mode=mode))
    await client.create_session()
    params = ua.ActivateSessionParameters()
    policy = client.security_policy
    params.ClientSignature.Algorithm = policy.AsymmetricSignatureURI
    data = (policy.peer_certificate or b"") + (client._server_nonce or b"")
    params.ClientSignature.Signature = policy.asymmetric_cryptography.signature(data)
    params.UserIdentityToken = token(client)
    try:
        await client.uaclient.activate_session(params)
    except UaError as error:
        return status_of(error)
    finally:
        client.disconnect_socket()
    return "Good"


def encrypted(secret: bytes, algorithm: str | None = OAEP) -> Any:
    """A maker of a token with this secret encrypted for the server."""

    def made(client: Client) -> ua.UserNameIdentityToken:
        assert client.security_policy.peer_certificate is not None
        key = ua_key(client.security_policy.peer_certificate)
        plain = secret.replace(b"NONCE", client._server_nonce or b"")
        data, _ = encrypt_asymmetric(
            key, struct.pack("<I", len(plain)) + plain, client.security_policy.URI
        )
        return ua.UserNameIdentityToken("username", "olive", data, algorithm)

    return made


def ua_key(der: bytes) -> Any:
    """The public key of a certificate."""
    from cryptography.x509 import load_der_x509_certificate

    return load_der_x509_certificate(der).public_key()


def plain(client: Client) -> ua.UserNameIdentityToken:
    """A token with the password as it is."""
    return ua.UserNameIdentityToken("username", "olive", PASSWORD.encode(), None)


@pytest.mark.parametrize(
    ("token", "mode", "status"),
    [
        (encrypted(PASSWORD.encode() + b"NONCE"), SIGN, "Good"),
        (encrypted(PASSWORD.encode() + bytes(32)), SIGN, "BadIdentityTokenInvalid"),
        (encrypted(PASSWORD.encode()), SIGN, "BadIdentityTokenInvalid"),
        (encrypted(b""), SIGN, "BadIdentityTokenInvalid"),
        (encrypted(b"NONCE"), SIGN, "BadUserAccessDenied"),
        (encrypted(b"\xff\xfe\xfdNONCE"), SIGN, "BadIdentityTokenInvalid"),
        (
            encrypted(PASSWORD.encode() + b"NONCE", "http://www.w3.org/2001/04/xmlenc#rsa-1_5"),
            SIGN,
            "BadIdentityTokenInvalid",
        ),
        (plain, SIGN, "BadIdentityTokenRejected"),
        (plain, ENCRYPT, "Good"),
        (lambda _: ua.UserNameIdentityToken("username", "olive", bytes(384), OAEP), SIGN,
         "BadIdentityTokenInvalid"),
        (lambda _: ua.UserNameIdentityToken("username", "olive", bytes(1_000_000), OAEP), SIGN,
         "BadIdentityTokenInvalid"),
        (lambda _: ua.UserNameIdentityToken("username", None, None, None), ENCRYPT,
         "BadUserAccessDenied"),
        (lambda _: ua.X509IdentityToken("certificate", make().der), SIGN,
         "BadIdentityTokenRejected"),
        (lambda _: ua.IssuedIdentityToken("issued", b"x", None), ENCRYPT,
         "BadIdentityTokenRejected"),
        (lambda _: ua.AnonymousIdentityToken("anonymous"), ENCRYPT, "BadIdentityTokenRejected"),
    ],
    ids=["good", "replayed", "no-nonce", "empty", "no-password", "no-text", "rsa-1.5", "in-clear",
         "in-clear-encrypted", "noise", "flood", "nobody", "certificate", "issued", "anonymous"],
)  # fmt: skip
async def test_identity_tokens(
    plant: Plant, token: Any, mode: ua.MessageSecurityMode, status: str
) -> None:
    """A password counts with this session's nonce, encrypted by OAEP or its channel, only."""
    assert await activated_with(plant, token, mode) == status
    plant.outlet._security.log_ins._throttle._past.clear()  # type: ignore[union-attr]


async def test_nobody_registers_servers(plant: Plant) -> None:
    """Neither over the open endpoint nor a secured one: FindServers tells of this one alone."""
    server = ua.RegisteredServer(
        ServerUri="urn:evil",
        ServerNames=[ua.LocalizedText("evil")],
        DiscoveryUrls=["opc.tcp://192.0.2.66"],
        IsOnline=True,
    )
    for client in (plant.open_client(), await plant.client()):
        await with_channel(client)
        assert await refusal(client.uaclient.register_server(server)) == "BadServiceUnsupported"
        found = await client.find_servers()
        assert [s.ApplicationUri for s in found] == [plant.outlet._security.application_uri]
        client.disconnect_socket()


async def test_one_connection_does_not_pile_up_sessions(plant: Plant) -> None:
    """A second session replaces one that is not activated, and is refused beside one that is."""
    sessions = plant.server.iserver._external_sessions
    client = await with_channel(plant.open_client())
    before = len(sessions)
    for _ in range(20):
        await client.create_session()
    assert len(sessions) == before + 1
    await client.activate_session()
    assert await refusal(client.create_session()) == "BadTooManySessions"
    client.disconnect_socket()
    await until(lambda: len(sessions) == before, timeout_s=30.0)


class Ignored:
    """A subscription handler that is not interested."""

    def datachange_notification(self, node: Any, value: Any, data: Any) -> None:
        """Nothing."""


async def test_subscriptions_of_others_are_out_of_reach(plant: Plant) -> None:
    """Not deleted, changed, silenced, read again, or taken over by another user's session."""
    async with await plant.client() as owner, plant.open_client() as thief:
        subscription = await owner.create_subscription(100, Ignored())
        await subscription.subscribe_data_change(owner.nodes.server_state)
        number = subscription.subscription_id
        session = thief.uaclient.session
        missing = ua.StatusCodes.BadSubscriptionIdInvalid
        assert [s.value for s in await session.delete_subscriptions([number])] == [missing]
        publishing = ua.SetPublishingModeParameters(False, [number])
        assert [s.value for s in await session.set_publishing_mode(publishing)] == [missing]
        items = ua.CreateMonitoredItemsParameters(SubscriptionId=number)
        deleted = ua.DeleteMonitoredItemsParameters(number, [1])
        modified = ua.ModifySubscriptionParameters(number)
        for call in (
            lambda: session.create_monitored_items(items),
            lambda: session.delete_monitored_items(deleted),
            lambda: session.update_subscription(modified),
            lambda: session.republish(number, 1),
        ):
            assert await refusal(call()) == "BadSubscriptionIdInvalid"
        transfer = ua.TransferSubscriptionsParameters([number], False)
        (result,) = await session.transfer_subscriptions(transfer)
        assert result.StatusCode.value == ua.StatusCodes.BadUserAccessDenied
        assert number in plant.server.iserver.subscription_service.subscriptions


async def test_no_anonymous_client_takes_over_anothers_subscription(plant: Plant) -> None:
    """Two without a name may be anybody, also from one address."""
    async with plant.open_client() as owner, plant.open_client() as thief:
        subscription = await owner.create_subscription(100, Ignored())
        transfer = ua.TransferSubscriptionsParameters([subscription.subscription_id], False)
        (result,) = await thief.uaclient.session.transfer_subscriptions(transfer)
        assert result.StatusCode.value == ua.StatusCodes.BadUserAccessDenied


async def test_closing_a_session_leaves_no_subscription(plant: Plant) -> None:
    """Also when the client asks to keep them: they would count against all others for ever."""
    subscriptions = plant.server.iserver.subscription_service.subscriptions
    before = len(subscriptions)
    client = plant.open_client()
    await client.connect()
    await client.create_subscription(1000, Ignored())
    assert len(subscriptions) == before + 1
    await client.uaclient.close_session(False)
    client.disconnect_socket()
    await until(lambda: len(subscriptions) == before, timeout_s=30.0)


def message(kind: bytes, body: bytes) -> bytes:
    """A message of one chunk."""
    return kind + b"F" + struct.pack("<I", 8 + len(body)) + body


def hello(buffer_bytes: int = 65_535) -> bytes:
    """Version, buffers, no limits, no URL (OPC 10000-6, 7.1.2.3)."""
    return message(b"HEL", struct.pack("<IIIIIi", 0, buffer_bytes, buffer_bytes, 0, 0, -1))


@pytest.mark.parametrize(
    "sent",
    [
        message(b"MSG", bytes(24)),
        message(b"OPN", bytes(24)),
        message(b"CLO", bytes(24)),
        hello(8191),
        hello(0),
        hello() + hello(),
        hello() + message(b"MSG", bytes(24)),
        hello() + message(b"OPN", b"\xff" * 24),
        hello() + message(b"OPN", struct.pack("<Ii", 0, len(NONE)) + NONE + bytes(99)),
        b"GET / HTTP/1.1\r\nHost: x\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(500),
    ],
    ids=["msg", "opn", "clo", "small", "zero", "twice", "no-channel", "noise",
         "empty-open", "http", "tls"],
)  # fmt: skip
async def test_what_is_no_opc_ua_is_closed(plant: Plant, sent: bytes) -> None:
    """At once, with an error message or none; and the server goes on."""
    port = plant.server.bserver.port
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(sent)
    answer = b""
    async with asyncio.timeout(30.0):
        with contextlib.suppress(ConnectionError):
            answer = await reader.read()
    writer.close()
    while answer:
        assert answer[:3] in (b"ACK", b"ERR")
        answer = answer[int.from_bytes(answer[4:8], "little") :]
    async with plant.open_client() as client:
        assert await flash_point(client) == 62.5


async def test_channels_are_bounded_in_time(plant: Plant) -> None:
    """A lifetime of years is cut to an hour; one that has passed ends the channel."""
    client = await with_channel(plant.open_client())
    params = ua.OpenSecureChannelParameters(
        0, ua.SecurityTokenRequestType.Renew, ua.MessageSecurityMode.None_, b"", 2**32 - 1
    )
    result = await client.uaclient.open_secure_channel(copy.copy(params))
    assert result.SecurityToken.RevisedLifetime == 3_600_000
    assert client.uaclient.protocol is not None
    port = client.uaclient.protocol.transport.get_extra_info("sockname")[1]
    (processor,) = [c.processor for c in plant.server.bserver.clients if c.peer_name[1] == port]
    processor._ends_mono_s = 0.0
    assert await refusal(client.get_endpoints()) != "Good"
    client.disconnect_socket()

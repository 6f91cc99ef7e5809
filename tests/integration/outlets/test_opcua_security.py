"""Who gets into the OPC UA server and who does not, by asyncua's own client.

Status codes and the rules behind them: OPC 10000-4, 5.5.2, 5.6.2, 5.6.3 and 6.1.3.
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Callable

import pytest
import pytest_asyncio
from asyncua import ua

from edgeflash.service import keys
from tests.certificates import DAY, Made, key_of, make
from tests.integration.outlets.secured import (
    ENCRYPT,
    PASSWORD,
    POLICIES,
    SIGN,
    Plant,
    flash_point,
    secured,
)

pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def plant(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Plant]:
    """One secured server for the tests of this module."""
    async with secured(tmp_path_factory.mktemp("secured")) as one:
        yield one


@pytest.mark.parametrize("mode", [SIGN, ENCRYPT])
@pytest.mark.parametrize("policy", POLICIES)
async def test_a_trusted_client_with_a_user_reads(
    plant: Plant, policy: str, mode: ua.MessageSecurityMode
) -> None:
    """With each policy and mode; nobody else is needed to let it in."""
    async with await plant.client(policy=policy, mode=mode) as client:
        assert await flash_point(client) == 62.5


@pytest.mark.parametrize(
    ("user", "password", "status"),
    [
        ("olive", "not the password", "BadUserAccessDenied"),
        ("olive", "", "BadUserAccessDenied"),
        ("nobody-known", PASSWORD, "BadUserAccessDenied"),
        ("admin", PASSWORD, "BadUserAccessDenied"),
        ("Admin", "anything", "BadUserAccessDenied"),
        ("Olive", PASSWORD, "BadUserAccessDenied"),
        (None, "", "BadIdentityTokenRejected"),
    ],
)
async def test_who_is_no_user_is_refused(
    plant: Plant, user: str | None, password: str, status: str
) -> None:
    """Wrong password, unknown user, the library's "admin", another case, nobody at all."""
    assert await plant.refused(await plant.client(user=user, password=password)) == status


@pytest.mark.parametrize("mode", [SIGN, ENCRYPT])
async def test_a_password_is_checked_in_both_modes(
    plant: Plant, mode: ua.MessageSecurityMode
) -> None:
    """A signed channel hides nothing, so there the password is encrypted by itself."""
    before = len(plant.failed)
    client = await plant.client(password="wrong password", mode=mode)
    assert await plant.refused(client) == "BadUserAccessDenied"
    assert plant.failed[before:] == [("olive", "127.0.0.1")]


def _expired() -> Made:
    return make(begins=-10 * DAY, ends=-DAY, key=key_of("expired"))


def _wrong_usage() -> Made:
    return make(usage={"data_encipherment": False}, key=key_of("usage"))


@pytest.mark.parametrize(
    ("made", "trusted", "told", "kept"),
    [
        (lambda: make(key=key_of("stranger")), False, "BadSecurityChecksFailed", True),
        (_expired, False, "BadSecurityChecksFailed", True),
        (_expired, True, "BadCertificateTimeInvalid", False),
        (
            lambda: make(begins=DAY, key=key_of("early")),
            True,
            "BadCertificateTimeInvalid",
            False,
        ),
        (_wrong_usage, True, "BadCertificateUseNotAllowed", False),
        (
            lambda: make(bits=1024, key=key_of("short", 1024)),
            True,
            "BadSecurityChecksFailed",
            False,
        ),
    ],
    ids=["stranger", "expired-stranger", "expired", "not-yet", "usage", "short-key"],
)
async def test_certificates_that_are_refused(
    plant: Plant, made: Callable[[], Made], trusted: bool, told: str, kept: bool
) -> None:
    """A stranger learns nothing of why; it is kept in rejected, for somebody to look at."""
    one = made()
    if trusted:
        plant.trust.add(one.der)
    assert await plant.refused(await plant.client(one)) == told
    standing = {c.facts.thumbprint: c.standing for c in plant.trust.list()}
    expected = keys.Standing.REJECTED if kept else keys.Standing.TRUSTED
    assert standing[one.sha1] is expected
    (keys.clients_folder(plant.state) / expected.value / f"{one.sha1.lower()}.der").unlink()


async def test_a_client_is_the_application_of_its_certificate(plant: Plant) -> None:
    """Another application URI than the certificate's: BadCertificateUriInvalid (5.6.2)."""
    client = await plant.client(uri="urn:panel-7:another:client")
    assert await plant.refused(client) == "BadCertificateUriInvalid"


async def test_without_security_there_is_discovery_only(plant: Plant) -> None:
    """The endpoints can be asked for; no session, neither anonymous nor by password."""
    with_none = plant.open_client()
    endpoints = await with_none.connect_and_get_server_endpoints()
    assert {(e.SecurityPolicyUri.split("#")[1], e.SecurityMode) for e in endpoints} == {
        (policy, mode) for policy in POLICIES for mode in (SIGN, ENCRYPT)
    }
    assert {t.TokenType for e in endpoints for t in e.UserIdentityTokens} == {
        ua.UserTokenType.UserName
    }
    for user in (None, "olive"):
        client = plant.open_client()
        if user:
            client.set_user(user)
            client.set_password(PASSWORD)
        assert await plant.refused(client) == "BadSecurityPolicyRejected"

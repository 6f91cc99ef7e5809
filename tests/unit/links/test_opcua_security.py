"""Which server is believed, and what the library's exceptions mean.

OPC 10000-4, 5.6 and 6.1.3: the certificate must carry the application URI and name the host.
"""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from asyncua import ua
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaStatusCodeError

from edgeflash.config.opcua_source import OpcUaSource
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.opcua_errors import link_error_of, told_as_link_errors
from edgeflash.links.opcua_security import (
    CREDENTIALS,
    LinkKeys,
    endpoint_of,
    name_problem,
    password_of,
)
from edgeflash.service.certificates import CertificateFacts

URI = "urn:example:bench-cup"
NOW = datetime(2026, 3, 1, tzinfo=UTC)
BASIC = "http://opcfoundation.org/UA/SecurityPolicy#Basic256Sha256"


def source(host: str = "10.20.0.21", **more: Any) -> OpcUaSource:
    return OpcUaSource.model_validate({"url": f"opc.tcp://{host}:4840", **more})


def facts(uri: str = URI, *hosts: str) -> CertificateFacts:
    return CertificateFacts("AB", "CD", "CN=x", "CN=x", uri, hosts, NOW, NOW, 2048)


@pytest.mark.parametrize(
    ("host", "names", "fits"),
    [
        ("10.20.0.21", ("10.20.0.21",), True),
        ("10.20.0.21", ("10.20.0.22",), False),
        ("10.20.0.21", (), False),
        ("Cup.Depot.Example", ("cup.depot.example",), True),
        ("cup.depot.example.", ("cup.depot.example",), True),
        ("cup.depot.example", ("depot.example",), False),
        ("[2001:db8:0:0::1]", ("2001:db8::1",), True),
    ],
)
def test_the_host_must_be_named(host: str, names: tuple[str, ...], fits: bool) -> None:
    """Names without regard to case, addresses as addresses; off only where the site says so."""
    assert (name_problem(source(host), facts(URI, *names), URI) is None) is fits
    assert name_problem(source(host, check_host=False), facts(URI, *names), URI) is None


def test_the_application_must_be_the_one_meant() -> None:
    """The site's word counts more than the server's own; no URI at all is never right."""
    good = facts(URI, "10.20.0.21")
    assert name_problem(source(), good, URI) is None
    assert "should be" in str(name_problem(source(), good, "urn:other"))
    assert "should be" in str(name_problem(source(server_uri="urn:other"), good, URI))
    assert name_problem(source(server_uri=URI), good, "urn:whatever") is None
    assert name_problem(source(), facts("", "10.20.0.21"), "") is not None


def offered(*kinds: tuple[str, ua.MessageSecurityMode]) -> list[ua.EndpointDescription]:
    made: list[Any] = []
    for policy, mode in kinds:
        endpoint: Any = ua.EndpointDescription()
        endpoint.EndpointUrl = "opc.tcp://cup:4840"
        endpoint.SecurityPolicyUri, endpoint.SecurityMode = policy, mode
        made.append(endpoint)
    return made


def test_the_endpoint_is_the_one_asked_for_and_nothing_weaker() -> None:
    """Sign is not sign and encrypt."""
    sign, both = ua.MessageSecurityMode.Sign, ua.MessageSecurityMode.SignAndEncrypt
    assert endpoint_of(source(), offered((BASIC, sign), (BASIC, both))).SecurityMode == both
    with pytest.raises(LinkError) as caught:
        endpoint_of(source(), offered((BASIC, sign)))
    assert caught.value.fault is LinkFault.NOT_OFFERED
    assert "it offers: Basic256Sha256 sign" in caught.value.sentence


def test_passwords_come_from_files_and_credentials(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Relative to the site file; one line end is no part of it; what is missing is told."""
    keys = LinkKeys(tmp_path, tmp_path / "site", "depot")
    keys.site_dir.mkdir()
    by_file = source(user="reader", password_file="p")
    with pytest.raises(LinkError, match="cannot be read"):
        password_of(by_file, keys)
    (keys.site_dir / "p").write_text(" wind mill \n")
    assert password_of(by_file, keys) == " wind mill "
    by_credential = source(user="reader", password_credential="cup")
    monkeypatch.delenv(CREDENTIALS, raising=False)
    with pytest.raises(LinkError, match="gives no credentials"):
        password_of(by_credential, keys)
    monkeypatch.setenv(CREDENTIALS, str(tmp_path))
    (tmp_path / "cup").write_text("millpond")
    assert password_of(by_credential, keys) == "millpond"


@pytest.mark.parametrize(
    ("error", "fault"),
    [
        (UaStatusCodeError(StatusCodes.BadSessionIdInvalid), LinkFault.SESSION_LOST),
        (UaStatusCodeError(StatusCodes.BadTooManyOperations), LinkFault.OVERLOADED),
        (UaStatusCodeError(StatusCodes.BadUserAccessDenied), LinkFault.NOT_ADMITTED),
        (UaStatusCodeError(StatusCodes.BadInternalError), LinkFault.SERVER_FAILURE),
        (TimeoutError(), LinkFault.NO_RESPONSE),
        (ConnectionRefusedError(111, "refused"), LinkFault.NOT_CONNECTED),
        (ConnectionResetError(), LinkFault.DISCONNECTED),
        (ConnectionError("closed"), LinkFault.DISCONNECTED),
        (OSError(113, "No route to host"), LinkFault.NOT_CONNECTED),
        (ua.UaError("odd"), LinkFault.GARBLED),
        (ValueError("not enough data"), LinkFault.GARBLED),
        (AttributeError("'NoneType'"), LinkFault.GARBLED),
    ],
)
def test_every_exception_of_the_library_becomes_a_link_error(
    error: Exception, fault: LinkFault
) -> None:
    """With the peer and what was being done; the cause is kept."""
    with pytest.raises(LinkError) as caught, told_as_link_errors("opc.tcp://cup", "reading"):
        raise error
    assert caught.value.fault is fault
    assert "opc.tcp://cup" in caught.value.sentence
    assert caught.value.__cause__ is error


def test_a_cancel_and_a_link_error_pass() -> None:
    """Neither is an exception of the library."""
    with pytest.raises(asyncio.CancelledError), told_as_link_errors("p", "d"):
        raise asyncio.CancelledError
    made = LinkError(LinkFault.GARBLED, "as it is")
    with pytest.raises(LinkError) as caught, told_as_link_errors("p", "d"):
        raise made
    assert caught.value is made
    assert link_error_of(TimeoutError(), "p", "d").sentence == "p gave no answer in time while d"

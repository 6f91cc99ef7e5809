"""Who an analyzer's OPC UA server must prove to be, and who we are towards it.

OPC UA Part 4, 5.6 and 6.1.3 (from memory): the certificate a server offers is checked before
anything secret is sent: that it is trusted and valid, that it carries the server's application
URI, and that it names the host we connect to. Opening the channel then proves that the server has
its key.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

from asyncua import ua
from asyncua.client.client import Client
from asyncua.crypto import security_policies, uacrypto

from edgeflash.config.opcua_source import OpcUaSource
from edgeflash.errors import StorageError
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.service.certificates import (
    CertificateFacts,
    CertificateUnreadableError,
    facts_of,
    leaf_of,
)
from edgeflash.service.clock import Clock
from edgeflash.service.keys import TrustList, analyzers_folder, ensure_own, own_folder
from edgeflash.service.machine import application_uri, host_names

_POLICIES: dict[str, type[security_policies.SecurityPolicy]] = {
    "Basic256Sha256": security_policies.SecurityPolicyBasic256Sha256,
    "Aes128_Sha256_RsaOaep": security_policies.SecurityPolicyAes128Sha256RsaOaep,
    "Aes256_Sha256_RsaPss": security_policies.SecurityPolicyAes256Sha256RsaPss,
    "none": security_policies.SecurityPolicyNone,
}
_MODES = {
    "sign_and_encrypt": ua.MessageSecurityMode.SignAndEncrypt,
    "sign": ua.MessageSecurityMode.Sign,
    "none": ua.MessageSecurityMode.None_,
}
CREDENTIALS = "CREDENTIALS_DIRECTORY"
"""Where the service manager puts credentials (systemd.exec(5), "Credentials")."""


@dataclass(frozen=True, slots=True)
class LinkKeys:
    """Where a gateway keeps what its links need to prove themselves and to trust.

    site_dir: what a password file's relative path starts from.
    """

    state_dir: Path
    site_dir: Path
    site_name: str

    @property
    def application_uri(self) -> str:
        """Our own application URI, as in our certificate."""
        return application_uri(self.site_name)


def password_of(source: OpcUaSource, keys: LinkKeys) -> str:
    """The password of the user, read anew so that a changed one counts. Raises LinkError."""
    if source.password_credential is not None:
        folder = os.environ.get(CREDENTIALS)
        if folder is None:
            raise LinkError(
                LinkFault.NOT_ADMITTED,
                f"the service manager gives no credentials, so the password "
                f'"{source.password_credential}" of {source.url} is not known',
            )
        path = Path(folder) / source.password_credential
    else:
        path = keys.site_dir / (source.password_file or "")
    try:
        return path.read_text("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise LinkError(
            LinkFault.NOT_ADMITTED, f"the password of {source.url} cannot be read: {path}: {error}"
        ) from error


def endpoint_of(
    source: OpcUaSource, endpoints: Sequence[ua.EndpointDescription]
) -> ua.EndpointDescription:
    """The endpoint with the policy and mode asked for. Raises LinkError naming those there are."""
    policy, mode = _POLICIES[source.security_policy].URI, _MODES[source.security_mode]
    usable = [e for e in endpoints if str(e.EndpointUrl).startswith("opc.tcp:")]
    for endpoint in usable:
        if endpoint.SecurityPolicyUri == policy and endpoint.SecurityMode == mode:
            return endpoint
    offered = ", ".join(sorted({f"{_policy(e)} {_word(e)}" for e in usable}))
    raise LinkError(
        LinkFault.NOT_OFFERED,
        f"{source.url} does not offer {source.security_policy} {source.security_mode}; "
        f"it offers: {offered or 'nothing'}",
    )


def _policy(endpoint: ua.EndpointDescription) -> str:
    for word, policy in _POLICIES.items():
        if endpoint.SecurityPolicyUri == policy.URI:
            return word
    return str(endpoint.SecurityPolicyUri).rpartition("#")[2]


def _word(endpoint: ua.EndpointDescription) -> str:
    return next((word for word, mode in _MODES.items() if mode == endpoint.SecurityMode), "invalid")


def name_problem(
    source: OpcUaSource, facts: CertificateFacts, server_uri: str | None
) -> str | None:
    """Why a trusted certificate is not that of the server we mean, or None. Pure.

    server_uri: the application URI the server gives itself.
    """
    wanted = source.server_uri or server_uri
    if not facts.application_uri or facts.application_uri != wanted:
        return f'it is of the application "{facts.application_uri}", and this should be "{wanted}"'
    if source.check_host and not _names_host(facts.host_names, source.host):
        names = ", ".join(facts.host_names) or "none"
        return (
            f'it does not name the host "{source.host}" (it names: {names}); correct the url, or '
            "set check_host = false where the analyzer's certificate cannot be changed"
        )
    return None


def _names_host(names: Sequence[str], host: str) -> bool:
    wanted = _plain(host)
    return any(_plain(name) == wanted for name in names)


def _plain(host: str) -> str:
    try:
        return str(ip_address(host))
    except ValueError:
        return host.lower().removesuffix(".")


async def secure(client: Client, source: OpcUaSource, keys: LinkKeys, clock: Clock) -> None:
    """Makes a client that is not connected ready for the source's security.

    Asks the server for its endpoints first, unprotected. Raises LinkError; what the library raises
    is the caller's to translate.
    """
    offered = await client.connect_and_get_server_endpoints()
    endpoint = endpoint_of(source, offered)
    leaf = await asyncio.to_thread(_accepted, source, endpoint, keys, clock)
    try:
        own = await asyncio.to_thread(
            ensure_own,
            own_folder(keys.state_dir),
            keys.application_uri,
            host_names(),
            clock.utc_now(),
        )
    except StorageError as error:
        raise LinkError(
            LinkFault.NOT_ADMITTED, f"our own certificate cannot be used: {error}"
        ) from error
    client.application_uri = own.facts.application_uri
    await client.set_security(
        _POLICIES[source.security_policy],
        uacrypto.CertProperties(own.certificate_path, "der"),
        uacrypto.CertProperties(own.key_path, "pem"),
        server_certificate=uacrypto.CertProperties(leaf, "der"),
        mode=_MODES[source.security_mode],
    )


def _accepted(
    source: OpcUaSource, endpoint: ua.EndpointDescription, keys: LinkKeys, clock: Clock
) -> bytes:
    """The server's certificate, alone, in DER, once it is accepted. Raises LinkError."""
    trusted = TrustList(analyzers_folder(keys.state_dir), peer_is_server=True)
    offered = bytes(endpoint.ServerCertificate or b"")
    try:
        trusted.make_folders()
        leaf, _ = leaf_of(offered)
        facts = facts_of(leaf)
    except (CertificateUnreadableError, StorageError) as error:
        raise _not_trusted(source, str(error)) from error
    refusal = trusted.check(offered, clock.utc_now())
    if refusal is not None:
        try:
            trusted.keep_rejected(leaf)
        except (CertificateUnreadableError, StorageError, OSError) as error:
            raise _not_trusted(source, f"{refusal.why}; nor can it be kept: {error}") from error
        raise _not_trusted(
            source,
            f"{refusal.why} ({refusal.status}). Compare its SHA-1 thumbprint, {facts.thumbprint}, "
            "at the analyzer; if it is right: edgeflash keys trust SITE THUMBPRINT --for analyzers",
        )
    told = endpoint.Server.ApplicationUri if endpoint.Server is not None else None
    if why := name_problem(source, facts, told):
        raise _not_trusted(source, why)
    return leaf


def _not_trusted(source: OpcUaSource, why: str) -> LinkError:
    return LinkError(
        LinkFault.NOT_TRUSTED, f"the certificate of {source.url} is not accepted: {why}"
    )

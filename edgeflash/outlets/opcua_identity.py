"""Who a session is for: identity tokens, and the person behind a session.

Tokens and the form of an encrypted password: OPC 10000-4, 7.40.2 and 7.41.
"""

from __future__ import annotations

import asyncio
import hmac
import struct
from dataclasses import dataclass
from typing import Any

import structlog
from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.ua.status_codes import StatusCodes
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa

from edgeflash.access import OperationRefusedError, UserRole, Who
from edgeflash.outlets.listening import client_key
from edgeflash.outlets.opcua_security import ServerSecurity
from edgeflash.service.certificates import printable

ANONYMOUS = "anonymous"
MOST_BLOCKS = 4
"""Blocks of an encrypted password; each costs a private key operation."""
_HASHES: dict[str, hashes.HashAlgorithm] = {
    "http://www.w3.org/2001/04/xmlenc#rsa-oaep": hashes.SHA1(),
    "http://opcfoundation.org/UA/security/rsa-oaep-sha2-256": hashes.SHA256(),
}

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Channel:
    """What a session is bound to: policy, mode and certificate, and where there is none the
    address."""

    policy_uri: str
    mode: ua.MessageSecurityMode
    certificate: bytes
    address: str

    @property
    def is_secured(self) -> bool:
        """True when messages are at least signed."""
        return bool(self.mode != ua.MessageSecurityMode.None_)


def channel_of(policy: Any, peer: Any) -> Channel:
    """Of the library's policy object of a connection, and its socket's peer."""
    certificate = policy.peer_certificate or b""
    secured = policy.Mode != ua.MessageSecurityMode.None_
    # A secured client may come back from another address: its key tells who it is.
    return Channel(
        policy.URI,
        policy.Mode,
        certificate if secured else b"",
        "" if secured else client_key(peer),
    )


def who_of(session: Any) -> Who:
    """The person of an activated session. Raises OperationRefusedError when nobody is signed in."""
    who = getattr(session, "who", None)
    if not isinstance(who, Who):
        raise OperationRefusedError("nobody is signed in on this session")
    return who


async def identify(
    security: ServerSecurity, token: Any, nonce: bytes, policy: Any, peer: Any
) -> Who:
    """Who presents this token on a channel of this policy.

    nonce: the one the server gave last, which an encrypted password must contain, so that a
    recorded one is of no use. Raises ServiceError. Waits after failures, see logins.
    """
    via = f"opcua {peer[0]}:{peer[1]}" if peer else "opcua"
    null = isinstance(token, ua.ExtensionObject) and token.TypeId == ua.NodeId()
    if token is None or null or isinstance(token, ua.AnonymousIdentityToken):
        if not security.policies.anonymous_on(policy.Mode):
            raise ServiceError(StatusCodes.BadIdentityTokenRejected)
        return Who(ANONYMOUS, UserRole.OBSERVER, via)
    if not isinstance(token, ua.UserNameIdentityToken):
        raise ServiceError(StatusCodes.BadIdentityTokenRejected)
    if policy.Mode == ua.MessageSecurityMode.None_ or security.log_ins is None:
        times = security.refusals.note(f"password {client_key(peer)}")
        if times is not None:
            _log.warning(
                "password_over_open_channel_refused",
                peer=client_key(peer),
                times=times,
                remedy="use a secured endpoint, and change the password: it was sent in clear",
            )
        raise ServiceError(StatusCodes.BadIdentityTokenRejected)
    name = token.UserName or ""
    password = await asyncio.to_thread(_password_of, token, nonce, policy)
    role = await security.log_ins.log_in(name, password, client_key(peer))
    if role is None:
        raise ServiceError(StatusCodes.BadUserAccessDenied)
    _log.info("opcua_login", user=printable(name, 64), role=role.name.lower(), peer=via)
    return Who(name, role, via)


def _password_of(token: ua.UserNameIdentityToken, nonce: bytes, policy: Any) -> str:
    """The password in the token. Raises ServiceError."""
    data = token.Password or b""
    if isinstance(data, str):
        data = data.encode()
    if not token.EncryptionAlgorithm:
        if policy.Mode != ua.MessageSecurityMode.SignAndEncrypt:
            raise ServiceError(StatusCodes.BadIdentityTokenRejected)
        return _text(data)
    used = _HASHES.get(token.EncryptionAlgorithm)
    key = policy.asymmetric_cryptography.Signer.host_privkey
    if used is None or not isinstance(key, rsa.RSAPrivateKey):
        raise ServiceError(StatusCodes.BadIdentityTokenInvalid)
    block = key.key_size // 8
    if not data or len(data) % block or len(data) > MOST_BLOCKS * block:
        raise ServiceError(StatusCodes.BadIdentityTokenInvalid)
    oaep = padding.OAEP(mgf=padding.MGF1(used), algorithm=used, label=None)
    try:
        plain = b"".join(
            key.decrypt(bytes(data[i : i + block]), oaep) for i in range(0, len(data), block)
        )
        (length,) = struct.unpack_from("<I", plain)
    except (ValueError, struct.error) as error:
        raise ServiceError(StatusCodes.BadIdentityTokenInvalid) from error
    secret, given = plain[4 : 4 + length - len(nonce)], plain[4 + length - len(nonce) : 4 + length]
    if length < len(nonce) or not nonce or not hmac.compare_digest(given, nonce):
        raise ServiceError(StatusCodes.BadIdentityTokenInvalid)
    return _text(secret)


def _text(data: bytes) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        raise ServiceError(StatusCodes.BadIdentityTokenInvalid) from error

"""What secures the OPC UA server: its policies and certificate, and whose certificate it accepts.

Identity tokens by endpoint: a password is taken on secured channels only, nobody's name is asked on
the open one (OPC 10000-4, 7.41; a password must never cross a network in clear).
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import structlog
from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import SimpleRoleRuleset
from asyncua.crypto.security_policies import SecurityPolicyNone
from asyncua.server.server import Server
from asyncua.ua.status_codes import StatusCodes
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import rsa

from edgeflash.config.site import OpcUaServer, SecurityMode, SecurityPolicy
from edgeflash.outlets.bucket import Bucket
from edgeflash.outlets.listening import OutletError
from edgeflash.outlets.logins import LoginFailed, LogIns
from edgeflash.outlets.opcua_limits import Limits
from edgeflash.outlets.refusals import Refusals
from edgeflash.service import keys
from edgeflash.service.certificate_checks import Refusal, check_application_uri
from edgeflash.service.certificates import (
    CertificateUnreadableError,
    facts_of,
    leaf_of,
    read_certificate,
)
from edgeflash.service.machine import host_names
from edgeflash.service.users import FILE_NAME, UserFile

MODES = {
    SecurityMode.SIGN: ua.MessageSecurityMode.Sign,
    SecurityMode.SIGN_AND_ENCRYPT: ua.MessageSecurityMode.SignAndEncrypt,
}
POLICY_PREFIX = "http://opcfoundation.org/UA/SecurityPolicy#"
_KEPT_IN_REJECTED = frozenset({"BadCertificateUntrusted", "BadCertificateChainIncomplete"})
BURST = 8
"""Refused certificates kept, or told of, at once; then one a second: a flood must not wear the disk
or fill the log."""

_log = structlog.get_logger(__name__)


class Policies:
    """Which channels may be opened. Pure."""

    def __init__(self, config: OpcUaServer, has_keys: bool) -> None:
        self.open_endpoint = config.allow_open_endpoint
        self._policies = config.policies if has_keys else ()
        self._modes = config.modes
        self._anonymous = config.anonymous

    def types(self) -> list[Any]:
        """The library's names for every endpoint, the strongest first."""
        secured = [
            getattr(ua.SecurityPolicyType, f"{policy.value.replace('_', '')}_{mode.name}")
            for policy in sorted(self._policies, key=list(SecurityPolicy).index, reverse=True)
            for mode in sorted((MODES[m] for m in self._modes), reverse=True)
        ]
        return [*secured, *([ua.SecurityPolicyType.NoSecurity] if self.open_endpoint else [])]

    def has(self, uri: str) -> bool:
        """True when a secured channel may have this policy."""
        return any(uri == POLICY_PREFIX + policy.value for policy in self._policies)

    def allows(self, uri: str, mode: ua.MessageSecurityMode) -> bool:
        """True for a channel that may be opened. The unsecured one always may, for discovery."""
        if uri == SecurityPolicyNone.URI:
            return bool(mode == ua.MessageSecurityMode.None_)
        return self.has(uri) and mode in {MODES[m] for m in self._modes}

    def anonymous_on(self, mode: ua.MessageSecurityMode) -> bool:
        """True when a session over such a channel needs no user name."""
        if mode == ua.MessageSecurityMode.None_:
            return self.open_endpoint and self._anonymous is not False
        return self._anonymous is True


class ServerSecurity:
    """The security of one server, for as long as its outlet lives.

    state_dir: where keys and users are; without it there is no secured endpoint, and the site file
    must allow the open one. on_login_failed: told of each failed log-in, see LoginFailed.
    Raises OutletError when nothing could be offered.
    """

    def __init__(
        self,
        config: OpcUaServer,
        state_dir: Path | None,
        application_uri: str,
        on_login_failed: LoginFailed | None = None,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        if state_dir is None and not config.allow_open_endpoint:
            raise OutletError(
                "opcua: without a folder for keys there is no secured endpoint, and the open one "
                "is off: set allow_open_endpoint = true, or give the folder"
            )
        self.config = config
        self.application_uri = application_uri
        self.policies = Policies(config, state_dir is not None)
        self.all_of, self.share_of = Limits.of_all(config), Limits.of_each(config)
        self.now = now
        self.own: keys.OwnCertificate | None = None
        self.trust: keys.TrustList | None = None
        self.users: UserFile | None = None
        self.log_ins: LogIns | None = None
        self.own_key: rsa.RSAPrivateKey | None = None
        self.own_certificate: x509.Certificate | None = None
        self.loaded_mark: object = None
        self._own_folder: Path | None = None
        self._state_dir = state_dir
        self._on_login_failed = on_login_failed
        self.creating = asyncio.Lock()
        """Held while a session is created: what was free at the look must still be free then."""
        self.refusals = Refusals()
        self._may_keep, self._may_tell = Bucket(BURST), Bucket(BURST)

    def load(self) -> None:
        """Reads the own certificate, makes what is missing. Takes a second or so; StorageError."""
        if self._state_dir is None:
            return
        self._own_folder = keys.own_folder(self._state_dir)
        made = keys.ensure_own(
            self._own_folder,
            self.application_uri,
            host_names(self.config.certified_names),
            self.now(),
        )
        if made.made:
            _log.warning(
                "own_certificate_made",
                why=made.made,
                thumbprint=made.facts.thumbprint,
                until=f"{made.facts.not_after:%Y-%m-%d}",
            )
        self.reload_own()
        self.trust = keys.TrustList(keys.clients_folder(self._state_dir))
        self.trust.make_folders()
        self.users = UserFile(self._state_dir / FILE_NAME)
        self.log_ins = LogIns(self.users, time.monotonic, self._on_login_failed)

    def reload_own(self) -> None:
        """Reads the own certificate and its key anew. Raises StorageError."""
        assert self._own_folder is not None
        self.loaded_mark = _mark_of(self._own_folder)  # before reading: else a change could hide
        own = keys.read_own(self._own_folder)
        key = serialization.load_pem_private_key(own.key_path.read_bytes(), password=None)
        assert isinstance(key, rsa.RSAPrivateKey)
        self.own_certificate = read_certificate(own.certificate_path.read_bytes())
        self.own, self.own_key = own, key

    def is_renewed(self) -> bool:
        """True once the own certificate on the disk is another than the loaded one."""
        return self._own_folder is not None and _mark_of(self._own_folder) != self.loaded_mark

    def prepare(self, server: Server, ruleset: SimpleRoleRuleset) -> None:
        """Sets what the server will offer once it starts."""
        tokens: list[type] = [ua.UserNameIdentityToken]
        if any(map(self.policies.anonymous_on, ua.MessageSecurityMode)):
            tokens.append(ua.AnonymousIdentityToken)
        server.set_identity_tokens(tokens)
        server.set_security_policy(self.policies.types(), ruleset)
        server.iserver.certificate, server.iserver.private_key = self.own_certificate, self.own_key

    def trim_tokens(self, endpoints: Sequence[ua.EndpointDescription]) -> None:
        """Leaves at each endpoint the identity tokens that are taken there."""
        for endpoint in endpoints:
            mode = endpoint.SecurityMode
            kept = []
            for token in endpoint.UserIdentityTokens:
                if token.TokenType == ua.UserTokenType.Anonymous:
                    if self.policies.anonymous_on(mode):
                        kept.append(token)
                elif mode != ua.MessageSecurityMode.None_:
                    # A second encryption inside an encrypted channel: its log may be decrypted
                    # one day, with a key that has long been renewed.
                    token.SecurityPolicyUri = endpoint.SecurityPolicyUri
                    kept.append(token)
            endpoint.UserIdentityTokens = kept

    def take_over_own(self, server: Server) -> None:
        """Offers the reloaded certificate to new channels; open ones go on with the one before."""
        assert self.own is not None and self.own_certificate is not None
        server.iserver.certificate, server.iserver.private_key = self.own_certificate, self.own_key
        for factory in server._policies:
            factory.certificate, factory.private_key = self.own_certificate, self.own_key
        der = self.own_certificate.public_bytes(serialization.Encoding.DER)
        for endpoint in server.iserver.endpoints:
            endpoint.ServerCertificate = der

    async def check_client(self, der: bytes, peer: str) -> None:
        """Raises ServiceError, with what the client is told, unless its certificate is trusted."""
        if self.trust is None:
            raise ServiceError(StatusCodes.BadSecurityPolicyRejected)
        refusal = await asyncio.to_thread(self.trust.check, der, self.now())
        if refusal is None:
            return
        if refusal.status in _KEPT_IN_REJECTED and self._may_keep.take():
            try:
                await asyncio.to_thread(self.trust.keep_rejected, der)
            except Exception as error:
                _log.error("rejected_certificate_not_kept", why=str(error))
        self.refuse(refusal, der, peer)

    def check_uri(self, der: bytes, application_uri: str | None, peer: str) -> None:
        """Raises ServiceError unless the client is the application of its certificate."""
        refusal = check_application_uri(der, application_uri or "")
        if refusal is not None:
            self.refuse(refusal, der, peer)

    def refuse(self, refusal: Refusal, der: bytes, peer: str) -> None:
        """Says in the log why a client is refused, and raises the ServiceError for it."""
        try:
            facts = facts_of(leaf_of(der)[0])
            thumbprint, subject = facts.thumbprint, facts.subject
        except CertificateUnreadableError:
            thumbprint, subject = "", ""
        times = self.refusals.note(f"{thumbprint} {refusal.status} {peer}")
        if times is not None and self._may_tell.take():
            _log.warning(
                "client_certificate_refused",
                status=refusal.status,
                why=refusal.why,
                peer=peer,
                thumbprint=thumbprint,
                subject=subject,
                times=times,
                remedy="edgeflash keys list, then edgeflash keys trust, if you know this client",
            )
        raise ServiceError(getattr(StatusCodes, refusal.told))


def _mark_of(own_folder: Path) -> object:
    status = (own_folder / keys.CERTIFICATE).stat()
    return (status.st_mtime_ns, status.st_ino, status.st_size)

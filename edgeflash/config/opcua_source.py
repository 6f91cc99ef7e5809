"""How to reach an analyzer that is an OPC UA server."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import Field

from edgeflash.config.analyzer_map import Strict

OPCUA_PORT = 4840
"""The port of OPC UA over TCP (IANA: opcua-tcp)."""

SCHEME = "opc.tcp"

SecurityPolicy = Literal["Basic256Sha256", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss", "none"]
SecurityMode = Literal["sign_and_encrypt", "sign", "none"]


class OpcUaSource(Strict):
    """One analyzer's OPC UA server: where it is, how the way to it is protected, who we are.

    security_policy, security_mode: "none" in both is no protection at all, and only where it says
    so. user: else anonymous; its password comes from a file or from a credential of the service
    manager. server_uri: the application URI the server's certificate must carry. check_host: the
    certificate must name the host of the url. subscribe: false reads everything, whatever the map
    says. publishing_interval_s: how often the server may tell of changes.
    """

    url: str
    security_policy: SecurityPolicy = "Basic256Sha256"
    security_mode: SecurityMode = "sign_and_encrypt"
    user: Annotated[str, Field(min_length=1, max_length=256)] | None = None
    password_file: Path | None = None
    password_credential: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,31}$")] | None = None
    server_uri: Annotated[str, Field(min_length=1, max_length=1024)] | None = None
    check_host: bool = True
    subscribe: bool = True
    publishing_interval_s: Annotated[float, Field(ge=0.05, le=60)] = 0.5

    @property
    def is_secure(self) -> bool:
        """False when nothing protects the way to the server."""
        return self.security_mode != "none"

    @property
    def host(self) -> str:
        """The host of the url."""
        return urlsplit(self.url).hostname or ""

    @property
    def port(self) -> int:
        """The port of the url. Raises ValueError when it is none."""
        return urlsplit(self.url).port or OPCUA_PORT

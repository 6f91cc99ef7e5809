"""The OPC UA link and an independent server over secured channels: certificates, policies, users.

Peer: node-opcua (serve_nodes.js). Policies: OPC 10000-7; what is checked of a certificate: OPC
10000-4, 6.1.3.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes

from edgeflash.model import Role
from edgeflash.publication import LinkState
from edgeflash.service.keys import TrustList, analyzers_folder
from tests.opcua_reading import reading
from tests.peers.cup_server import (
    MAP,
    certificate_files,
    counted,
    serving,
    tell,
    trust_rejected,
    url_of,
)
from tests.ports import free_port

pytestmark = pytest.mark.peer("node", "node-opcua")

SECURE = {
    "security_policy": "Basic256Sha256",
    "security_mode": "sign_and_encrypt",
    "user": "reader",
    "password_file": "password",
}


async def test_a_secured_session_with_a_user(tmp_path: Path) -> None:
    """A certificate nobody has trusted is kept and told; once trusted, the session opens."""
    state, port = tmp_path / "state", free_port()
    state.mkdir()
    (state / "password").write_text("windmill\n")
    keys = certificate_files(tmp_path, "first")
    async with (
        serving(port, tmp_path / "pki", "plain", keys) as server,
        reading(url_of(port), MAP, state, **SECURE) as seen,
    ):
        why = await seen.state_is(LinkState.MISCONFIGURED)
        leaf = x509.load_pem_x509_certificate(keys[0].read_bytes())
        assert leaf.fingerprint(hashes.SHA1()).hex().upper() in why
        assert seen.scans == [] and (await counted(server))[0] == 0
        trust_rejected(state)
        await seen.state_is(LinkState.UP)
        await tell(server, "finish 2")
        await seen.cycle_comes(2)
        assert await counted(server) == (1, 1)


@pytest.mark.parametrize(
    ("policy", "mode"),
    [
        ("Basic256Sha256", "sign"),
        ("Aes128_Sha256_RsaOaep", "sign_and_encrypt"),
        ("Aes256_Sha256_RsaPss", "sign_and_encrypt"),
    ],
)
async def test_every_policy(policy: str, mode: str, tmp_path: Path) -> None:
    """A cycle is read, by a user whose password is encrypted also where messages are not."""
    state, port = tmp_path / "state", free_port()
    state.mkdir()
    (state / "password").write_text("windmill")
    keys = certificate_files(tmp_path, "first")
    TrustList(analyzers_folder(state)).add(keys[0].read_bytes())
    settings = {**SECURE, "security_policy": policy, "security_mode": mode}
    async with (
        serving(port, tmp_path / "pki", "plain", keys),
        reading(url_of(port), MAP, state, **settings) as seen,
    ):
        assert (await seen.cycle_comes(1)).values[Role.FLASH_POINT] == 60 + 1 / 8


async def test_a_wrong_password_is_told(tmp_path: Path) -> None:
    """And a corrected one counts without a restart."""
    state, port = tmp_path / "state", free_port()
    state.mkdir()
    (state / "password").write_text("millpond")
    keys = certificate_files(tmp_path, "first")
    TrustList(analyzers_folder(state)).add(keys[0].read_bytes())
    async with (
        serving(port, tmp_path / "pki", "plain", keys),
        reading(url_of(port), MAP, state, **SECURE) as seen,
    ):
        why = await seen.state_is(LinkState.MISCONFIGURED)
        assert "signing in as reader" in why
        (state / "password").write_text("windmill")
        await seen.state_is(LinkState.UP)


async def test_the_policy_must_be_offered(tmp_path: Path) -> None:
    """What the server offers is told; nothing weaker is taken."""
    port = free_port()
    async with (
        serving(port, tmp_path / "pki"),
        reading(url_of(port), MAP, tmp_path, security_policy="Basic256Sha256") as seen,
    ):
        why = await seen.state_is(LinkState.MISCONFIGURED)
        assert "does not offer Basic256Sha256 sign_and_encrypt; it offers: none none" in why


async def test_the_certificate_is_renewed(tmp_path: Path) -> None:
    """A server with a new certificate is not believed until somebody trusts it."""
    state, port = tmp_path / "state", free_port()
    state.mkdir()
    (state / "password").write_text("windmill")
    first, second = certificate_files(tmp_path, "first"), certificate_files(tmp_path, "second")
    TrustList(analyzers_folder(state)).add(first[0].read_bytes())
    async with reading(url_of(port), MAP, state, **SECURE) as seen:
        async with serving(port, tmp_path / "pki", "plain", first):
            await seen.cycle_comes(1)
        async with serving(port, tmp_path / "pki", "plain", second) as server:
            await seen.state_is(LinkState.MISCONFIGURED)
            assert "is not accepted" in seen.why
            trust_rejected(state)
            await tell(server, "finish 2")
            await seen.cycle_comes(2)
            assert seen.state is LinkState.UP

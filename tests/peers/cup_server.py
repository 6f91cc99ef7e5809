"""The small analyzer of serve_nodes.js at work, and the keys that go with it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from edgeflash.service.keys import Standing, TrustList, analyzers_folder
from tests.opcua_reading import PATIENCE_S, Seen
from tests.peers.programs import node_modules
from tests.peers.running import HERE, Peer, running

MAP = HERE / "node_map.toml"


@asynccontextmanager
async def serving(
    port: int, pki: Path, way: str = "plain", keys: tuple[Path, Path] | None = None
) -> AsyncIterator[Peer]:
    """The peer's server at work."""
    environment = {"NODE_PATH": str(node_modules()), "PKI_FOLDER": str(pki)}
    command = ["node", str(HERE / "serve_nodes.js"), str(port), way, *map(str, keys or ())]
    async with running(command, environment) as server:
        await server.hear("ready")
        yield server


async def tell(server: Peer, command: str) -> None:
    """Has a command carried out."""
    server.say(command)
    await server.hear(f"done {command}")


async def counted(server: Peer) -> tuple[int, int]:
    """How many sessions and subscriptions the server has."""
    server.say("count")
    sessions, subscriptions = (await server.hear("counted ")).split()
    return int(sessions), int(subscriptions)


async def subscriptions_are(server: Peer, count: int, seen: Seen) -> None:
    """Waits until the server has so many subscriptions."""
    for _ in range(round(PATIENCE_S)):
        if (await counted(server))[1] == count:
            return
        for _ in range(4):
            await seen.next_scan()
    raise AssertionError(f"never {count} subscriptions")


def certificate_files(folder: Path, name: str) -> tuple[Path, Path]:
    """A new key and certificate of the server, made with the reference library."""
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"bench cup {name}")])
    names = [
        x509.UniformResourceIdentifier("urn:example:bench-cup"),
        x509.IPAddress(ip_address("127.0.0.1")),
    ]
    usage = {
        "digital_signature": True, "content_commitment": True, "key_encipherment": True,
        "data_encipherment": True, "key_agreement": False, "key_cert_sign": True,
        "crl_sign": False, "encipher_only": False, "decipher_only": False,
    }  # fmt: skip
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=30))
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.KeyUsage(**usage), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    certificate_file, key_file = folder / f"{name}.crt.pem", folder / f"{name}.key.pem"
    certificate_file.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    key_file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return certificate_file, key_file


def trust_rejected(state_dir: Path) -> None:
    """What a person does after comparing the thumbprint."""
    trusted = TrustList(analyzers_folder(state_dir), peer_is_server=True)
    for listed in trusted.list():
        if listed.standing is Standing.REJECTED:
            trusted.trust(listed.facts.thumbprint)


def url_of(port: int) -> str:
    return f"opc.tcp://127.0.0.1:{port}"

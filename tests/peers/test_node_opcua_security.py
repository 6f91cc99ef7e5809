"""An independent OPC UA client gets into the secured server, or does not.

Peer: node-opcua (secure_client.js), a stack of its own in another language, with its own checks of
our certificate. Certificates of the client are made with the `cryptography` library.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from edgeflash.service import keys
from tests.certificates import DAY, Made, key_of, make
from tests.integration.outlets.secured import PASSWORD, Plant, secured
from tests.peers.programs import node_modules
from tests.peers.running import HERE, running

pytestmark = pytest.mark.peer("node", "node-opcua")

POLICIES = ("Basic256Sha256", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss")
MODES = ("Sign", "SignAndEncrypt")


def attempt(plant: Plant, made: Made | None = None, **words: object) -> dict[str, object]:
    """One attempt; the trusted client as an operator unless said otherwise."""
    used = made or plant.trusted
    certificate, key = used.files(plant.state / f"node-{used.sha1}")
    fields: dict[str, object] = {
        "policy": "Basic256Sha256",
        "mode": "SignAndEncrypt",
        "certificate": str(certificate),
        "key": str(key),
        "user": "olive",
        "password": PASSWORD,
    }
    return fields | words


async def tried(plant: Plant, *attempts: dict[str, object]) -> list[dict[str, Any]]:
    """What the client says of each attempt."""
    own = keys.own_folder(plant.state) / keys.CERTIFICATE
    words = [json.dumps(one) for one in attempts]
    command = ["node", HERE / "secure_client.js", plant.outlet.endpoint, own, *words]
    environment = {
        "NODE_PATH": str(node_modules()),
        "PKI_FOLDER": str(plant.state / "node-pki"),
    }
    async with running(command, environment) as peer:
        return [json.loads("{" + await peer.hear("{")) for _ in attempts]


async def test_every_policy_and_mode(tmp_path: Path) -> None:
    """Six channels; each reads, and an operator writes an input. The endpoints tell of all six."""
    async with secured(tmp_path, accept_inputs=True) as plant:
        kinds = [(policy, mode) for policy in POLICIES for mode in MODES]
        asked = [
            attempt(plant, policy=p, mode=m, write=200.0 + i) for i, (p, m) in enumerate(kinds)
        ]
        answers = await tried(plant, *asked)
    for kind, answer in zip(kinds, answers, strict=True):
        assert answer.get("value") == 62.5, (kind, answer)
        assert answer["write"] == "Good"
        found = {tuple(one[:2]): one[2:] for one in answer["endpoints"]}
        assert set(found) == set(kinds)
        assert all(tokens == ["UserName"] for _, tokens in found.values())
        by_level = sorted(found, key=lambda one: found[one][0])
        assert by_level[-1] == ("Aes256_Sha256_RsaPss", "SignAndEncrypt")


async def test_who_is_refused(tmp_path: Path) -> None:
    """Wrong password, unknown user, "admin", nobody; stranger, expired, not yet valid; and none."""
    async with secured(tmp_path, accept_inputs=True) as plant:
        expired = make(begins=-9 * DAY, ends=-DAY, key=key_of("expired"))
        early = make(begins=DAY, key=key_of("early"))
        plant.trust.add(expired.der)
        plant.trust.add(early.der)
        stranger = make(key=key_of("stranger"))
        with capture_logs() as lines:
            answers = await tried(
                plant,
                attempt(plant, password="wrong password"),
                attempt(plant, user="nobody-known"),
                attempt(plant, user="admin"),
                attempt(plant, user=""),
                attempt(plant, stranger),
                attempt(plant, expired),
                attempt(plant, early),
                attempt(plant, policy="None", mode="None"),
                attempt(plant, policy="None", mode="None", user=""),
                attempt(plant, policy="Basic256", mode="SignAndEncrypt"),
                attempt(plant, user="oscar", write=1.0),
                attempt(plant),
            )
        kept = {c.facts.thumbprint for c in plant.trust.list() if c.standing == "rejected"}
        assert kept == {stranger.sha1}
    *refused, observer, operator = answers
    # By us, each for its own reason, and not by the client before it came to us.
    told_of = [line for line in lines if line["event"] == "client_certificate_refused"]
    assert {(line["thumbprint"], line["status"]) for line in told_of} == {
        (stranger.sha1, "BadCertificateUntrusted"),
        (expired.sha1, "BadCertificateTimeInvalid"),
        (early.sha1, "BadCertificateTimeInvalid"),
    }
    assert all("value" not in answer for answer in refused), refused
    told = [answer["error"] for answer in refused]
    for error in told[:3]:
        assert "BadUserAccessDenied" in error
    assert (observer["value"], observer["write"]) == (62.5, "BadUserAccessDenied")
    assert operator["value"] == 62.5


async def test_a_stranger_becomes_trusted_without_a_restart(tmp_path: Path) -> None:
    """Refused, kept, trusted by its thumbprint as the outside library computes it, let in."""
    async with secured(tmp_path) as plant:
        stranger = make(key=key_of("stranger"))
        (before,) = await tried(plant, attempt(plant, stranger))
        plant.trust.trust(stranger.sha1)
        (after,) = await tried(plant, attempt(plant, stranger))
    assert "error" in before
    assert after.get("value") == 62.5, after


async def test_the_open_endpoint_where_the_site_asks_for_it(tmp_path: Path) -> None:
    """None for anybody, beside the secured ones; no password over it."""
    async with secured(tmp_path, allow_open_endpoint=True) as plant:
        anybody, named, secret = await tried(
            plant,
            attempt(plant, policy="None", mode="None", user=""),
            attempt(plant, policy="None", mode="None"),
            attempt(plant),
        )
    assert anybody["value"] == secret["value"] == 62.5
    assert "value" not in named
    found = {tuple(one[:2]): one[3] for one in anybody["endpoints"]}
    assert found["None", "None"] == ["Anonymous"]
    assert len(found) == 7

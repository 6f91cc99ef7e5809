"""Brokers that will not have us, or that we must not trust: said once, tried again, never hanging.

Peer: mosquitto. Certificates are made by `cryptography`.
"""

from __future__ import annotations

import asyncio
import shutil
import subprocess
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from edgeflash.journal import Journal
from edgeflash.outlets.mqtt import MqttOutlet
from edgeflash.outlets.mqtt_errors import SessionLostError
from edgeflash.outlets.mqtt_message import Message
from tests.peers.broker import SBIN, WAIT_S, Broker, broker, subscriber
from tests.peers.mqtt_certificates import CLIENT, DAY, Authority
from tests.peers.mqtt_outlets import append, entry, outlet_of, results, serving
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


async def refused(outlet: MqttOutlet, why: str) -> list[str]:
    """Lets an outlet try a few times; what it logged of it, each text once. Its fault names why."""
    with capture_logs() as logs:
        async with serving(outlet):
            await until(lambda: why in outlet.figures.fault, WAIT_S)
            await until(lambda: outlet.figures.attempts >= 3, WAIT_S)
            assert why in outlet.figures.fault
            assert outlet.figures.connected_since is None
    told = [str(one.get("why", "")) for one in logs if one["log_level"] == "warning"]
    assert len(told) == len(set(told)) >= 1, f"said again and again: {told}"
    return told


async def test_nobody_listens(tmp_path: Path, journal: Journal) -> None:
    """Connection refused by the system."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        server.kill()
        await refused(outlet_of(entry(server.port), journal, tmp_path), "cannot be reached")


async def test_a_name_that_nobody_knows(tmp_path: Path, journal: Journal) -> None:
    """RFC 6761, 6.4: `.invalid` never exists."""
    one = entry(1883, host="broker.invalid")
    await refused(outlet_of(one, journal, tmp_path), "broker.invalid is not known here")


async def test_who_answers_never_says_a_word(tmp_path: Path, journal: Journal) -> None:
    """A port that takes connections and is silent: given up after timeout_s, TLS or not."""
    silent: set[asyncio.StreamWriter] = set()

    async def hold(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        silent.add(writer)

    server = await asyncio.start_server(hold, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    try:
        for tls in (False, True):
            one = entry(port, tls=tls, timeout_s=1)
            await refused(outlet_of(one, journal, tmp_path), "did not answer within 1 s")
    finally:
        server.close()
        for writer in silent:
            writer.transport.abort()


def with_password(tmp_path: Path) -> Broker:
    """The settings of a broker that wants a user's password."""
    passwords = tmp_path / "passwords"
    passwords.touch(0o600)
    program = shutil.which("mosquitto_passwd", path=SBIN)
    assert program is not None
    subprocess.run([program, "-b", passwords, "panel", "right"], check=True)
    return Broker(tmp_path / "broker", ("allow_anonymous false", f"password_file {passwords}"))


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_wrong_password(tmp_path: Path, journal: Journal, protocol: str) -> None:
    """Refused; with the right one, which is read anew for every connection, it goes."""
    server = with_password(tmp_path)
    try:
        await server.start()
        file = tmp_path / "password"
        file.write_text("wrong\n")
        await append(journal, results(1, 3))
        one = entry(server.port, user="panel", password_file="password", protocol=protocol)
        outlet = outlet_of(one, journal, tmp_path)
        await refused(outlet, "refuses us")
        assert journal.pending("mqtt:panel") == 3
        async with serving(outlet):
            file.write_text("right\n")
            await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
    finally:
        server.kill()


async def test_a_password_from_the_service_manager(
    tmp_path: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """systemd.exec(5), "Credentials": a file in $CREDENTIALS_DIRECTORY."""
    server = with_password(tmp_path)
    try:
        await server.start()
        one = entry(server.port, user="panel", password_credential="broker")
        outlet = outlet_of(one, journal, tmp_path)
        monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
        await refused(outlet, "gives no credentials")
        monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path / "credentials"))
        (tmp_path / "credentials").mkdir()
        (tmp_path / "credentials" / "broker").write_text("right")
        async with serving(outlet):
            await until(lambda: outlet.figures.connected_since is not None, WAIT_S)
    finally:
        server.kill()


async def test_what_the_broker_may_not_be_told(tmp_path: Path, journal: Journal) -> None:
    """A broker's rule against one topic (MQTT 5 tells it): owed, not lost; the rest goes on."""
    rules = tmp_path / "rules"
    rules.write_text("topic readwrite #\ntopic deny edgeflash/+/analyzers/fp-101/results\n")
    settings = ("allow_anonymous true", f"acl_file {rules}")
    with broker(tmp_path / "broker", *settings) as server:
        await server.start()
        await append(journal, results(1, 3))
        outlet = outlet_of(entry(server.port), journal, tmp_path)
        with subscriber(server.port, tmp_path / "heard") as listener:
            async with serving(outlet):
                await until(lambda: "Not authorized" in outlet.figures.fault, WAIT_S)
                await until(lambda: listener.documents("status"), WAIT_S)
                assert outlet.figures.connected_since is not None
                assert journal.position("mqtt:panel") == 0
                rules.write_text("topic readwrite #\n")
                assert server.process is not None
                server.process.send_signal(1)  # SIGHUP: it reads its rules again
                await until(lambda: len(listener.documents("results")) == 3, WAIT_S)
                await until(lambda: not outlet.figures.fault, WAIT_S)


async def test_what_is_larger_than_the_broker_takes(tmp_path: Path, journal: Journal) -> None:
    """MQTT 5.0, 3.2.2.3.6: its Maximum Packet Size. Not sent, for it would throw us out; owed."""
    settings = ("allow_anonymous true", "max_packet_size 2000")
    with broker(tmp_path / "broker", *settings) as server:
        await server.start()
        await append(journal, results(1, 2))
        outlet = outlet_of(entry(server.port), journal, tmp_path)
        with subscriber(server.port, tmp_path / "heard") as listener:
            async with serving(outlet):
                await until(lambda: "more than the 2000 that" in outlet.figures.fault, WAIT_S)
                await until(lambda: listener.documents("status"), WAIT_S)
                assert outlet.figures.sessions == 1
                assert journal.pending("mqtt:panel") == 2


async def test_no_more_under_way_than_the_broker_allows(tmp_path: Path, journal: Journal) -> None:
    """MQTT 5.0, 3.2.2.3.3: its Receive Maximum; more at once, and it would throw us out."""
    settings = ("allow_anonymous true", "max_inflight_messages 3")
    with broker(tmp_path / "broker", *settings) as server:
        await server.start()
        await append(journal, results(1, 60))
        outlet = outlet_of(entry(server.port), journal, tmp_path)
        async with serving(outlet):
            await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
            session = outlet._connection._session
            assert session is not None
            assert session.most_under_way == 3
        assert outlet.figures.sessions == 1


async def test_a_broker_that_says_why_it_goes(tmp_path: Path, journal: Journal) -> None:
    """MQTT 5.0, 3.14.2.1: a DISCONNECT with its reason; here for a packet that is too large, sent
    as if its limit were not known."""
    settings = ("allow_anonymous true", "max_packet_size 2000")
    with broker(tmp_path / "broker", *settings) as server:
        await server.start()
        rare = entry(server.port, backoff_first_s=60, backoff_max_s=60)
        outlet = outlet_of(rare, journal, tmp_path)
        async with serving(outlet):
            await until(lambda: outlet.figures.connected_since is not None, WAIT_S)
            session = outlet._connection._session
            assert session is not None
            session._client.most_bytes = None
            with pytest.raises(SessionLostError, match="the broker says: Packet too large"):
                await session.publish(Message("a/b", b"x" * 5000, 1))


async def test_another_client_of_the_same_id(tmp_path: Path, journal: Journal) -> None:
    """The broker throws out the older one (MQTT 5.0, 3.1.4); said once, as what it is."""
    with broker(tmp_path / "broker") as server, Journal.open(tmp_path / "other.sqlite3") as second:
        await server.start()
        ours = outlet_of(entry(server.port), journal, tmp_path)
        theirs = outlet_of(entry(server.port), second, tmp_path)
        with capture_logs() as logs:
            async with serving(ours), serving(theirs):
                wanted = "is there another client with the id"
                await until(lambda: wanted in ours.figures.fault + theirs.figures.fault, WAIT_S)
        told = [line["event"] for line in logs if wanted in str(line.get("why"))]
        assert set(told) == {"mqtt connects again and again"}


@pytest.mark.parametrize(
    ("host", "ends", "why"),
    [
        ("127.0.0.1", -timedelta(minutes=1), "certificate has expired"),
        ("192.0.2.7", 30 * DAY, "IP address mismatch"),
        ("broker.example", 30 * DAY, "IP address mismatch"),
    ],
)
async def test_a_certificate_that_is_not_good(
    tmp_path: Path, journal: Journal, host: str, ends: timedelta, why: str
) -> None:
    """Expired, or of another host; the words are those of OpenSSL's verification errors."""
    authority = Authority(tmp_path, "authority")
    certificate, key = authority.issue("server", host, begins=-2 * DAY, ends=ends)
    settings = ("allow_anonymous true", f"certfile {certificate}", f"keyfile {key}")
    with broker(tmp_path / "broker", *settings) as server:
        await server.start()
        one = entry(server.port, tls=True, ca_file=authority.file)
        told = await refused(outlet_of(one, journal, tmp_path), why)
        assert "the certificate of mqtts://" in told[0]


async def test_an_authority_that_we_do_not_know(tmp_path: Path, journal: Journal) -> None:
    """The machine's own list does not vouch for the plant's authority."""
    authority = Authority(tmp_path, "authority")
    certificate, key = authority.issue("server", "127.0.0.1")
    settings = ("allow_anonymous true", f"certfile {certificate}", f"keyfile {key}")
    with broker(tmp_path / "broker", *settings) as server:
        await server.start()
        one = entry(server.port, tls=True)
        await refused(outlet_of(one, journal, tmp_path), "unable to get local issuer certificate")
        wrong = entry(server.port, tls=True, ca_file="not-there.pem")
        await refused(outlet_of(wrong, journal, tmp_path), "not-there.pem: cannot be used")


async def test_tls_with_a_certificate_of_ours(tmp_path: Path, journal: Journal) -> None:
    """The broker asks who we are; without it, or with that of another authority, it refuses."""
    authority, other = Authority(tmp_path, "authority"), Authority(tmp_path, "other")
    certificate, key = authority.issue("server", "localhost")
    ours, our_key = authority.issue("gateway", "gateway.example", CLIENT)
    strange, strange_key = other.issue("strange", "gateway.example", CLIENT)
    settings = (
        *("allow_anonymous true", f"certfile {certificate}", f"keyfile {key}"),
        *(f"cafile {authority.file}", "require_certificate true"),
    )
    with broker(tmp_path / "broker", *settings) as server:
        await server.start()
        right = {"host": "localhost", "tls": True, "ca_file": authority.file}
        await append(journal, results(1, 2))
        await refused(outlet_of(entry(server.port, **right), journal, tmp_path), "mqtts://")
        wrong = entry(server.port, **right, certificate_file=strange, key_file=strange_key)
        await refused(outlet_of(wrong, journal, tmp_path), "mqtts://")
        assert journal.pending("mqtt:panel") == 2
        known = entry(server.port, **right, certificate_file=ours, key_file=our_key)
        async with serving(outlet_of(known, journal, tmp_path)) as outlet:
            await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
            assert outlet.figures.fault == ""

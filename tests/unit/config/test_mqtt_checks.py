"""Mistakes in how a broker is reached are said, each with its key."""

from __future__ import annotations

import pytest

from edgeflash.config.mqtt_checks import mqtt_problems
from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.problems import key_text
from edgeflash.config.site import SiteFile, SiteHeader
from tests.unit.outlets.builders import analyzer

BROKER = "10.20.0.40"
SPARKPLUG: dict[str, object] = {"form": "sparkplug", "group_id": "g", "node_id": "n"}


def file_of(*entries: dict[str, object]) -> SiteFile:
    """A site with these MQTT outlets."""
    made = tuple(
        MqttEntry.model_validate({"id": f"m{n}", "host": BROKER} | entry)
        for n, entry in enumerate(entries)
    )
    return SiteFile(site=SiteHeader(name="Invented Bend"), mqtt=made, analyzers=(analyzer(),))


def problems(*entries: dict[str, object]) -> dict[str, str]:
    """What is wrong, by key."""
    return {key_text(one.path): one.problem for one in mqtt_problems(file_of(*entries))}


@pytest.mark.parametrize(
    "entry",
    [
        {},
        {"tls": False},
        {"user": "panel", "password_file": "password"},
        {"user": "panel", "password_credential": "broker"},
        {"user": "panel"},
        {"host": "localhost", "tls": False, "user": "panel", "password_file": "password"},
        {"host": "::1", "tls": False, "user": "panel", "password_file": "password"},
        {"ca_file": "ca.pem", "certificate_file": "us.pem", "key_file": "us.key"},
        {"topic_root": "plant 7/flash"},
    ],
)
def test_right(entry: dict[str, object]) -> None:
    """TLS by default; without it no password leaves this machine."""
    assert problems(entry) == {}


@pytest.mark.parametrize(
    ("entry", "key", "words"),
    [
        ({"host": "0.0.0.0"}, "host", "no broker's address"),
        ({"host": "mqtt://10.20.0.40"}, "host", "write the name or the address alone"),
        ({"tls": False, "user": "p", "password_file": "f"}, "tls", "in the clear"),
        ({"tls": False, "user": "p", "password_credential": "c"}, "tls", "in the clear"),
        ({"tls": False, "ca_file": "ca.pem"}, "ca_file", "no effect without TLS"),
        ({"certificate_file": "us.pem"}, "key_file", "is missing"),
        (SPARKPLUG | {"set_aside_after_s": 60}, "set_aside_after_s", "no effect in the form"),
        ({"key_file": "us.key"}, "certificate_file", "is missing"),
        ({"password_file": "f"}, "password_file", "there is no user"),
        ({"password_credential": "c"}, "password_credential", "there is no user"),
        (
            {"user": "p", "password_file": "f", "password_credential": "c"},
            "password_credential",
            "second time",
        ),
        ({"backoff_first_s": 60}, "backoff_first_s", "at most backoff_max_s (30)"),
        ({"state_every_s": 20}, "state_every_s", "at most heartbeat_s (10)"),
        ({"heartbeat_s": 90}, "heartbeat_s", "at most state_valid_s (60)"),
        ({"topic_root": "a/+/b"}, "topic_root", "cannot begin topics"),
        ({"topic_root": "$SYS/a"}, "topic_root", "cannot begin topics"),
        ({"topic_root": "a/"}, "topic_root", "cannot begin topics"),
        ({"topic_root": "a//b"}, "topic_root", "cannot begin topics"),
        ({"topic_root": "spBv1.0/a"}, "topic_root", "topics of Sparkplug"),
        ({"topic_root": "a\tb"}, "topic_root", "control character"),
        ({"topic_root": "a\0b"}, "topic_root", "control character"),
        ({"client_id": "a\x85"}, "client_id", "control character"),
        ({"client_id": "a\ufffe"}, "client_id", "control character"),
        ({"user": "a\n"}, "user", "control character"),
    ],
)
def test_wrong(entry: dict[str, object], key: str, words: str) -> None:
    """One problem, at its key, with what would be right."""
    found = problems(entry)
    assert list(found) == [f"mqtt[0].{key}"], found
    assert words in next(iter(found.values())), found


def test_two_entries_cannot_have_one_id() -> None:
    """They would share one place in the journal, and one client id."""
    found = problems({"id": "panel"}, {"id": "panel", "host": "10.20.0.41"})
    assert list(found) == ["mqtt[1].id"]
    assert "mqtt[0] already" in found["mqtt[1].id"]


def test_two_outlets_to_one_broker_are_told_apart() -> None:
    """By topics and client id; two forms, or two brokers, share none."""
    assert list(problems({}, {})) == ["mqtt[1].topic_root"]
    assert problems({}, {"topic_root": "other"}) == {}
    assert problems({}, {"host": "10.20.0.41"}) == {}
    same = {"client_id": "gateway", "topic_root": "a"}
    assert list(problems(same, {"client_id": "gateway"})) == ["mqtt[1].client_id"]
    sparkplug = {"form": "sparkplug", "group_id": "g", "node_id": "n"}
    assert problems({}, sparkplug) == {}


def test_there_is_no_way_to_leave_out_the_check_of_the_host() -> None:
    """Whoever could set it would one day leave it so."""
    assert not [name for name in MqttEntry.model_fields if "insecure" in name or "check" in name]


def test_ports_are_those_of_the_protocol() -> None:
    """IANA, service names: mqtt 1883, secure-mqtt 8883 (from memory)."""
    secure, plain = file_of({}, {"tls": False}).mqtt
    assert (secure.broker_port, plain.broker_port) == (8883, 1883)
    assert file_of({"host": "2001:db8::7", "port": 99}).mqtt[0].broker == "mqtts://[2001:db8::7]:99"

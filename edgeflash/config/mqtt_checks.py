"""Checks of a site file's MQTT outlets: what does not go together, and what would give away."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator

from edgeflash.config.hosts import WILDCARDS, host_problem, is_loopback
from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.problems import Problem, key_text
from edgeflash.config.site import SiteFile
from edgeflash.config.toml_positions import KeyPath

SPARKPLUG = "spBv1.0"
"""With which all topics of Sparkplug B begin (Sparkplug 3.0.0, 4.1; from memory)."""

_OF_SPARKPLUG = ("group_id", "node_id", "primary_host", "host_overlap_s")
_OF_JSON = ("topic_root", "set_aside_after_s")


def mqtt_problems(file: SiteFile) -> Iterator[Problem]:
    """What is wrong with the MQTT outlets of a site file whose keys are each right."""
    seen: dict[str, KeyPath] = {}
    for index, entry in enumerate(file.mqtt):
        path: KeyPath = ("mqtt", index)
        if entry.id in seen:
            why = f"{entry.id} belongs to {key_text(seen[entry.id])} already; each has its own"
            yield Problem((*path, "id"), why, ((*seen[entry.id], "id"),))
        seen.setdefault(entry.id, path)
        if problem := _host_problem(entry.host):
            yield Problem((*path, "host"), problem)
        yield from _tls_problems(path, entry)
        yield from _password_problems(path, entry)
        yield from _time_problems(path, entry)
        yield from _text_problems(path, entry)
        yield from _topic_problems(path, entry)
        yield from _sparkplug_problems(path, entry)
    yield from _clash_problems(file)
    yield from _node_problems(file)


def _clash_problems(file: SiteFile) -> Iterator[Problem]:
    """Two outlets that would be one for their broker: it throws out one client, or one's status
    stands for the other's."""
    for index, entry in enumerate(file.mqtt):
        for earlier, other in enumerate(file.mqtt[:index]):
            if (entry.host.lower(), entry.broker_port) != (other.host.lower(), other.broker_port):
                continue
            path: KeyPath = ("mqtt", index)
            there: KeyPath = ("mqtt", earlier)
            if entry.client_id is not None and entry.client_id == other.client_id:
                why = f'"{entry.client_id}" is that of {key_text(there)} on the same broker'
                yield Problem((*path, "client_id"), why, ((*there, "client_id"),))
            if (entry.form, other.form, entry.topic_root) == ("json", "json", other.topic_root):
                why = (
                    f"must differ from that of {key_text(there)}, which goes to the same broker: "
                    "their states and status would be mixed"
                )
                yield Problem((*path, "topic_root"), why, ((*there, "topic_root"),))


def _host_problem(host: str) -> str | None:
    if host in WILDCARDS:
        return f'"{host}" is no broker\'s address; write the one it answers on'
    return host_problem(host)


def _tls_problems(path: KeyPath, entry: MqttEntry) -> Iterator[Problem]:
    tls: KeyPath = (*path, "tls")
    if not entry.tls:
        for key in ("ca_file", "certificate_file", "key_file"):
            if getattr(entry, key) is not None:
                why = "has no effect without TLS: set tls = true, or take this line out"
                yield Problem((*path, key), why, (tls,))
    for key, other in (("certificate_file", "key_file"), ("key_file", "certificate_file")):
        if getattr(entry, key) is None and getattr(entry, other) is not None:
            why = f"is missing; {other} alone proves nothing"
            yield Problem((*path, key), why, ((*path, other),))


def _password_problems(path: KeyPath, entry: MqttEntry) -> Iterator[Problem]:
    """A password belongs to a user, is given once, and never goes out where others can read it."""
    user, file = (*path, "user"), (*path, "password_file")
    credential: KeyPath = (*path, "password_credential")
    if entry.user is None:
        for key, given in ((file, entry.password_file), (credential, entry.password_credential)):
            if given is not None:
                yield Problem(key, "is a password, and there is no user: give one", (user,))
        return
    if entry.password_file is not None and entry.password_credential is not None:
        yield Problem(credential, "gives the password a second time: keep one", (file,))
    has_password = entry.password_file is not None or entry.password_credential is not None
    if has_password and not entry.tls and not is_loopback(entry.host):
        why = (
            "would send the password in the clear: set tls = true; without TLS only a broker on "
            "this machine may be given one"
        )
        yield Problem((*path, "tls"), why, ((*path, "host"), user))


def _time_problems(path: KeyPath, entry: MqttEntry) -> Iterator[Problem]:
    for short, long in (
        ("backoff_first_s", "backoff_max_s"),
        ("state_every_s", "heartbeat_s"),
        ("heartbeat_s", "state_valid_s"),
    ):
        low, high = getattr(entry, short), getattr(entry, long)
        if low > high:
            why = f"must be at most {long} ({high:g}), not {low:g}"
            yield Problem((*path, short), why, ((*path, long),))


def _text_problems(path: KeyPath, entry: MqttEntry) -> Iterator[Problem]:
    """What a broker may throw a client out for: MQTT 5.0, 1.5.4 (control characters, and what is
    no character of Unicode)."""
    for key in ("user", "client_id", "topic_root", "group_id", "node_id", "primary_host"):
        text = getattr(entry, key)
        if text is not None and any(_is_disallowed(sign) for sign in text):
            why = f"{text!a} has a control character, for which a broker may close the connection"
            yield Problem((*path, key), why)


def _is_disallowed(sign: str) -> bool:
    place = ord(sign)
    return (
        unicodedata.category(sign) == "Cc" or 0xFDD0 <= place <= 0xFDEF or place & 0xFFFE == 0xFFFE
    )


def _topic_problems(path: KeyPath, entry: MqttEntry) -> Iterator[Problem]:
    """Topic names: MQTT 5.0, 4.7; a `$` at the beginning is the broker's own (4.7.2)."""
    root = entry.topic_root
    if root is None:
        return
    wrong = (
        any(sign in root for sign in "+#")
        or root.startswith(("$", "/"))
        or root.endswith("/")
        or "//" in root
    )
    if wrong:
        why = (
            f'"{root}" cannot begin topics: levels separated by single slashes, without +, #, '
            "and a $, a slash or nothing at an end"
        )
        yield Problem((*path, "topic_root"), why)
    if root.split("/")[0] == SPARKPLUG:
        why = f'"{root}" is among the topics of Sparkplug, where hosts expect no JSON'
        yield Problem((*path, "topic_root"), why)


def _sparkplug_problems(path: KeyPath, entry: MqttEntry) -> Iterator[Problem]:
    """Names of a Sparkplug node are levels of topics (Sparkplug 3.0.0, 4.1; from memory)."""
    form: KeyPath = (*path, "form")
    is_sparkplug = entry.form == "sparkplug"
    for key in _OF_JSON if is_sparkplug else _OF_SPARKPLUG:
        if key in entry.model_fields_set:
            why = f'has no effect in the form "{entry.form}": take this line out'
            yield Problem((*path, key), why, (form,))
    if not is_sparkplug:
        return
    for key in ("group_id", "node_id"):
        if getattr(entry, key) is None:
            yield Problem((*path, key), "is missing; a Sparkplug node is named by it", (form,))
    for key in ("group_id", "node_id", "primary_host"):
        name = getattr(entry, key)
        if name is not None and any(sign in name for sign in "/+#"):
            why = f'"{name}" cannot be a level of a topic: no /, + or #'
            yield Problem((*path, key), why)
    if entry.group_id == "STATE":
        why = f'"STATE" is where hosts say whether they are there ({SPARKPLUG}/STATE/...)'
        yield Problem((*path, "group_id"), why)
    if entry.primary_host is None and "host_overlap_s" in entry.model_fields_set:
        why = "has no effect without a primary_host: take this line out, or name the host"
        yield Problem((*path, "host_overlap_s"), why, ((*path, "primary_host"),))


def _node_problems(file: SiteFile) -> Iterator[Problem]:
    """Two nodes of one name: each would be taken for the other."""
    seen: dict[tuple[str, str], KeyPath] = {}
    for index, entry in enumerate(file.mqtt):
        if entry.form != "sparkplug" or entry.group_id is None or entry.node_id is None:
            continue
        path, node = ("mqtt", index), (entry.group_id.lower(), entry.node_id.lower())
        if node in seen:
            why = (
                f"{entry.group_id}/{entry.node_id} is {key_text(seen[node])} already, but for "
                "upper and lower case; each node has its own name"
            )
            yield Problem((*path, "node_id"), why, ((*seen[node], "node_id"),))
        seen.setdefault(node, path)

"""Checks of how to reach an analyzer that is an OPC UA server."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import urlsplit

from edgeflash.config.hosts import WILDCARDS, host_problem
from edgeflash.config.opcua_source import OPCUA_PORT, SCHEME, OpcUaSource
from edgeflash.config.problems import Problem
from edgeflash.config.toml_positions import KeyPath

RIGHT_URL = f'"{SCHEME}://10.20.0.21:{OPCUA_PORT}"'


def opcua_source_problems(path: KeyPath, source: OpcUaSource) -> Iterator[Problem]:
    """What is wrong with one analyzer's `opcua` table."""
    if why := _url_problem(source.url):
        yield Problem((*path, "url"), why)
    yield from _security_problems(path, source)
    yield from _password_problems(path, source)


def _url_problem(url: str) -> str | None:
    """What is wrong with the address of a server, or None."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        return f'"{url}" is no address of an OPC UA server, like {RIGHT_URL}'
    if parts.scheme != SCHEME or not parts.hostname:
        return f'"{url}" must begin with {SCHEME}:// and name a host, like {RIGHT_URL}'
    if "@" in parts.netloc:
        return "names a user: give it as user, and the password in a file of its own"
    if port == 0:
        return f'"{url}" has port 0; the usual one is {OPCUA_PORT}'
    if parts.hostname in WILDCARDS:
        return f'"{parts.hostname}" is no analyzer\'s address; write the one it answers on'
    return host_problem(parts.hostname)


def _security_problems(path: KeyPath, source: OpcUaSource) -> Iterator[Problem]:
    policy, mode = (*path, "security_policy"), (*path, "security_mode")
    if source.security_policy == "none" and source.is_secure:
        why = (
            'security_policy "none" cannot protect anything, so this must be "none" too, '
            f'not "{source.security_mode}"; else choose another policy'
        )
        yield Problem(mode, why, (policy,))
    if source.security_policy != "none" and not source.is_secure:
        why = (
            'security_mode "none" uses no policy, so this must be "none" too, '
            f'not "{source.security_policy}"; else set security_mode to "sign_and_encrypt"'
        )
        yield Problem(policy, why, (mode,))
    if not source.is_secure:
        for key in ("server_uri", "check_host"):
            if key in source.model_fields_set:
                why = "speaks of the server's certificate, which is not used without security"
                yield Problem((*path, key), f"{why}: take this line out", (mode, policy))


def _password_problems(path: KeyPath, source: OpcUaSource) -> Iterator[Problem]:
    user, file, credential = (
        (*path, "user"),
        (*path, "password_file"),
        (*path, "password_credential"),
    )
    if source.user is None:
        for key, given in ((file, source.password_file), (credential, source.password_credential)):
            if given is not None:
                yield Problem(key, "is a password, and there is no user: give one", (user,))
        return
    if not source.is_secure:
        why = (
            "would send a password to whoever answers: choose a security_policy and a "
            "security_mode, or take this line out"
        )
        yield Problem(user, why, ((*path, "security_mode"), (*path, "security_policy")))
    if source.password_file is None and source.password_credential is None:
        why = (
            "is missing; the password of the user stands in a file of its own, or in a "
            "credential of the service manager (password_credential)"
        )
        yield Problem(file, why, (user, credential))
    if source.password_file is not None and source.password_credential is not None:
        yield Problem(credential, "gives the password a second time: keep one", (file,))

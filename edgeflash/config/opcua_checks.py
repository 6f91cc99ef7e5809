"""Checks of the OPC UA server's keys that span several of them."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.hosts import host_problem
from edgeflash.config.problems import Problem
from edgeflash.config.site import OpcUaServer


def opcua_problems(server: OpcUaServer) -> Iterator[Problem]:
    """What does not go together in [opcua]."""
    if server.allow_open_endpoint and server.anonymous is False:
        why = (
            "false leaves nobody for the open endpoint, where no password is taken: set "
            "allow_open_endpoint = false"
        )
        yield Problem(("opcua", "anonymous"), why, (("opcua", "allow_open_endpoint"),))
    for place, name in enumerate(server.host_names):
        if problem := host_problem(name):
            yield Problem(("opcua", "host_names", place), problem)

"""Checks of a site file's Modbus servers: who may read, and who of them may write."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import IPv4Network, IPv6Network, ip_network

from edgeflash.config.hosts import network_problem
from edgeflash.config.problems import Problem
from edgeflash.config.site import ModbusServer, SiteFile
from edgeflash.config.toml_positions import KeyPath


def modbus_problems(file: SiteFile) -> Iterator[Problem]:
    """What is wrong with the Modbus servers of a site file whose keys are each right."""
    for index, server in enumerate(file.modbus):
        path: KeyPath = ("modbus", index)
        for key in ("allow", "allow_inputs"):
            for entry, text in enumerate(getattr(server, key)):
                if why := network_problem(text):
                    yield Problem((*path, key, entry), why)
        yield from _writer_problems(path, server)


def _writer_problems(path: KeyPath, server: ModbusServer) -> Iterator[Problem]:
    """Leave to write that has no effect: nothing is accepted, or the client cannot connect."""
    allow_inputs: KeyPath = (*path, "allow_inputs")
    if server.allow_inputs and not server.accept_inputs:
        why = "has no effect: set accept_inputs = true, or take this line out"
        yield Problem(allow_inputs, why, ((*path, "accept_inputs"),))
    if not server.allow:
        return
    readers = [network for text in server.allow if (network := _network(text))]
    for entry, text in enumerate(server.allow_inputs):
        writer = _network(text)
        if writer is not None and not any(_holds(reader, writer) for reader in readers):
            why = f'"{text}" is not in allow, so it cannot even connect: name it there too'
            yield Problem((*allow_inputs, entry), why, ((*path, "allow"),))


def _network(text: str) -> IPv4Network | IPv6Network | None:
    return None if network_problem(text) else ip_network(text)


def _holds(reader: IPv4Network | IPv6Network, writer: IPv4Network | IPv6Network) -> bool:
    if isinstance(reader, IPv4Network) and isinstance(writer, IPv4Network):
        return writer.subnet_of(reader)
    if isinstance(reader, IPv6Network) and isinstance(writer, IPv6Network):
        return writer.subnet_of(reader)
    return False

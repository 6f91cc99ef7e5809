"""Checks of how an analyzer is linked: by exactly one way, each with its own keys only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from edgeflash.config.hosts import WILDCARDS, host_problem
from edgeflash.config.opcua_source_checks import opcua_source_problems
from edgeflash.config.problems import Problem
from edgeflash.config.site import Analyzer, SiteFile
from edgeflash.config.toml_positions import KeyPath

WAYS: Mapping[str, str] = {
    "host": "Modbus TCP",
    "line": "a shared line of [[lines]]",
    "opcua": "OPC UA",
}
"""The key of each way to link an analyzer, and the way in words. Exactly one must be given."""

PROTOCOL_OF: Mapping[str, str] = {
    "host": "modbus",
    "line": "modbus",
    "opcua": "opcua",
}
"""The protocol of the map that each way needs."""

KEYS_OF: Mapping[str, frozenset[str]] = {
    "port": frozenset({"host"}),
    "unit_id": frozenset({"host", "line"}),
    "timeout_s": frozenset({"host", "opcua"}),
    "retries": frozenset({"host"}),
}
"""Keys that belong to some ways only, each with those ways."""


def way_problems(path: KeyPath, analyzer: Analyzer) -> Iterator[Problem]:
    """What is wrong with the way one analyzer is linked."""
    given = [way for way in WAYS if getattr(analyzer, way) is not None]
    every = tuple((*path, way) for way in WAYS)
    if not given:
        choices = " or ".join(f"{way} ({words})" for way, words in WAYS.items())
        yield Problem((*path, "host"), f"is missing; give {choices}", every)
    for second in given[1:]:
        why = (
            f"links the analyzer by {WAYS[second]}, but {given[0]} links it by "
            f"{WAYS[given[0]]} already: keep one of them"
        )
        yield Problem((*path, second), why, ((*path, given[0]),))
    if len(given) == 1:
        for key, ways in KEYS_OF.items():
            if key in analyzer.model_fields_set and given[0] not in ways:
                why = f"says nothing to {WAYS[given[0]]} ({given[0]}): take this line out"
                yield Problem((*path, key), why, ((*path, given[0]),))
    if analyzer.host is not None:
        yield from _host_problems((*path, "host"), analyzer.host)
    if analyzer.opcua is not None:
        yield from opcua_source_problems((*path, "opcua"), analyzer.opcua)


def map_link_problems(file: SiteFile, protocols: Sequence[str | None]) -> Iterator[Problem]:
    """Analyzers linked by one protocol with a map for another. protocols: of each one's map."""
    for index, (analyzer, protocol) in enumerate(zip(file.analyzers, protocols, strict=True)):
        path: KeyPath = ("analyzers", index)
        given = [way for way in WAYS if getattr(analyzer, way) is not None]
        if len(given) != 1 or protocol is None:
            continue
        wanted = PROTOCOL_OF[given[0]]
        if protocol != wanted:
            why = (
                f'is for protocol "{protocol}", but {given[0]} links the analyzer by '
                f'{WAYS[given[0]]}: give a map with protocol = "{wanted}"'
            )
            yield Problem((*path, "map"), why, tuple((*path, way) for way in WAYS))


def _host_problems(path: KeyPath, host: str) -> Iterator[Problem]:
    if why := host_problem(host):
        yield Problem(path, why)
    if host in WILDCARDS:
        yield Problem(path, f'"{host}" is no analyzer\'s address; write the one it answers on')


def way_words(analyzer: Analyzer) -> str:
    """How an analyzer of a checked site is linked, for people."""
    if analyzer.line is not None:
        return f"line {analyzer.line}, unit {analyzer.unit_id}"
    if analyzer.opcua is not None:
        source = analyzer.opcua
        protection = f"{source.security_policy} {source.security_mode}"
        return f"OPC UA {source.url}, {protection if source.is_secure else 'no security'}"
    return f"Modbus TCP {analyzer.host}:{analyzer.port}, unit {analyzer.unit_id}"

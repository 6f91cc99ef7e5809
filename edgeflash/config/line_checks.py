"""Checks of the shared lines, and of the analyzers on them."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.hosts import WILDCARDS, host_problem
from edgeflash.config.problems import Problem, key_text
from edgeflash.config.site import Line, SiteFile
from edgeflash.config.toml_positions import KeyPath

UNITS = range(1, 248)
"""Unit numbers of a serial line: Modbus over serial line V1.02, 2.2."""

SERIAL_KEYS = ("parity", "stop_bits")
HOST_KEYS = ("port",)


def line_problems(file: SiteFile) -> Iterator[Problem]:
    """What is wrong with the lines of a site, and with who is on them."""
    for index, line in enumerate(file.lines):
        path: KeyPath = ("lines", index)
        yield from _way_problems(path, line)
        yield from _twice_problems(path, line, file.lines[:index])
    yield from _analyzer_problems(file)


def _way_problems(path: KeyPath, line: Line) -> Iterator[Problem]:
    given = line.model_fields_set
    device, host = (*path, "device"), (*path, "host")
    if line.device is None and line.host is None:
        why = 'is missing; give device, like "/dev/ttyUSB0", or host and framing'
        yield Problem(device, why, (host,))
        return
    if line.device is not None and line.host is not None:
        why = "a line is a serial device of this machine or a connection to a host: keep one"
        yield Problem(host, why, (device,))
        return
    if line.device is not None:
        if not line.device.startswith("/"):
            why = (
                f'"{line.device}" is no path: write it whole, best by its fixed name in '
                "/dev/serial/by-id"
            )
            yield Problem(device, why)
        if line.framing == "tcp":
            why = '"tcp" is no framing of a serial device: take this line out'
            yield Problem((*path, "framing"), why, (device,))
        yield from _idle_keys(path, line, HOST_KEYS, "a serial device")
        return
    assert line.host is not None
    if why_not := host_problem(line.host):
        yield Problem(host, why_not)
    if line.host in WILDCARDS:
        yield Problem(host, f'"{line.host}" is nobody\'s address; write the one it answers on')
    if "framing" not in given:
        why = (
            'is missing; give "rtu" for a serial server that passes RTU frames on, or "tcp" for a '
            "Modbus TCP gateway: they look alike, and the wrong one is never answered"
        )
        yield Problem((*path, "framing"), why, (host,))
    yield from _idle_keys(path, line, SERIAL_KEYS, "a host: set it in the serial server")
    if line.framing == "tcp":
        whose = 'framing "tcp", which numbers its requests'
        yield from _idle_keys(path, line, ("baud", "echo", "late_s"), whose)


def _idle_keys(path: KeyPath, line: Line, keys: tuple[str, ...], whose: str) -> Iterator[Problem]:
    for key in keys:
        if key in line.model_fields_set:
            yield Problem((*path, key), f"says nothing to {whose}; take this line out")


def _twice_problems(path: KeyPath, line: Line, before: tuple[Line, ...]) -> Iterator[Problem]:
    for index, other in enumerate(before):
        there: KeyPath = ("lines", index)
        if line.id == other.id:
            why = f'"{line.id}" belongs to {key_text(there)} already; each line has its own'
            yield Problem((*path, "id"), why, ((*there, "id"),))
        if line.device is not None and line.device == other.device:
            why = f'"{line.device}" is {key_text(there)} already; a device is one line'
            yield Problem((*path, "device"), why, ((*there, "device"),))
        if line.host is not None and (line.host, line.port) == (other.host, other.port):
            why = (
                f"{line.host}:{line.port} is {key_text(there)} already; put its analyzers on one "
                "line"
            )
            yield Problem((*path, "host"), why, ((*there, "host"), (*there, "port")))


def _analyzer_problems(file: SiteFile) -> Iterator[Problem]:
    lines = {line.id: index for index, line in enumerate(file.lines)}
    hosts = {(x.host, x.port): i for i, x in enumerate(file.lines) if x.host is not None}
    taken: dict[tuple[str, int], int] = {}
    for index, analyzer in enumerate(file.analyzers):
        path: KeyPath = ("analyzers", index)
        if analyzer.host is not None and (analyzer.host, analyzer.port) in hosts:
            line = hosts[(analyzer.host, analyzer.port)]
            why = (
                f"{analyzer.host}:{analyzer.port} is {key_text(('lines', line))}, which has its "
                f'requests in one order: write line = "{file.lines[line].id}" instead'
            )
            yield Problem((*path, "host"), why, (("lines", line, "host"), (*path, "port")))
        if analyzer.line is None:
            continue
        if analyzer.line not in lines:
            known = ", ".join(sorted(lines)) or "none"
            why = f'"{analyzer.line}" is no line of [[lines]]; they are: {known}'
            yield Problem((*path, "line"), why, (("lines",),))
            continue
        if analyzer.unit_id not in UNITS:
            why = f"must be from {UNITS[0]} to {UNITS[-1]} on a line, not {analyzer.unit_id}"
            yield Problem((*path, "unit_id"), why, ((*path, "line"),))
        other = taken.setdefault((analyzer.line, analyzer.unit_id), index)
        if other != index:
            there: KeyPath = ("analyzers", other)
            why = (
                f"{analyzer.unit_id} on line {analyzer.line} belongs to {key_text(there)} already; "
                "two that answer to one number garble each other"
            )
            yield Problem((*path, "unit_id"), why, ((*there, "unit_id"), (*there, "line")))


def with_line_limits(file: SiteFile) -> SiteFile:
    """The file with each analyzer on a line under that line's limits of time.

    One sending of a request may take timeout_s and late_s there, until the unit is free again.
    """
    limits = {
        line.id: {
            "timeout_s": line.timeout_s + (line.late_s if line.framing == "rtu" else 0.0),
            "retries": line.retries,
        }
        for line in file.lines
    }
    analyzers = tuple(
        analyzer.model_copy(update=limits.get(analyzer.line, {})) if analyzer.line else analyzer
        for analyzer in file.analyzers
    )
    return file.model_copy(update={"analyzers": analyzers})

"""Checks of a site file that span several keys, several analyzers, or the site and its maps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from edgeflash.config.history_checks import folder_problems, history_problems
from edgeflash.config.hosts import collide, host_problem
from edgeflash.config.input_checks import input_problems
from edgeflash.config.line_checks import line_problems
from edgeflash.config.link_checks import way_problems
from edgeflash.config.modbus_checks import modbus_problems
from edgeflash.config.mqtt_checks import mqtt_problems
from edgeflash.config.opcua_checks import opcua_problems
from edgeflash.config.problems import Problem, key_text
from edgeflash.config.roles import has_trace
from edgeflash.config.ship_checks import ship_problems
from edgeflash.config.site import Analyzer, Basis, Correction, SiteFile
from edgeflash.config.stream_checks import (
    in_range_problems,
    product_problems,
    sample_problems,
    tuning_problems,
)
from edgeflash.config.toml_positions import KeyPath
from edgeflash.model import Role


def site_problems(file: SiteFile, roles: Sequence[frozenset[Role]]) -> Iterator[Problem]:
    """What is wrong with a site file whose keys are each right. roles: of each analyzer's map."""
    yield from _outlet_problems(file)
    yield from modbus_problems(file)
    yield from mqtt_problems(file)
    yield from _clash_problems(file)
    yield from input_problems(file)
    yield from line_problems(file)
    yield from ship_problems(file)
    yield from folder_problems(file)
    yield from history_problems(file.history)
    for index, analyzer in enumerate(file.analyzers):
        path: KeyPath = ("analyzers", index)
        yield from _link_problems(path, analyzer)
        yield from _range_problems(path, analyzer)
        yield from product_problems((*path, "product"), analyzer.product, file)
        yield from _barometer_problems(path, analyzer, roles[index])
        yield from _basis_problems(path, analyzer, roles[index])
        yield from tuning_problems(path, analyzer.rules)
        yield from sample_problems(path, analyzer, file, roles[index])


def _outlet_problems(file: SiteFile) -> Iterator[Problem]:
    if file.opcua is None and not file.modbus and not file.mqtt:
        why = (
            "is missing; without [opcua], [[modbus]] or [[mqtt]] nothing reaches the control system"
        )
        yield Problem(("opcua",), why, (("modbus",), ("mqtt",)))
    if file.opcua is not None:
        yield from _host_problems(("opcua", "host"), file.opcua.host)
        yield from opcua_problems(file.opcua)
    for index, server in enumerate(file.modbus):
        path: KeyPath = ("modbus", index)
        yield from _host_problems((*path, "host"), server.host)
    yield from _port_problems(file)


def _host_problems(path: KeyPath, host: str) -> Iterator[Problem]:
    if why := host_problem(host):
        yield Problem(path, why)


def _port_problems(file: SiteFile) -> Iterator[Problem]:
    """Two servers on one host and port. Port 0 asks the system for a free one."""
    servers: list[tuple[KeyPath, str, int]] = []
    if file.opcua is not None:
        servers.append((("opcua",), file.opcua.host, file.opcua.port))
    servers += [(("modbus", i), s.host, s.port) for i, s in enumerate(file.modbus)]
    for index, (path, host, port) in enumerate(servers):
        for other, other_host, other_port in servers[:index]:
            if port and port == other_port and collide(host, other_host):
                why = f"{port} is taken by {key_text(other)} on {other_host} already"
                uses = ((*path, "host"), (*other, "host"), (*other, "port"))
                yield Problem((*path, "port"), why, uses)


def _clash_problems(file: SiteFile) -> Iterator[Problem]:
    """Analyzers that share what must be theirs alone."""
    for key in ("id", "number"):
        seen: dict[object, int] = {}
        for index, analyzer in enumerate(file.analyzers):
            value = getattr(analyzer, key)
            if value in seen:
                other: KeyPath = ("analyzers", seen[value])
                why = f"{value} belongs to {key_text(other)} already; each analyzer has its own"
                yield Problem(("analyzers", index, key), why, ((*other, key),))
            seen.setdefault(value, index)


def _link_problems(path: KeyPath, analyzer: Analyzer) -> Iterator[Problem]:
    yield from way_problems(path, analyzer)
    if analyzer.backoff_first_s > analyzer.backoff_max_s:
        why = (
            f"must be at most backoff_max_s ({analyzer.backoff_max_s:g}), "
            f"not {analyzer.backoff_first_s:g}"
        )
        yield Problem((*path, "backoff_first_s"), why, ((*path, "backoff_max_s"),))
    if analyzer.hold_s < analyzer.poll_s:
        why = (
            f"must be at least poll_s ({analyzer.poll_s:g}), not {analyzer.hold_s:g}: "
            "a value would be given up before the next reading"
        )
        yield Problem((*path, "hold_s"), why, ((*path, "poll_s"),))


def _range_problems(path: KeyPath, analyzer: Analyzer) -> Iterator[Problem]:
    low, high = analyzer.range_low_c, analyzer.range_high_c
    if low >= high:
        why = f"must be below range_high_c ({high:g}), not {low:g}"
        yield Problem((*path, "range_low_c"), why, ((*path, "range_high_c"),))
    yield from in_range_problems((*path, "expected_c"), analyzer.expected_c, path, analyzer)


def _barometer_problems(
    path: KeyPath, analyzer: Analyzer, roles: frozenset[Role]
) -> Iterator[Problem]:
    """The analyzer's own figure is corrected once; a recomputed one is never corrected by it."""
    correction: KeyPath = (*path, "correction")
    uses = (correction, (*path, "analyzer_corrects_barometer"), (*path, "basis"))
    form, given = analyzer.correction, "correction" in analyzer.model_fields_set
    if analyzer.analyzer_corrects_barometer and analyzer.basis is Basis.REPORTED:
        if given and form is not Correction.NONE:
            why = (
                "the analyzer corrects to standard pressure already and must not be corrected "
                'twice: take this line out, or set it to "none"'
            )
            yield Problem(correction, why, uses)
        return
    unknown = analyzer.barometer_kpa is None and Role.BAROMETRIC_PRESSURE not in roles
    if form is not Correction.NONE and unknown:
        why = (
            "is missing; the pressure correction needs it, or the role barometric_pressure in the "
            'map, or correction = "none"'
        )
        yield Problem((*path, "barometer_kpa"), why, (*uses, (*path, "map")))


def _basis_problems(path: KeyPath, analyzer: Analyzer, roles: frozenset[Role]) -> Iterator[Problem]:
    if analyzer.basis is Basis.RECOMPUTED and not has_trace(roles):
        why = (
            '"recomputed" needs a trace: map the trace_temperature, trace_pressure and trace_time '
            'blocks, or sample_temperature and cell_pressure; else set it to "reported"'
        )
        yield Problem((*path, "basis"), why, ((*path, "map"),))

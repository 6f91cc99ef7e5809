"""The link an analyzer's settings ask for: the one place that knows them all."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.node_map import NodeMap
from edgeflash.config.register_map import RegisterMap
from edgeflash.config.site import Analyzer
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.line import Line
from edgeflash.links.line_unit import LineUnit
from edgeflash.links.link import Link
from edgeflash.links.modbus import ModbusLink
from edgeflash.links.opcua_link import OpcUaLink
from edgeflash.links.opcua_security import LinkKeys
from edgeflash.links.reading import Mark
from edgeflash.service.clock import Clock


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What links of one gateway share.

    keys: of its OPC UA links. lines: the shared lines by id, each being run.
    """

    keys: LinkKeys
    lines: Mapping[str, Line] = field(default_factory=dict)


ALONE = Surroundings(LinkKeys(Path("state"), Path(), "alone"))
"""For a link outside a gateway."""


def link_for(
    analyzer: Analyzer,
    analyzer_map: AnalyzerMap,
    known: Mark | None,
    clock: Clock,
    surroundings: Surroundings,
) -> Link:
    """The link of an analyzer of a checked site. known: the last cycle the journal has.

    Raises PlanError when the map cannot be read.
    """
    match analyzer_map:
        case RegisterMap() if analyzer.line is not None:
            line = surroundings.lines[analyzer.line]

            def connect(diagnostics: LinkDiagnostics, on_answer: Callable[[], None]) -> LineUnit:
                return line.unit(analyzer.unit_id, diagnostics, on_answer)

            peer = f"line {line.id} unit {analyzer.unit_id} ({line.place})"
            return ModbusLink(analyzer, analyzer_map, known, clock, connect, peer)
        case RegisterMap():
            return ModbusLink(analyzer, analyzer_map, known, clock)
        case NodeMap():
            return OpcUaLink(analyzer, analyzer_map, known, clock, surroundings.keys)
    raise AssertionError(f"no link reads a {type(analyzer_map).__name__}")

"""Which model a map file is checked against: its protocol says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.node_map import NodeMap
from edgeflash.config.register_map import RegisterMap
from edgeflash.config.toml_positions import KeyPath

PROTOCOL: KeyPath = ("map", "protocol")

MODELS: Mapping[str, type[AnalyzerMap]] = {"modbus": RegisterMap, "opcua": NodeMap}
"""The model of each protocol; a map that names none of them is taken for the first."""


def protocol_of(document: Mapping[str, Any]) -> str | None:
    """The protocol a map file names; None when it names none we have."""
    header = document.get("map")
    named = header.get("protocol") if isinstance(header, dict) else None
    return named if isinstance(named, str) and named in MODELS else None


def model_of_map(document: Mapping[str, Any]) -> type[AnalyzerMap]:
    """The model for a map file as read."""
    return MODELS[protocol_of(document) or next(iter(MODELS))]

"""The nodes beside the points that change while the server runs: a code's text, the minimum in
force, diagnostics. Written when they change, diagnostics once a second at most.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from asyncua import ua
from asyncua.server.server import Server

from edgeflash.outlets.opcua_diagnostics import (
    ANALYZER_DIAGNOSTICS,
    GATEWAY_DIAGNOSTICS,
    AnalyzerFacts,
    Diagnostic,
    GatewayFacts,
)
from edgeflash.outlets.opcua_members import Live, LiveKind, Single, standard
from edgeflash.outlets.opcua_nodes import Built, data_value, stamped, text, variant
from edgeflash.outlets.values import Shown
from edgeflash.points import CATALOGUE, Point
from edgeflash.publication import View
from edgeflash.trust import Quality

EVERY_S = 1.0

_NAMES: Mapping[str, Mapping[int, str]] = {
    point.name: {meaning.code: meaning.name for meaning in point.meanings}
    for point in CATALOGUE
    if point.meanings
}


class OpcUaLive:
    """Writes them. facts: what is known of the gateway now; mono_s: the clock of the pace.

    Made anew with every start of the server.
    """

    def __init__(
        self,
        server: Server,
        built: Built,
        facts: Callable[[], GatewayFacts],
        mono_s: Callable[[], float],
    ) -> None:
        self._server = server
        self._nodes = built.by_live
        self._facts = facts
        self._mono_s = mono_s
        self._told_mono_s: float | None = None
        self._views: dict[str, View] = {}
        self._shown: dict[Live, Single | None] = {}

    async def follow(self, analyzer: str, point: Point, value: Shown, now: datetime) -> None:
        """After a point was written: its text, and the properties that show the same."""
        for node in self._nodes.get(Live(LiveKind.SAME_AS_POINT, analyzer, point.name), ()):
            await self._server.write_attribute_value(node, data_value(point, value, now))
        for node in self._nodes.get(Live(LiveKind.TEXT_OF_POINT, analyzer, point.name), ()):
            shown = ua.Variant(None, ua.VariantType.Null)
            if isinstance(value.value, int):
                name = _NAMES[point.name].get(value.value, str(value.value))
                shown = ua.Variant(text(name), ua.VariantType.LocalizedText)
            await self._server.write_attribute_value(node, stamped(shown, value, now))

    async def publish(self, views: Mapping[str, View]) -> None:
        """Shows the diagnostics of the gateway and of these analyzers, where they changed."""
        self._views.update(views)
        now_mono_s = self._mono_s()
        if self._told_mono_s is not None and now_mono_s - self._told_mono_s < EVERY_S:
            return
        self._told_mono_s = now_mono_s
        facts = self._facts()
        for of_gateway in GATEWAY_DIAGNOSTICS:
            await self._show("", of_gateway, facts)
        for analyzer, view in self._views.items():
            about = AnalyzerFacts(view, facts)
            for of_analyzer in ANALYZER_DIAGNOSTICS:
                await self._show(analyzer, of_analyzer, about)

    async def _show(self, analyzer: str, one: Diagnostic[Any], facts: object) -> None:
        live = Live(LiveKind.DIAGNOSTIC, analyzer, one.name)
        value = one.read(facts)
        if live not in self._nodes or (live in self._shown and self._shown[live] == value):
            return
        self._shown[live] = value
        now = datetime.now(UTC)
        quality = Quality.NO_DATA if value is None else Quality.GOOD
        shown = Shown(None, quality, now, of_now=True)
        for node in self._nodes[live]:
            written = stamped(variant(value, standard(one.data_type)), shown, now)
            await self._server.write_attribute_value(node, written)

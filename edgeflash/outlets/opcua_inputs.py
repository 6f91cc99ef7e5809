"""The inputs as OPC UA nodes: Objects/Edgeflash/Inputs/<id>, each with its age and verdict.

A value's node shows what was written last, by whichever outlet, with its status; whether the input
may be used stands in `is_good`, and its age in whole seconds in `age_s`. A bad status carries no
value. Writes are answered as OPC 10000-4, 5.10.4 has it (from memory): another type than Double is
BadTypeMismatch, a part of a value BadIndexRangeInvalid. A number beyond the range is taken, as it
is over Modbus, and is not good: EURange says what is normal and is no bound (OPC 10000-8; from
memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from math import nan
from typing import cast

from asyncua import ua
from asyncua.server.server import Server
from asyncua.ua.status_codes import StatusCodes

from edgeflash.config.site import Input
from edgeflash.inputs import InputStanding, InputStore, Written
from edgeflash.outlets.opcua_bounds import WriteTaker
from edgeflash.outlets.opcua_names import (
    AGE,
    IS_GOOD,
    NAMESPACE_URI,
    input_identifier,
)
from edgeflash.trust import Trust

_STATUS = {Trust.GOOD: 0x00000000, Trust.UNCERTAIN: 0x40000000, Trust.BAD: 0x80000000}
_TRUST = (Trust.GOOD, Trust.UNCERTAIN, Trust.BAD, Trust.BAD)
"""By the top two bits of a StatusCode (OPC 10000-4, 7.39)."""


class OpcUaInputs:
    """The input nodes of one server, written from the store. mono_s: the clock of the ages.

    accepts: whether clients may write. Made anew with every start of the server.
    """

    def __init__(self, store: InputStore, accepts: bool, mono_s: Callable[[], float]) -> None:
        self._store = store
        self._accepts = accepts
        self._mono_s = mono_s
        self._server: Server | None = None
        self._index = 0
        self._shown: dict[str, _Shown] = {}
        self._published_mono_s: float | None = None

    async def attach(self, server: Server) -> dict[ua.NodeId, WriteTaker]:
        """Takes the nodes in hand; what takes a client's write, by the node that may be written."""
        self._server = server
        self._index = await server.register_namespace(NAMESPACE_URI)
        return {
            self._node_id(input_identifier(declared)): partial(self._take, declared)
            for declared in self._store.declared
            if self._accepts and declared.value is None
        }

    async def publish(self) -> None:
        """Shows what changed; at most once a second, for ages are in whole seconds."""
        now_mono_s = self._mono_s()
        last_s = self._published_mono_s
        if last_s is not None and now_mono_s - last_s < 1.0:
            return
        self._published_mono_s = now_mono_s
        for declared in self._store.declared:
            await self._show(self._store.standing(declared, now_mono_s))

    async def _take(self, declared: Input, given: ua.DataValue, source: str) -> ua.StatusCode:
        """Keeps a client's value and shows it."""
        status = given.StatusCode or ua.StatusCode()
        trust = _TRUST[status.value >> 30]
        value = nan if trust is Trust.BAD else _number(given.Value)
        if value is None:
            return ua.StatusCode(ua.UInt32(StatusCodes.BadTypeMismatch))
        now_mono_s = self._mono_s()
        self._store.write(declared.id, value, trust, now_mono_s, source)
        standing = self._store.standing(declared, now_mono_s)
        await self._show(standing, status, given.SourceTimestamp)
        return ua.StatusCode()

    async def _show(
        self,
        standing: InputStanding,
        status: ua.StatusCode | None = None,
        source_time: ua.DateTime | None = None,
    ) -> None:
        """Writes an input's nodes where they change. status, source_time: as a client gave them."""
        declared, name = standing.declared, standing.declared.id
        age_s = None if standing.age_s is None else float(int(standing.age_s))
        now = _Shown(self._store.written(name), age_s, standing.is_good)
        before = self._shown.get(name)
        self._shown[name] = now
        has_value = now.written is not None or declared.value is not None
        if has_value and (before is None or before.written is not now.written):
            shown_status = status or _status_of(_STATUS[standing.trust])
            value = ua.Variant(standing.value, ua.VariantType.Double)
            await self._write(input_identifier(declared), value, shown_status, source_time)
        if age_s is not None and (before is None or before.age_s != age_s):
            value = ua.Variant(age_s, ua.VariantType.Double)
            await self._write(input_identifier(declared, AGE), value)
        if before is None or before.is_good is not now.is_good:
            value = ua.Variant(now.is_good, ua.VariantType.Boolean)
            await self._write(input_identifier(declared, IS_GOOD), value)

    async def _write(
        self,
        identifier: str,
        value: ua.Variant,
        status: ua.StatusCode | None = None,
        source_time: ua.DateTime | None = None,
    ) -> None:
        assert self._server is not None
        now = cast(ua.DateTime, datetime.now(UTC))
        shown = ua.DataValue(
            value,
            StatusCode=status or ua.StatusCode(),
            SourceTimestamp=source_time or now,
            ServerTimestamp=now,
        )
        await self._server.write_attribute_value(self._node_id(identifier), shown)

    def _node_id(self, identifier: str) -> ua.NodeId:
        return ua.NodeId(ua.String(identifier), ua.Int16(self._index))


@dataclass(frozen=True, slots=True)
class _Shown:
    """What an input's nodes show."""

    written: Written | None
    age_s: float | None
    is_good: bool


def _number(given: ua.Variant | None) -> float | None:
    """The number in a client's value, or None when it is not one Double."""
    if given is None or given.VariantType is not ua.VariantType.Double or given.is_array:
        return None
    return float(given.Value)


def _status_of(code: int) -> ua.StatusCode:
    return ua.StatusCode(ua.UInt32(code))

"""OPC UA server over a register image: the same analyzer seen through another protocol.

Reads only, on the loopback address, without security: what is simulated is an analyzer, not a
guarded plant. Values are decoded here from the registers, so that both faces always show one and
the same instrument. Node names and namespaces are of our own invention.
"""

from __future__ import annotations

import logging
import math
import struct
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from asyncua import ua
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.server import Server
from asyncua.server.user_managers import UserManager
from asyncua.ua.status_codes import StatusCodes

from simulators import registers as r
from simulators.errors import ServerNotStartedError
from simulators.firmware import TRACE_CAPACITY
from simulators.pulse import PULSE_CAPACITY
from simulators.registers import RegisterImage

HOST = "127.0.0.1"
NAMESPACE = "urn:example:bench-cup:instrument"
OTHER_NAMESPACE = "urn:example:bench-cup:maintenance"
"""Registered before the first when asked for, so that the first one's index moves."""

Words = Sequence[int]
Double, UInt16, UInt32, Boolean = (
    ua.VariantType.Double,
    ua.VariantType.UInt16,
    ua.VariantType.UInt32,
    ua.VariantType.Boolean,
)


@dataclass(frozen=True, slots=True)
class _Node:
    """One variable: where its words are and what they mean. stamped: dated by its result."""

    name: str
    address: int
    words: int
    decode: Callable[[Words], Any]
    type: ua.VariantType = Double
    table: str = "input"
    stamped: bool = False


def _signed16(step: float) -> Callable[[Words], float]:
    def decode(words: Words) -> float:
        (raw,) = struct.unpack(">h", struct.pack(">H", words[0]))
        return math.nan if words[0] == r.NO_INT16 else raw * step

    return decode


def _unsigned16(step: float) -> Callable[[Words], float]:
    return lambda words: math.nan if words[0] == r.NO_UINT16 else words[0] * step


def _float32(low_word_first: bool = False) -> Callable[[Words], float]:
    def decode(words: Words) -> float:
        high, low = (words[1], words[0]) if low_word_first else (words[0], words[1])
        value: float = struct.unpack(">f", struct.pack(">HH", high, low))[0]
        return value

    return decode


def _uint32(words: Words) -> int:
    return words[0] << 16 | words[1]


def _time(words: Words) -> datetime | None:
    seconds = _uint32(words)
    return datetime.fromtimestamp(seconds, UTC) if seconds else None


def _word(words: Words) -> int:
    return words[0]


def _each(decode: Callable[[Words], Any], step: int = 1, size: int = 1) -> Callable[[Words], Any]:
    return lambda words: [decode(words[at : at + size]) for at in range(0, len(words), step)]


_TRACE, _SLOTS = TRACE_CAPACITY, r.RING_SLOTS * r.RING_SLOT_SIZE
_RING = r.RING_SLOT_SIZE
DateTime = ua.VariantType.DateTime

LIVE = (
    _Node("Alive", r.ALIVE, 1, _word, UInt16),
    _Node("Phase", r.PHASE, 1, _word, UInt16),
    _Node("FaultBits", r.FAULT_BITS, 2, _uint32, UInt32),
    _Node("SampleTemperature", r.SAMPLE_TEMPERATURE, 1, _signed16(0.01)),
    _Node("CellPressure", r.CELL_PRESSURE, 1, _signed16(0.01)),
    _Node("Barometer", r.BAROMETER, 1, _unsigned16(0.1)),
    _Node("SampleFlow", r.SAMPLE_FLOW, 1, _unsigned16(0.1)),
    _Node("AirFlow", r.AIR_FLOW, 2, _float32(low_word_first=True)),
    _Node("InletTemperature", r.INLET_TEMPERATURE, 1, _signed16(0.1)),
    _Node("CellTemperature", r.CELL_TEMPERATURE, 1, _signed16(0.1)),
    _Node("Stream", r.STREAM, 1, _word, UInt16),
)
RESULT = (
    _Node("Number", r.CYCLE_NUMBER, 1, _word, UInt16, stamped=True),
    _Node("Time", r.RESULT_TIME, 2, _time, DateTime, stamped=True),
    _Node("FlashPoint", r.FLASH_POINT, 2, _float32(low_word_first=True), stamped=True),
    _Node("PeakPressure", r.PEAK_PRESSURE, 2, _float32(), stamped=True),
    _Node("IgnitionTemperature", r.IGNITION_TEMPERATURE, 1, _signed16(0.01), stamped=True),
    _Node("StartTemperature", r.START_TEMPERATURE, 1, _signed16(0.01), stamped=True),
    _Node("HeatingRate", r.HEATING_RATE, 1, _unsigned16(0.01), stamped=True),
    _Node("SparkCount", r.SPARK_COUNT, 1, _word, UInt16, stamped=True),
    _Node("TransducerZero", r.TRANSDUCER_ZERO, 1, _signed16(1.0), stamped=True),
    _Node("IgnitionSeen", r.RESULT_FLAGS, 1, lambda w: bool(w[0] & 1), Boolean, stamped=True),
)
TRACE = (
    _Node("Number", r.TRACE_CYCLE, 1, _word, UInt16),
    _Node("Length", r.TRACE_LENGTH, 1, _word, UInt16),
    _Node("Time", r.TRACE_TIME, _TRACE, _each(lambda w: w[0] * 0.01)),
    _Node("Temperature", r.TRACE_TEMPERATURE, _TRACE, _each(_signed16(0.01))),
    _Node("Pressure", r.TRACE_PRESSURE, _TRACE, _each(_signed16(0.01))),
)
PULSE = (
    _Node("Number", r.PULSE_CYCLE, 1, _word, UInt16),
    _Node("Length", r.PULSE_LENGTH, 1, _word, UInt16),
    _Node("Interval", r.PULSE_INTERVAL, 1, lambda w: w[0] * 0.01),
    _Node("Pressure", r.PULSE_PRESSURE, PULSE_CAPACITY, _each(_signed16(0.01))),
)
RING = (
    _Node("Numbers", r.RING_FIRST, _SLOTS, _each(_word, _RING), UInt16, "holding"),
    _Node(
        "Times",
        r.RING_FIRST,
        _SLOTS,
        lambda words: [
            _time(words[at : at + 2]) or datetime(1601, 1, 1, tzinfo=UTC)
            for at in range(r.RING_TIME, len(words), _RING)
        ],
        DateTime,
        "holding",
    ),
    _Node(
        "FlashPoints",
        r.RING_FIRST,
        _SLOTS,
        lambda words: [
            _float32(low_word_first=True)(words[at : at + 2])
            for at in range(r.RING_FLASH_POINT, len(words), _RING)
        ],
        Double,
        "holding",
    ),
)
FOLDERS = {"Live": LIVE, "Trace": TRACE, "Pulse": PULSE, "Ring": RING, "Result": RESULT}
"""In the order they are refreshed: the number of a result comes after what belongs to it."""


class _Anyone(UserManager):
    """Everybody may look. Nothing here can be written."""

    def get_user(
        self, iserver: Any, username: Any = None, password: Any = None, certificate: Any = None
    ) -> User:
        return User(role=UserRole.User)


class OpcUaFace:
    """Serves one image; may be stopped and started again while the model keeps running.

    port: 0 takes a free one at the first start; later starts use the same port again.
    """

    def __init__(self, image: RegisterImage, *, port: int = 0) -> None:
        self._image = image
        self._port = port
        self._server: Server | None = None
        self._shown: dict[tuple[str, str], Words] = {}
        self._ids: dict[tuple[str, str], ua.NodeId] = {}
        self.statuses: dict[str, int] = {}
        """Status codes that replace Good, by node as "Folder.Name"."""

    @property
    def url(self) -> str:
        """Where it listens. Raises ServerNotStartedError while it is not known yet."""
        if self._port == 0:
            raise ServerNotStartedError("the port is known only after the first start()")
        return f"opc.tcp://{HOST}:{self._port}"

    async def start(self, moved: bool = False) -> str:
        """Starts listening and returns the url. moved: another namespace comes first this time."""
        if self._server is not None:
            return self.url
        for name in ("asyncua.server", "asyncua.uaprotocol", "asyncua.common"):
            logging.getLogger(name).setLevel(logging.ERROR)
        server = Server(user_manager=_Anyone())
        await server.init()
        server.set_endpoint(f"opc.tcp://{HOST}:{self._port}")
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        if moved:
            await server.register_namespace(OTHER_NAMESPACE)
        await self._build(server, await server.register_namespace(NAMESPACE))
        try:
            await server.start()
        except OSError as error:
            raise ServerNotStartedError(f"cannot listen on {HOST}:{self._port}: {error}") from error
        self._server = server
        listening: Any = server.bserver
        self._port = int(listening._server.sockets[0].getsockname()[1])
        await self.refresh()
        return self.url

    async def stop(self) -> None:
        """Stops listening and drops all connections."""
        if self._server is not None:
            server, self._server = self._server, None
            await server.stop()

    async def _build(self, server: Server, index: int) -> None:
        self._shown.clear()
        cup = await server.nodes.objects.add_object(_node_id("Cup", index), f"{index}:Cup")
        for folder, nodes in FOLDERS.items():
            parent = await cup.add_object(_node_id(f"Cup.{folder}", index), f"{index}:{folder}")
            for node in nodes:
                where = _node_id(f"Cup.{folder}.{node.name}", index)
                value = ua.Variant(None, ua.VariantType.Null)
                await parent.add_variable(
                    where, f"{index}:{node.name}", value, datatype=_node_id(node.type.value)
                )
                self._ids[folder, node.name] = where

    async def refresh(self) -> None:
        """Shows what the registers hold now. Writes only what has changed."""
        server = self._server
        if server is None:
            return
        now = datetime.now(UTC)
        for (folder, node), words in _words(self._image):
            status = self.statuses.get(f"{folder}.{node.name}", 0)
            key, seen = (folder, node.name), (*words, status)
            if self._shown.get(key) == seen:
                continue
            self._shown[key] = seen
            stamp = self._stamp() if node.stamped else None
            value = _data_value(node, words, status, stamp or now)
            await server.write_attribute_value(self._ids[key], value)

    def _stamp(self) -> datetime | None:
        """When the result that is shown was made, by the device's clock."""
        return _time(self._image.result_block()[r.RESULT_TIME - r.RESULT_FIRST :][:2])


def shown_values(image: RegisterImage, names: Collection[str]) -> dict[str, ua.DataValue]:
    """What the nodes of these names, "Folder.Name", show of an image."""
    now = datetime.now(UTC)
    return {
        name: _data_value(node, words, 0, now)
        for (folder, node), words in _words(image)
        if (name := f"{folder}.{node.name}") in names
    }


def _words(image: RegisterImage) -> Iterator[tuple[tuple[str, _Node], Words]]:
    """The words of each node; those of a result in one reading, as the device writes them."""
    for folder, nodes in FOLDERS.items():
        if folder == "Result":
            whole = image.read("input", r.RESULT_FIRST, r.RESULT_LAST - r.RESULT_FIRST + 1)
            for node in nodes:
                first = node.address - r.RESULT_FIRST
                yield (folder, node), whole[first : first + node.words]
            continue
        for node in nodes:
            yield (folder, node), image.read(node.table, node.address, node.words)


def _data_value(node: _Node, words: Words, status: int, at: datetime) -> ua.DataValue:
    value = node.decode(words)
    if value is None:  # a clock that was never set
        variant, status = ua.Variant(None, ua.VariantType.Null), int(StatusCodes.BadNoData)
    else:
        variant = ua.Variant(value, node.type, is_array=isinstance(value, list))
    code: Any = status
    stamp: Any = at
    return ua.DataValue(variant, StatusCode=ua.StatusCode(code), SourceTimestamp=stamp)


def _node_id(identifier: Any, index: Any = 0) -> ua.NodeId:
    """A NodeId. The library types an identifier's kinds by classes of its own."""
    return ua.NodeId(identifier, index)

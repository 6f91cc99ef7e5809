"""One Modbus TCP connection: open, read, close. Every failure becomes a LinkError.

A connection never has an old request's answer under way when it sends a new one: when an answer
needed a repeat, a second answer may still come, so the socket is renewed before the next request;
when none came, the caller drops the connection.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from time import monotonic

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU

from edgeflash.config.register_map import Table
from edgeflash.links.cancelling import uncancelled
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import FAULT_OF_EXCEPTION, LinkError, LinkFault
from edgeflash.links.plan import BIT_TABLES
from edgeflash.links.read_request import FUNCTION_OF_TABLE

MBAP_BYTES = 7
"""Transaction (2), protocol (2), length (2), unit (1). The length counts from the unit on."""
SPARE_S = 0.1
"""How much longer than the library's own time limits ours is, so that theirs acts first."""


class ModbusConnection:
    """A connection to one unit. One request at a time; use an object for one connection only.

    timeout_s: for connecting, and for each of the 1 + retries times a request is sent. on_answer:
    called for every answer, refusals included. diagnostics: where everything is counted, with the
    times that mono_s gives.
    """

    def __init__(
        self,
        host: str,
        port: int,
        unit_id: int,
        timeout_s: float,
        retries: int,
        on_answer: Callable[[], None] = lambda: None,
        diagnostics: LinkDiagnostics | None = None,
        mono_s: Callable[[], float] = monotonic,
    ) -> None:
        # The gateway logs one line per change of state; the library would log every retry.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        self._host, self._port, self._unit_id = host, port, unit_id
        self._timeout_s, self._retries, self._on_answer = timeout_s, retries, on_answer
        self._notes, self._mono_s = diagnostics or LinkDiagnostics(), mono_s
        self._client: AsyncModbusTcpClient | None = None
        self._lost = False
        self._is_garbled = False
        self._repeat_pending = False
        self._waiting: asyncio.Timeout | None = None

    @property
    def peer(self) -> str:
        """host:port, for sentences."""
        return f"{self._host}:{self._port}"

    async def open(self) -> None:
        """Connect. Raises LinkError NOT_CONNECTED."""
        client = AsyncModbusTcpClient(
            self._host,
            port=self._port,
            timeout=self._timeout_s,
            retries=self._retries,
            reconnect_delay=0,  # the link owns reconnecting; each attempt is a new object
            trace_connect=self._on_connection,
            trace_packet=self._on_packet,
        )
        client.set_max_no_responses(0)
        self._client = client
        started_s = monotonic()
        if await uncancelled(client.connect()):
            self._notes.note_connect()
            return
        waited_s = monotonic() - started_s
        why = "nothing answers" if waited_s >= self._timeout_s else "refused or unreachable"
        raise LinkError(
            LinkFault.NOT_CONNECTED, f"no connection to {self.peer}: {why} ({waited_s:.1f} s)"
        )

    def close(self) -> None:
        """Drop the connection at once, with whatever is still to be sent or received."""
        client, self._client = self._client, None
        if client is not None:
            client.close()

    @property
    def is_lost(self) -> bool:
        """True once the peer has closed, or has left a request without an orderly answer."""
        return self._lost

    async def read(self, table: Table, address: int, count: int) -> list[int]:
        """`count` words (bits as 0 and 1) from the zero-based address. Raises LinkError."""
        try:
            return await self._read(table, address, count)
        except LinkError as error:
            if not error.fault.answered:
                self._lost = True  # an answer that still comes must not meet a later request
            self._count(error.fault)
            raise

    def _count(self, fault: LinkFault) -> None:
        self._notes.note_fault(fault)
        if fault is LinkFault.NO_RESPONSE:
            self._notes.note_retry(self._retries)
            self._notes.note_timeout(self._retries)

    async def _read(self, table: Table, address: int, count: int) -> list[int]:
        if self._repeat_pending:
            self.close()
            self._repeat_pending = False
            await self.open()
        reply = await self._request(table, address, count)
        place = f"{table} {address}..{address + count - 1}"
        if reply.isError():
            code = reply.exception_code
            fault = FAULT_OF_EXCEPTION.get(code, LinkFault.DEVICE_FAILURE)
            raise LinkError(
                fault, f"{self.peer} refuses {place} with exception {code}: {fault.value}"
            )
        if reply.function_code != FUNCTION_OF_TABLE[table]:
            raise LinkError(
                LinkFault.BAD_REPLY,
                f"{self.peer} answered {place} with function {reply.function_code}",
            )
        if table in BIT_TABLES:
            got, wanted = len(reply.bits), (count + 7) // 8 * 8
            words = [int(bit) for bit in reply.bits[:count]]
        else:
            got, wanted = len(reply.registers), count
            words = list(reply.registers)
        if got != wanted:
            raise LinkError(
                LinkFault.SHORT_REPLY, f"{self.peer} answered {place} with {got} of {wanted}"
            )
        return words

    async def _request(self, table: Table, address: int, count: int) -> ModbusPDU:
        """The reply PDU, an exception reply included. Fails at once when the peer closes."""
        if self._client is None or self._lost:
            raise self._failure(table, address)
        send = self._reader(self._client, table)
        limit_s = self._timeout_s * (self._retries + 1) + SPARE_S
        self._notes.note_request()
        sent_s = monotonic()
        try:
            async with asyncio.timeout(limit_s) as self._waiting:
                reply = await uncancelled(send(address, count=count, device_id=self._unit_id))
        except (TimeoutError, ModbusException) as error:
            raise self._failure(table, address, error) from error
        finally:
            self._waiting = None
        if self._lost or self._is_garbled:
            raise self._failure(table, address)
        self._repeat_pending = reply.retries > 0
        self._note_answer(reply, monotonic() - sent_s)
        self._on_answer()
        return reply

    def _note_answer(self, reply: ModbusPDU, round_trip_s: float) -> None:
        """After a repeat, nothing tells which of the two sendings was answered."""
        self._notes.note_retry(reply.retries)
        self._notes.note_timeout(reply.retries)
        once = round_trip_s if not reply.retries else None
        now_s = self._mono_s()
        if reply.isError():
            self._notes.note_refusal(reply.exception_code, now_s, once)
        else:
            self._notes.note_answer(now_s, once)

    @staticmethod
    def _reader(client: AsyncModbusTcpClient, table: Table) -> Callable[..., Awaitable[ModbusPDU]]:
        match table:
            case Table.COIL:
                return client.read_coils
            case Table.DISCRETE:
                return client.read_discrete_inputs
            case Table.HOLDING:
                return client.read_holding_registers
            case Table.INPUT:
                return client.read_input_registers

    def _failure(self, table: Table, address: int, error: Exception | None = None) -> LinkError:
        if self._is_garbled:
            return LinkError(
                LinkFault.BAD_REPLY,
                f"{self.peer} answered {table} {address} with bytes that are not Modbus TCP",
            )
        if self._lost or isinstance(error, ConnectionException) or error is None:
            return LinkError(LinkFault.DISCONNECTED, f"{self.peer} closed the connection")
        return LinkError(
            LinkFault.NO_RESPONSE,
            f"{self.peer} gave no answer to {table} {address} in "
            f"{self._retries + 1} × {self._timeout_s:g} s",
        )

    def _on_connection(self, is_up: bool) -> None:
        """The library calls this on connect and on loss, never on our own close."""
        if not is_up:
            self._lost = True
            self._give_up()

    def _on_packet(self, is_sending: bool, data: bytes) -> bytes:
        """Every byte passes here; the library's decoder must see whole, proper frames only.

        Anything else it would wait on for ever, or answer with a traceback in the log.
        """
        if is_sending or (not self._is_garbled and _is_proper(data)):
            return data
        self._is_garbled = True
        self._give_up()
        return b""

    def _give_up(self) -> None:
        """Wake the waiting request: the library itself would sit out its time limit."""
        waiting, self._waiting = self._waiting, None  # once: an expiring limit takes no other
        if waiting is not None:
            waiting.reschedule(asyncio.get_running_loop().time())


def _is_proper(data: bytes) -> bool:
    """True when every whole frame in the buffer is a well-formed read or exception reply.

    No request has transaction 0, and the library would take a reply with it for any request's.
    """
    while len(data) >= MBAP_BYTES + 1:
        length = int.from_bytes(data[4:6], "big")
        if data[:2] == b"\0\0" or data[2:4] != b"\0\0" or not 3 <= length <= 254:
            return False
        end = MBAP_BYTES - 1 + length
        if len(data) < end:
            return True
        pdu = data[MBAP_BYTES:end]
        if pdu[0] & 0x80:
            if len(pdu) != 2 or pdu[0] == 0x80:
                return False
        elif pdu[1] != len(pdu) - 2 or pdu[0] not in (1, 2, 3, 4) or (pdu[0] > 2 and pdu[1] % 2):
            return False
        data = data[end:]
    return True

"""Modbus TCP server over a register image; reads only, on the loopback address."""

from __future__ import annotations

import socket
from collections.abc import Sequence

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from pymodbus.simulator.simdevice import SimAction

from simulators.errors import ServerNotStartedError, UnmappedAddressError
from simulators.registers import SIZES, RegisterImage

HOST = "127.0.0.1"
TABLE_OF_FUNCTION = {3: "holding", 4: "input"}


class AnalyzerServer:
    """Serves one image; may be stopped and started again while the model keeps running.

    port: 0 takes a free one at the first start; later starts use the same port again.
    """

    def __init__(self, image: RegisterImage, *, port: int = 0, device_id: int = 1) -> None:
        self._image = image
        self._port = port
        self._device_id = device_id
        self._server: ModbusTcpServer | None = None
        self.requests = 0

    @property
    def port(self) -> int:
        """Port listened on. Raises ServerNotStartedError while it is not known yet."""
        if self._port == 0:
            raise ServerNotStartedError("the port is known only after the first start()")
        return self._port

    @property
    def running(self) -> bool:
        """True while it listens."""
        return self._server is not None

    async def start(self) -> int:
        """Starts listening and returns the port. Does nothing when already running.

        Raises ServerNotStartedError when the port cannot be opened.
        """
        if self._server is not None:
            return self.port
        devices = [self._device(self._device_id, self._answer), self._device(0, _refuse)]
        server = ModbusTcpServer(devices, address=(HOST, self._port))
        try:
            await server.serve_forever(background=True)
        except RuntimeError as error:
            raise ServerNotStartedError(
                f"cannot listen on {HOST}:{self._port}: {error}; choose another port or 0"
            ) from error
        self._server = server
        sockets: Sequence[socket.socket] = getattr(server.transport, "sockets", ())
        self._port = int(sockets[0].getsockname()[1])
        return self._port

    async def stop(self) -> None:
        """Stops listening and drops all connections, like a pulled cable at the device."""
        if self._server is not None:
            server, self._server = self._server, None
            await server.shutdown()  # type: ignore[no-untyped-call]  # library leaves it untyped

    @staticmethod
    def _device(device_id: int, action: SimAction) -> SimDevice:
        one_coil = [SimData(0, count=16, values=False, datatype=DataType.BITS)]
        one_input = [SimData(0, count=16, values=False, datatype=DataType.BITS)]
        registers = {
            table: [SimData(0, count=size, values=0, datatype=DataType.REGISTERS)]
            for table, size in SIZES.items()
        }
        return SimDevice(
            id=device_id,
            simdata=(one_coil, one_input, registers["holding"], registers["input"]),
            action=action,
        )

    async def _answer(
        self,
        function_code: int,
        start_address: int,
        address: int,
        count: int,
        current: list[int],
        set_values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Copies the image into the reply; refuses every write."""
        table = TABLE_OF_FUNCTION.get(function_code)
        if table is None or set_values is not None:  # coils exist but hold nothing
            return ExcCodes.ILLEGAL_FUNCTION
        try:
            words = self._image.read(table, address, count)
        except UnmappedAddressError:
            return ExcCodes.ILLEGAL_ADDRESS
        self.requests += 1
        place = address - start_address
        current[place : place + count] = words
        return None


async def _refuse(
    function_code: int,
    start_address: int,
    address: int,
    count: int,
    current: list[int],
    set_values: list[int] | list[bool] | None,
) -> ExcCodes | None:
    """Answers for every unit that is not there (the library's device 0): exception 11."""
    return ExcCodes.GATEWAY_NO_RESPONSE

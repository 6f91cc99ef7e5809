"""A two-wire bus of pseudo terminals between our master and slaves in other programs.

What the master says reaches every slave. What a slave says reaches the master through `spoil`, and
the other slaves as it is: a libmodbus slave waits for the answer to a request that was another's.
"""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Callable, Sequence

from pymodbus.framer import FramerRTU

Pieces = Sequence[tuple[float, bytes]]
"""What the master gets instead of a reply: each piece after a pause in seconds."""


def whole(reply: bytes) -> Pieces:
    """The reply as it is."""
    return [(0.0, reply)]


class SerialBus:
    """master: the device our side opens; slaves: one device for each slave program.

    spoil: gives what really arrives of each reply. replies: how many went through.
    """

    def __init__(self, slaves: int) -> None:
        self.spoil: Callable[[bytes], Pieces] = whole
        self.replies = 0
        self._tasks: set[asyncio.Task[None]] = set()
        self._terminals = [os.openpty() for _ in range(1 + slaves)]
        for ours, theirs in self._terminals:
            tty.setraw(theirs)
            os.set_blocking(ours, False)
        self.master, *self.slaves = (os.ttyname(theirs) for _, theirs in self._terminals)
        self._of_master, *self._of_slaves = (ours for ours, _ in self._terminals)
        self._heard = dict.fromkeys(self._of_slaves, b"")
        loop = asyncio.get_running_loop()
        loop.add_reader(self._of_master, self._from_master)
        for slave in self._of_slaves:
            loop.add_reader(slave, self._from_slave, slave)

    def _from_master(self) -> None:
        data = os.read(self._of_master, 4096)
        for slave in self._of_slaves:
            os.write(slave, data)

    def _from_slave(self, slave: int) -> None:
        """Collects a reply until its checksum, computed by pymodbus, is right."""
        self._heard[slave] += os.read(slave, 4096)
        reply = self._heard[slave]
        if len(reply) >= 5 and FramerRTU.compute_CRC(reply[:-2]).to_bytes(2, "big") == reply[-2:]:
            self._heard[slave] = b""
            self.replies += 1
            for other in self._of_slaves:
                if other != slave:
                    os.write(other, reply)
            task = asyncio.get_running_loop().create_task(self._pass_on(self.spoil(reply)))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _pass_on(self, pieces: Pieces) -> None:
        for pause_s, data in pieces:
            if pause_s:
                await asyncio.sleep(pause_s)
            os.write(self._of_master, data)

    async def close(self) -> None:
        """Takes the bus away."""
        loop = asyncio.get_running_loop()
        for ours, _ in self._terminals:
            loop.remove_reader(ours)
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for ours, theirs in self._terminals:
            os.close(ours)
            os.close(theirs)

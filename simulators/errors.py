"""Errors of the simulators; independent of the gateway's own error classes."""

from __future__ import annotations


class SimulatorError(Exception):
    """Root of everything the simulators raise."""


class FuelError(SimulatorError):
    """A fuel cannot be made as asked, or has no flash point in the modelled range."""


class FaultError(SimulatorError):
    """A fault is written wrongly; the message names the text and the accepted form."""


class UnmappedAddressError(SimulatorError):
    """A register was asked for that the device does not have."""

    def __init__(self, table: str, address: int, count: int) -> None:
        super().__init__(
            f"{table} registers {address}..{address + count - 1}: not all of them exist;"
            " see simulators.registers.READABLE for the readable ranges"
        )
        self.table, self.address, self.count = table, address, count


class ServerNotStartedError(SimulatorError):
    """A server was asked for its port before it listened, or could not listen."""

"""What can go wrong on a link, as one closed list, and the errors that carry it."""

from __future__ import annotations

from enum import Enum

from edgeflash.errors import DeviceError, EdgeflashError
from edgeflash.model import Role


class LinkFault(Enum):
    """The kinds of failure of one request. The value says what happened, in words.

    Exception codes: Modbus application protocol V1.1b3, section 7.
    """

    NOT_CONNECTED = "no connection"
    DISCONNECTED = "the connection was lost"
    NO_RESPONSE = "no answer in time"
    SHORT_REPLY = "an answer of the wrong length"
    BAD_REPLY = "an answer that is not Modbus TCP"
    BUSY = "the analyzer is busy (exceptions 5 and 6)"
    DEVICE_FAILURE = "the analyzer reports that it failed (exceptions 4, 7 and 8)"
    BEHIND_GATEWAY = "the Modbus gateway cannot reach the analyzer (exceptions 10 and 11)"
    ILLEGAL_FUNCTION = "the analyzer does not have this table (exception 1)"
    ILLEGAL_ADDRESS = "the analyzer does not have these addresses (exceptions 2 and 3)"
    SESSION_LOST = "the server has dropped the session"
    GARBLED = "an answer that is not OPC UA"
    OVERLOADED = "the server has no room for us"
    SERVER_FAILURE = "the server reports that it failed"
    NOT_OFFERED = "the server does not offer the security that is asked for"
    NOT_TRUSTED = "the server's certificate is not accepted"
    NOT_ADMITTED = "the server does not let us in"
    UNKNOWN_NODE = "the server does not have a mapped node"
    WRONG_TYPE = "a mapped node holds what its role cannot be"

    @property
    def answered(self) -> bool:
        """True: a whole, orderly refusal came, so the connection is in step and stays open."""
        return self in _ANSWERS

    @property
    def is_misconfiguration(self) -> bool:
        """True: the map asks for something the analyzer does not have; asking again is no use."""
        return self in _MISCONFIGURATIONS


_ANSWERS = frozenset(
    {
        LinkFault.BUSY,
        LinkFault.DEVICE_FAILURE,
        LinkFault.BEHIND_GATEWAY,
        LinkFault.ILLEGAL_FUNCTION,
        LinkFault.ILLEGAL_ADDRESS,
    }
)

_MISCONFIGURATIONS = frozenset(
    {
        LinkFault.ILLEGAL_FUNCTION,
        LinkFault.ILLEGAL_ADDRESS,
        LinkFault.NOT_OFFERED,
        LinkFault.NOT_TRUSTED,
        LinkFault.NOT_ADMITTED,
        LinkFault.UNKNOWN_NODE,
        LinkFault.WRONG_TYPE,
    }
)

FAULT_OF_EXCEPTION: dict[int, LinkFault] = {
    1: LinkFault.ILLEGAL_FUNCTION,
    2: LinkFault.ILLEGAL_ADDRESS,
    3: LinkFault.ILLEGAL_ADDRESS,
    4: LinkFault.DEVICE_FAILURE,
    5: LinkFault.BUSY,
    6: LinkFault.BUSY,
    7: LinkFault.DEVICE_FAILURE,
    8: LinkFault.DEVICE_FAILURE,
    10: LinkFault.BEHIND_GATEWAY,
    11: LinkFault.BEHIND_GATEWAY,
}
"""Fault of each Modbus exception code; a code that is not here counts as DEVICE_FAILURE."""


class LinkError(DeviceError):
    """One request, or the connection, failed. `fault` is for code, `sentence` for people.

    code: the OPC UA status of the answer, 0 where there was none.
    """

    def __init__(self, fault: LinkFault, sentence: str, code: int = 0) -> None:
        super().__init__(sentence)
        self.fault = fault
        self.code = code
        self.sentence = sentence


class DecodeError(DeviceError):
    """The words of a role are no value of its encoding."""

    def __init__(self, role: Role, address: int, problem: str) -> None:
        super().__init__(f"{role} at {address}: {problem}")
        self.role = role
        self.address = address
        self.problem = problem


class PlanError(EdgeflashError):
    """A register map cannot be read as it stands; names the role and what would be right."""

    def __init__(self, role: Role, problem: str) -> None:
        super().__init__(f"{role}: {problem}")
        self.role = role
        self.problem = problem

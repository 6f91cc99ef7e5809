"""Who may do what to the gateway: roles, operations, and the one table that joins them. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum

from edgeflash.errors import EdgeflashError


class UserRole(IntEnum):
    """What a user is on this site; each may do all that the one before may."""

    OBSERVER = 1
    OPERATOR = 2
    ENGINEER = 3


class Operation(StrEnum):
    """Something a person or the control system does to the gateway, and that is recorded."""

    ACKNOWLEDGE = "acknowledge"
    MAINTENANCE = "maintenance"
    CHECK_SAMPLE = "check_sample"
    TEST_SIGNAL = "test_signal"


NEEDED_ROLE: dict[Operation, UserRole] = {
    Operation.ACKNOWLEDGE: UserRole.OPERATOR,
    Operation.MAINTENANCE: UserRole.OPERATOR,
    Operation.CHECK_SAMPLE: UserRole.OPERATOR,
    Operation.TEST_SIGNAL: UserRole.ENGINEER,
}
"""The lowest role that may do each operation. Reading needs OBSERVER."""


@dataclass(frozen=True, slots=True)
class Who:
    """Somebody who asks. name: as authenticated, never as claimed. via: by which way, for the
    record, for example "opcua 192.0.2.7:50112" or "operator socket"."""

    name: str
    role: UserRole
    via: str


class OperationRefusedError(EdgeflashError):
    """An operation is not done; says which and why, in words for the one who asked."""


class NotAllowedError(OperationRefusedError):
    """Somebody asks for more than the role allows."""

    def __init__(self, who: Who, operation: Operation) -> None:
        needed = NEEDED_ROLE[operation].name.lower()
        super().__init__(
            f"{who.name} ({who.role.name.lower()}) may not do {operation.value}: it needs the "
            f"role {needed} or higher"
        )
        self.who, self.operation = who, operation


def demand(who: Who, operation: Operation) -> None:
    """Raises NotAllowedError when this person may not do it."""
    if who.role < NEEDED_ROLE[operation]:
        raise NotAllowedError(who, operation)

"""The qualities a published value can have, and how each outlet spells them.

One table: OPC UA status code (OPC 10000-4, names and numbers from the published code list), the
number in the Modbus quality register, and the NE 107 category. The Modbus numbers are ours:
0 good, 1..9 uncertain, 10 and above bad, so that `quality < 10` means "there is a value".
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum


class Category(StrEnum):
    """NE 107 status categories (NAMUR NE 107; from memory)."""

    OK = "ok"
    FAILURE = "failure"
    FUNCTION_CHECK = "function_check"
    OUT_OF_SPECIFICATION = "out_of_specification"
    MAINTENANCE_REQUIRED = "maintenance_required"


class Trust(StrEnum):
    """The three severities of OPC UA status codes."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class QualityEntry:
    """One row of the quality table. opcua_code: 32-bit StatusCode. modbus: 0..99."""

    opcua_name: str
    opcua_code: int
    modbus: int
    meaning: str

    @property
    def trust(self) -> Trust:
        """Severity, from the top two bits of the status code (OPC 10000-4, 7.39)."""
        return (Trust.GOOD, Trust.UNCERTAIN, Trust.BAD, Trust.BAD)[self.opcua_code >> 30]


class Quality(Enum):
    """Every quality edgeflash publishes. Maps one to one between outlets."""

    GOOD = QualityEntry("Good", 0x00000000, 0, "the last cycle was accepted")
    LAST_USABLE = QualityEntry(
        "UncertainLastUsableValue", 0x40900000, 1, "an earlier accepted value, held; see the reason"
    )
    LAST_USABLE_NO_LINK = QualityEntry(
        "UncertainNoCommunicationLastUsableValue",
        0x408F0000,
        2,
        "an earlier accepted value, held while the analyzer cannot be read",
    )
    SUB_NORMAL = QualityEntry(
        "UncertainSubNormal", 0x40950000, 3, "this cycle's own value, doubtful; see the reason"
    )
    NOT_ACCURATE = QualityEntry(
        "UncertainSensorNotAccurate", 0x40930000, 4, "a sensor or supply is outside its limits"
    )
    UNITS_EXCEEDED = QualityEntry(
        "UncertainEngineeringUnitsExceeded", 0x40940000, 5, "outside the instrument's range"
    )
    TEST = QualityEntry(
        "UncertainSubstituteValue",
        0x40910000,
        6,
        "a test value that a person has set, while the way to the control system is proved",
    )
    BAD = QualityEntry("Bad", 0x80000000, 10, "no usable value; see the reason")
    NO_COMMUNICATION = QualityEntry(
        "BadNoCommunication",
        0x80310000,
        11,
        "the analyzer cannot be read and the hold time is over",
    )
    WAITING_FOR_INITIAL_DATA = QualityEntry(
        "BadWaitingForInitialData", 0x80320000, 12, "no cycle has been accepted yet"
    )
    DEVICE_FAILURE = QualityEntry(
        "BadDeviceFailure", 0x808B0000, 13, "the analyzer reports a failure"
    )
    SENSOR_FAILURE = QualityEntry("BadSensorFailure", 0x808C0000, 14, "a sensor has failed")
    OUT_OF_SERVICE = QualityEntry(
        "BadOutOfService", 0x808D0000, 15, "maintenance or a check sample is running"
    )
    OUT_OF_RANGE = QualityEntry(
        "BadOutOfRange", 0x803C0000, 16, "the flash point lies outside what can be measured"
    )
    NO_DATA = QualityEntry("BadNoData", 0x809B0000, 17, "no result has come for too long")
    CONFIGURATION = QualityEntry(
        "BadConfigurationError", 0x80890000, 18, "the analyzer refuses the mapped addresses"
    )

    @property
    def trust(self) -> Trust:
        """good, uncertain or bad."""
        return self.value.trust

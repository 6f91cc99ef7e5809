"""The values that flow between the rooms. Frozen; nothing here waits, reads a clock or a disk.

Units inside edgeflash: temperature °C, pressure kPa (absolute for the barometer, gauge for the
cell), time s, flow mL/min, heating rate °C/min. `*_at` is an aware UTC datetime, `*_mono_s` a
reading of the monotonic clock.
"""

from edgeflash.model.alarms import AlarmNote, AlarmState
from edgeflash.model.cycles import (
    MOST_STREAM,
    Continuity,
    Cycle,
    CycleSource,
    Declared,
    PreviousResult,
    Span,
)
from edgeflash.model.events import EventEntry, EventKind
from edgeflash.model.laboratory import LabResult, LabStatus
from edgeflash.model.results import (
    NOT_ASSESSED,
    Assessment,
    CheckResult,
    Computed,
    Finding,
    InputReading,
    Result,
    Severity,
    Verdict,
)
from edgeflash.model.roles import Phase, Role, Scalar
from edgeflash.model.scans import CycleBody, RecentResult, Scan
from edgeflash.model.traces import Floats, Pulse, Trace, TraceSource, single_precision

__all__ = [
    "MOST_STREAM",
    "NOT_ASSESSED",
    "AlarmNote",
    "AlarmState",
    "Assessment",
    "CheckResult",
    "Computed",
    "Continuity",
    "Cycle",
    "CycleBody",
    "CycleSource",
    "Declared",
    "EventEntry",
    "EventKind",
    "Finding",
    "Floats",
    "InputReading",
    "LabResult",
    "LabStatus",
    "Phase",
    "PreviousResult",
    "Pulse",
    "RecentResult",
    "Result",
    "Role",
    "Scalar",
    "Scan",
    "Severity",
    "Span",
    "Trace",
    "TraceSource",
    "Verdict",
    "single_precision",
]

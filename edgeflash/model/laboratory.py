"""Laboratory results, as they are entered."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class LabStatus(StrEnum):
    """How far a laboratory result may be relied on."""

    PRELIMINARY = "preliminary"
    FINAL = "final"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class LabResult:
    """One laboratory result as it was entered, or the correction of one.

    entry_id: names the entry for ever; whoever enters it makes a new one. value_c: None where the
    laboratory gave no figure. repeat_number: which determination on the sample, from 1.
    correction_of: entry_id of the entry this one stands in for.
    """

    analyzer: str
    entry_id: str
    sample_id: str
    sampled_at: datetime
    value_c: float | None
    status: LabStatus
    entered_at: datetime
    entered_by: str = ""
    reported_at: datetime | None = None
    method: str = ""
    repeat_number: int = 1
    laboratory: str = ""
    product: str = ""
    note: str = ""
    correction_of: str = ""

"""The columns of `lab`, one row for each laboratory result and for each correction of one. Pure.

Nothing that was entered is changed: a correction is a row of its own that names the row it stands
in for.
"""

from __future__ import annotations

from edgeflash.history.column import REAL, TEXT, TIMESTAMP, WHOLE, Column
from edgeflash.model import LabResult

LAB_COLUMNS: tuple[Column[LabResult], ...] = (
    Column("analyzer", TEXT, "Identifier of the analyzer.", lambda lab: lab.analyzer),
    Column(
        "entry_id", TEXT, "Name of this entry for ever, given with it.", lambda lab: lab.entry_id
    ),
    Column("sample_id", TEXT, "The laboratory's name of the sample.", lambda lab: lab.sample_id),
    Column("sampled_at", TIMESTAMP, "When the sample was drawn, UTC.", lambda lab: lab.sampled_at),
    Column(
        "reported_at",
        TIMESTAMP,
        "When the laboratory reported the value, UTC.",
        lambda lab: lab.reported_at,
    ),
    Column(
        "value_c",
        REAL,
        "Flash point as the laboratory reports it, corrected by its method; null without one.",
        lambda lab: lab.value_c,
        "°C",
    ),
    Column("method", TEXT, "Test method of the laboratory.", lambda lab: lab.method or None),
    Column(
        "repeat_number",
        WHOLE,
        "Which determination on this sample, from 1.",
        lambda lab: lab.repeat_number,
    ),
    Column("laboratory", TEXT, "Which laboratory.", lambda lab: lab.laboratory or None),
    Column("product", TEXT, "Product sampled.", lambda lab: lab.product or None),
    Column("note", TEXT, "What the operator noted.", lambda lab: lab.note or None),
    Column("status", TEXT, "preliminary, final or withdrawn.", lambda lab: lab.status.value),
    Column(
        "correction_of",
        TEXT,
        "entry_id of the entry that this one stands in for; null for a first one.",
        lambda lab: lab.correction_of or None,
    ),
    Column("entered_by", TEXT, "Who entered it.", lambda lab: lab.entered_by or None),
    Column("entered_at", TIMESTAMP, "When it was entered, UTC.", lambda lab: lab.entered_at),
)

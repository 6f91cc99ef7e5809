"""What the codes of points mean, in words. Pure."""

from __future__ import annotations

from edgeflash.clock_state import Synchronisation
from edgeflash.model import AlarmState, Phase, Verdict
from edgeflash.points.point import CodeMeaning
from edgeflash.publication import LinkState
from edgeflash.rules.catalogue import RULES
from edgeflash.trust import Category, Quality

VERDICT_TEXTS = ("none", *(v.value for v in Verdict))
LINK_TEXTS = tuple(s.name.lower() for s in LinkState)
PHASE_TEXTS = tuple(p.value for p in Phase)
CLOCK_TEXTS = tuple(s.name.lower() for s in Synchronisation)
HEALTH_TEXTS = tuple(c.value for c in Category)
ALARM_TEXTS = tuple(state.value for state in AlarmState)

QUALITIES = tuple(
    CodeMeaning(e.modbus, e.opcua_name, e.meaning)
    for e in sorted((q.value for q in Quality), key=lambda e: e.modbus)
)
REASONS = (
    CodeMeaning(0, "none", "nothing to explain: the quality is good"),
    *(CodeMeaning(rule.code, rule.name, rule.sentence) for rule in RULES),
)
VERDICT_CODES: dict[Verdict, int] = {v: i for i, v in enumerate(Verdict, start=1)}

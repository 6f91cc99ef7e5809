"""Two-step limits around a planned value, as several rules have them."""

from __future__ import annotations

from edgeflash.model import Severity
from edgeflash.rules.rule import Breach, Parameter, Parameters


def off_plan_parameters(doubt: float, reject: float, unit: str) -> tuple[Parameter, Parameter]:
    """The two limits as rule parameters; unit says what they are fractions of."""
    return (
        Parameter("doubt_fraction", doubt, unit, "deviation that raises doubt"),
        Parameter("reject_fraction", reject, unit, "deviation that rejects"),
    )


def off_plan(
    measured: float, plan: float, p: Parameters, unit: str, sentence: str
) -> Breach | None:
    """The breach of a value too far from its plan; the limit it names is the one it crossed."""
    off = abs(measured - plan) / plan
    if off <= p["doubt_fraction"]:
        return None
    severity = Severity.REJECT if off > p["reject_fraction"] else Severity.DOUBT
    share = p["reject_fraction"] if severity is Severity.REJECT else p["doubt_fraction"]
    limit = plan * (1 + share if measured > plan else 1 - share)
    return Breach(sentence, measured, limit, unit, severity)

"""Two-step limits around a planned value, at and beside each limit."""

from __future__ import annotations

import pytest

from edgeflash.model import Severity
from edgeflash.rules.off_plan import off_plan, off_plan_parameters

LIMITS = {"doubt_fraction": 0.15, "reject_fraction": 0.40}
"""As rule ramp_rate has them (docs/rules.md)."""


@pytest.mark.parametrize(
    ("measured", "severity", "limit"),
    [
        (10.0, None, None),
        (11.5, None, None),  # 15 % itself is still in order
        (8.5, None, None),
        (11.6, Severity.DOUBT, 11.5),
        (8.4, Severity.DOUBT, 8.5),
        (14.0, Severity.DOUBT, 11.5),  # 40 % itself is still a doubt
        (6.0, Severity.DOUBT, 8.5),
        (14.1, Severity.REJECT, 14.0),
        (5.9, Severity.REJECT, 6.0),
        (0.0, Severity.REJECT, 6.0),
    ],
)
def test_the_limit_that_was_crossed_is_named(
    measured: float, severity: Severity | None, limit: float | None
) -> None:
    """On the side on which it was crossed; hand arithmetic on a plan of 10."""
    breach = off_plan(measured, 10.0, LIMITS, "°C/min", "the sentence")
    if severity is None:
        assert breach is None
        return
    assert breach is not None
    assert (breach.severity, breach.measured, breach.unit) == (severity, measured, "°C/min")
    assert breach.limit == pytest.approx(limit, rel=1e-12)
    assert breach.sentence == "the sentence"


def test_the_parameters_say_what_each_limit_does() -> None:
    """They are printed on the page of the rules and in what is wrong with a tuning."""
    doubt, reject = off_plan_parameters(0.15, 0.40, "of plan")
    assert (doubt.name, doubt.default, doubt.unit) == ("doubt_fraction", 0.15, "of plan")
    assert (reject.name, reject.default, reject.unit) == ("reject_fraction", 0.40, "of plan")
    assert "doubt" in doubt.meaning
    assert "reject" in reject.meaning

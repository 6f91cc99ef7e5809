"""The value against the one that the blend or the distillation lets expect.

8 °C about the usual offset: common practice, no source.
"""

from __future__ import annotations

import math

import pytest

from edgeflash.model import Severity, Verdict
from tests.unit.rules.pasts import UNSOUND, Line, said

ACCEPTED, DOUBTFUL = Verdict.ACCEPTED, Verdict.DOUBTFUL
DOUBT = Severity.DOUBT


@pytest.mark.parametrize(
    ("bias_c", "off_c", "verdict"),
    [
        (0.0, 8.0, ACCEPTED),
        (0.0, 8.01, DOUBTFUL),
        (0.0, -8.0, ACCEPTED),
        (0.0, -8.01, DOUBTFUL),
        (5.0, 13.0, ACCEPTED),
        (5.0, 13.01, DOUBTFUL),
        (5.0, -3.0, ACCEPTED),
        (5.0, -3.01, DOUBTFUL),
    ],
)
def test_the_change_against_the_prediction_counts(
    bias_c: float, off_c: float, verdict: Verdict
) -> None:
    """8 °C about the usual offset (common practice, no source); never more than a doubt."""
    made = Line().add([62.0 + bias_c] * 5, predicted_c=62.0)
    result = made.judge(62.0 + bias_c, predicted_c=62.0 + bias_c - off_c)
    assert result.verdict is verdict
    finding = said(result, "prediction_disagrees")
    assert (finding is None) is (verdict is ACCEPTED)
    if finding is not None:
        side = math.copysign(8.0, off_c - bias_c)
        assert finding.measured == pytest.approx(off_c - bias_c)
        assert (finding.limit, finding.unit, finding.severity) == (side, "°C", DOUBT)
        assert f"{62.0 + bias_c:.1f} °C, but {62.0 + bias_c - off_c:.1f} °C" in finding.sentence
        assert f"usually {bias_c:+.1f} °C off" in finding.sentence


@pytest.mark.parametrize(("off_c", "verdict"), [(12.0, ACCEPTED), (-12.01, DOUBTFUL)])
def test_until_the_offset_is_known_the_limit_is_wider(off_c: float, verdict: Verdict) -> None:
    """Four accepted cycles are not enough; those of another stream, doubted ones, and ones
    without a prediction do not count."""
    made = Line().add([62.0] * 4, predicted_c=55.0).add([62.0] * 3)
    made.add([62.0] * 3, predicted_c=55.0, stream=9)
    made.judge(62.0, predicted_c=55.0, own=UNSOUND)
    result = made.judge(62.0, predicted_c=62.0 - off_c)
    assert result.verdict is verdict
    finding = said(result, "prediction_disagrees")
    assert (finding is None) is (verdict is ACCEPTED)
    if finding is not None:
        assert finding.limit == -12.0
        assert "usually" not in finding.sentence


def test_a_prediction_needs_a_value_and_a_product() -> None:
    """Without either, with no prediction, or for a check sample, there is nothing to compare."""
    assert said(Line().judge(None, predicted_c=20.0, own=UNSOUND), "prediction_disagrees") is None
    assert said(Line().judge(62.0), "prediction_disagrees") is None
    check = Line().judge(62.0, predicted_c=20.0, is_check=True)
    assert said(check, "prediction_disagrees") is None
    assert said(Line().judge(62.0, predicted_c=20.0), "prediction_disagrees") is not None

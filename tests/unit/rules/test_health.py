"""The health of an analyzer: the gravest NE 107 category of all that is known of it.

NAMUR NE 107 (from memory): failure, function check, out of specification, maintenance required, in
this order. Rules 503 and 302: maintenance required; 101: failure; 207: function check; 401: out of
specification (docs/rules.md).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeflash.model import Finding, Severity
from edgeflash.publication import LinkState, Standing, StandingFinding
from edgeflash.rules.health import health
from edgeflash.trust import Category, Quality
from tests.unit.outlets.builders import result, standing_of


def finding(code: int, severity: Severity = Severity.DOUBT) -> Finding:
    """What a rule says; its words do not matter here."""
    return Finding(code, "invented", severity, "")


def standing(cycle: tuple[int, ...] | None, present: tuple[int, ...] = ()) -> Standing:
    """Findings of the latest cycle (None: there is none) and of the present, on a sound link."""
    said = tuple(StandingFinding(finding(code), Quality.BAD, Quality.BAD) for code in present)
    if cycle is None:
        return Standing("fp-101", link=LinkState.UP, standing=said)
    judged = replace(result(), findings=tuple(finding(code) for code in cycle))
    return replace(standing_of(judged), standing=said)


@pytest.mark.parametrize(
    ("codes", "expected"),
    [
        ((), Category.OK),
        ((302,), Category.MAINTENANCE_REQUIRED),
        ((302, 401), Category.OUT_OF_SPECIFICATION),
        ((401, 207, 302), Category.FUNCTION_CHECK),
        ((207, 101), Category.FAILURE),
        ((101, 207), Category.FAILURE),
        ((99_999,), Category.OK),
        ((99_999, 302), Category.MAINTENANCE_REQUIRED),
    ],
)
def test_the_gravest_category_stands(codes: tuple[int, ...], expected: Category) -> None:
    """Of the latest cycle, and alike of the present; a rule that is no more has no category."""
    assert health(standing(codes)) is expected
    assert health(standing((), codes)) is expected


@pytest.mark.parametrize(
    ("cycle", "present", "expected"),
    [
        ((302,), (401,), Category.OUT_OF_SPECIFICATION),
        ((401,), (302,), Category.OUT_OF_SPECIFICATION),
        ((101,), (207,), Category.FAILURE),
        (None, (207,), Category.FUNCTION_CHECK),
        (None, (), None),
    ],
)
def test_cycle_and_present_count_together(
    cycle: tuple[int, ...] | None, present: tuple[int, ...], expected: Category | None
) -> None:
    """Before anything is known nothing is said, and the present is known before a cycle is."""
    assert health(standing(cycle, present)) is expected


@pytest.mark.parametrize("severity", Severity)
def test_what_is_only_noted_counts_too(severity: Severity) -> None:
    """A fouled electrode that costs no value wants a fitter all the same."""
    noted = replace(result(), findings=(finding(302, severity),))
    assert health(standing_of(noted)) is Category.MAINTENANCE_REQUIRED


@pytest.mark.parametrize(
    ("link", "after_a_sound_cycle", "before_any"),
    [
        (LinkState.DOWN, Category.FAILURE, Category.FAILURE),
        (LinkState.MISCONFIGURED, Category.FAILURE, Category.FAILURE),
        (LinkState.CONNECTING, Category.OK, None),
        (LinkState.UP, Category.OK, None),
    ],
)
def test_a_broken_link_is_a_failure(
    link: LinkState, after_a_sound_cycle: Category, before_any: Category | None
) -> None:
    """Whatever was known of the last cycle; one that is being made is not broken yet."""
    assert health(replace(standing(()), link=link)) is after_a_sound_cycle
    assert health(Standing("fp-101", link=link)) is before_any

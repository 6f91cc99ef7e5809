"""A link's figures: counted as they come, bounded, and their percentiles right."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.link_figures import LinkFigures
from edgeflash.links.diagnostics import (
    FRESH_S,
    WINDOW_COUNT,
    WINDOW_S,
    LinkDiagnostics,
    in_words,
)
from edgeflash.links.errors import LinkFault


def test_everything_is_counted() -> None:
    """Each thing in its own count."""
    notes = LinkDiagnostics()
    for _ in range(3):
        notes.note_connect()
    for _ in range(5):
        notes.note_request()
    notes.note_answer(0.0, 0.010)
    notes.note_refusal(6, 0.0, 0.020)
    notes.note_refusal(2, 0.0, 0.020)
    notes.note_refusal(6, 0.0, None)
    notes.note_retry()
    notes.note_timeout(2)
    notes.note_garbled()
    notes.note_late()
    for fault in LinkFault:
        notes.note_fault(fault)
    figures = notes.figures(0.0)
    assert figures == LinkFigures(
        requests=5,
        answers=4,
        refusals=((2, 1), (6, 2)),
        retries=1,
        timeouts=3,
        garbled=4,
        late=1,
        reconnects=2,
        round_trip_p50_ms=20.0,
        round_trip_p95_ms=20.0,
        round_trip_p99_ms=20.0,
        round_trip_max_ms=20.0,
        round_trips=3,
        window_s=WINDOW_S,
        window_count=WINDOW_COUNT,
    )
    assert figures.refused == 3
    assert in_words(figures)["refusals"] == "2: 1, 6: 2"


@given(st.lists(st.floats(0.0001, 60.0), min_size=1, max_size=300))
def test_percentiles(trips_s: list[float]) -> None:
    """As numpy's nearest-rank method ("inverted_cdf") gives them."""
    notes = LinkDiagnostics()
    for trip_s in trips_s:
        notes.note_answer(0.0, trip_s)
    figures = notes.figures(0.0)
    trips_ms = [1000.0 * trip_s for trip_s in trips_s]
    for percent, found in (
        (50, figures.round_trip_p50_ms),
        (95, figures.round_trip_p95_ms),
        (99, figures.round_trip_p99_ms),
        (100, figures.round_trip_max_ms),
    ):
        assert found == np.percentile(trips_ms, percent, method="inverted_cdf")


def test_the_window() -> None:
    """Old round trips leave, by age and by number; counts stay."""
    notes = LinkDiagnostics()
    notes.note_answer(0.0, 9.0)
    assert notes.figures(0.0).round_trip_max_ms == 9000.0
    assert notes.figures(WINDOW_S).round_trip_max_ms == 9000.0
    figures = notes.figures(WINDOW_S + FRESH_S)
    assert (figures.round_trip_max_ms, figures.round_trips, figures.answers) == (None, 0, 1)
    for number in range(5 * WINDOW_COUNT):
        notes.note_answer(WINDOW_S, number / 1000.0)
    figures = notes.figures(WINDOW_S + 2 * FRESH_S)
    assert figures.round_trips == WINDOW_COUNT
    assert figures.round_trip_p50_ms == 4.5 * WINDOW_COUNT - 1

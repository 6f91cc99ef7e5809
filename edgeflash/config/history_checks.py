"""Checks of how long the tables of the history are kept."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.problems import Problem
from edgeflash.config.site import History
from edgeflash.config.toml_positions import KeyPath


def history_problems(history: History) -> Iterator[Problem]:
    """A trace says nothing without its result: it must not outlive it."""
    results, traces = history.results.keep_days, history.traces.keep_days
    if results is None or (traces is not None and traces <= results):
        return
    path: KeyPath = ("history", "traces", "keep_days")
    given = "not given" if traces is None else f"not {traces:g}"
    why = (
        f"must be at most the keep_days of results ({results:g}), {given}: a trace says nothing "
        "without its result"
    )
    yield Problem(path, why, (("history", "results", "keep_days"),))

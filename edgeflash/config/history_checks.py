"""Checks of where the history is, and of how long its tables are kept."""

from __future__ import annotations

from collections.abc import Iterator
from os.path import normpath
from pathlib import Path

from edgeflash.config.problems import Problem
from edgeflash.config.site import History, SiteFile
from edgeflash.config.toml_positions import KeyPath


def folder_problems(file: SiteFile) -> Iterator[Problem]:
    """A history in the state folder itself, or around it, where the journal and the keys are.

    Whoever may read, copy or share the history would have them too.
    """
    state = Path(normpath(Path("/site") / file.site.state_dir))
    folder = Path(normpath(state / file.history.folder))
    keys = state / "keys"
    if folder in (state, *state.parents, keys, *keys.parents) or keys in folder.parents:
        why = (
            f'"{file.history.folder}" holds the journal or the keys as well: give the history a '
            'folder of its own, like "history"'
        )
        yield Problem(("history", "folder"), why, (("site", "state_dir"),))


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

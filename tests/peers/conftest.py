"""A peer test names its programs: `@pytest.mark.peer("gcc", "libmodbus")`.

A test whose program is missing fails when CI=true; elsewhere it is deselected, and the closing
summary says so with the reason. So a run that left something out never looks like a full one.
"""

from __future__ import annotations

import os
from collections import Counter

import pytest

from tests.peers.programs import PROGRAMS

LEFT_OUT = pytest.StashKey[Counter[tuple[str, str]]]()


def missing_programs(item: pytest.Item) -> list[str]:
    """For each missing program of a test, its name and how to get it."""
    wanted = [name for mark in item.iter_markers("peer") for name in mark.args]
    return [
        f"{name} is missing: {PROGRAMS[name].remedy}"
        for name in dict.fromkeys(wanted)
        if not PROGRAMS[name].is_present()
    ]


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Outside CI, takes out the tests that cannot run here."""
    if os.environ.get("CI") == "true":
        return
    reasons = {item: missing_programs(item) for item in items}
    left_out = [item for item in items if reasons[item]]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not reasons[item]]
    config.stash[LEFT_OUT] = Counter(
        (item.location[0], "; ".join(reasons[item])) for item in left_out
    )


def pytest_runtest_setup(item: pytest.Item) -> None:
    """In CI, a missing program is a failure of the test that needs it."""
    reasons = missing_programs(item)
    if reasons:
        pytest.fail("; ".join(reasons), pytrace=False)


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """Says how many tests of which file were left out, and why."""
    for (file, why), count in config.stash.get(LEFT_OUT, Counter()).items():
        tests = "1 test" if count == 1 else f"{count} tests"
        terminalreporter.write_line(f"left out: {tests} of {file}: {why}")

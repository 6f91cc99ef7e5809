"""Our aggregates against those that node-opcua calculates of the same rows.

Where the two may differ: node-opcua sets Partial and MultipleValues in other cases (not on an
average; never for equal values), gives Bad for intervals whose values are bad for more than the
whole time, and no count where nothing is good. So values and severities are compared, of intervals
with a good value.
"""

from __future__ import annotations

import json
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from edgeflash.outlets.aggregates import Aggregate, Treatment
from edgeflash.outlets.history_processed import processed_task
from tests.peers.programs import node_modules
from tests.peers.running import HERE, running
from tests.unit.outlets.history_made import BAD, NOON, NOW, UNCERTAIN, reader, row, second

pytestmark = pytest.mark.peer("node", "node-opcua")

SERIES, WIDTH_S, INTERVALS = 60, 16, 40


def made(seed: int) -> list[tuple[int, float, int]]:
    """Rows over all intervals, whole seconds apart; a third of them not good. Invented."""
    chance, at, rows = random.Random(seed), 0, list[tuple[int, float, int]]()
    while at < WIDTH_S * INTERVALS:
        status = chance.choice((0, 0, 0, 0, UNCERTAIN, BAD))
        rows.append((at, round(chance.uniform(40.0, 90.0), 2), status))
        at += chance.randint(1, 9)
    return rows


def milliseconds(moment: datetime) -> int:
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)


async def test_values_and_severities(tmp_path: Path) -> None:
    """Average, Minimum, Maximum and Count of 60 series, 40 intervals each."""
    end_s = WIDTH_S * INTERVALS
    series = [made(seed) for seed in range(SERIES)]
    asked = [
        {
            "start": milliseconds(NOON),
            "end": milliseconds(second(end_s)),
            "widthMs": WIDTH_S * 1000,
            "rows": [[milliseconds(second(s)), value, status] for s, value, status in rows],
        }
        for rows in series
    ]
    file = tmp_path / "series.json"
    file.write_text(json.dumps(asked))
    command = ["node", str(HERE / "aggregates_reference.js"), str(file)]
    async with running(command, {"NODE_PATH": str(node_modules())}) as peer:
        theirs: list[dict[str, Any]] = json.loads("[" + await peer.hear("["))
    compared = 0
    for rows, reference in zip(series, theirs, strict=True):
        read = reader([row(s, value, status) for s, value, status in rows])
        for kind in (Aggregate.AVERAGE, Aggregate.MINIMUM, Aggregate.MAXIMUM, Aggregate.COUNT):
            task = processed_task(NOON, second(end_s), WIDTH_S * 1000.0, kind, Treatment())
            ours, rest = task.page(read, INTERVALS, NOW)
            assert rest is None
            for place, (answer, (value, status)) in enumerate(
                zip(ours, reference[kind.value], strict=True)
            ):
                inside = range(WIDTH_S * place, WIDTH_S * (place + 1))
                if not any(at in inside and status_ == 0 for at, _, status_ in rows):
                    continue
                compared += 1
                assert answer.value == pytest.approx(value)
                assert answer.status >> 30 == status >> 30, (kind, answer)
    assert compared > 0.8 * SERIES * INTERVALS * 4, "too few intervals have a good value"

"""`edgeflash history verify`, `backup` and `restore`: words, JSON and exit codes."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest
from typer.testing import CliRunner

from edgeflash.access import OperationRefusedError, UserRole, Who
from edgeflash.alarms.acknowledging import SOCKET_NAME, OperatorSocket, Reply, Request
from edgeflash.cli.history import history_app
from edgeflash.errors import StorageError, UsageError
from edgeflash.gateway.history_desk import HistoryDesk
from edgeflash.history import HistoryWriter
from edgeflash.history.repair import repair
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import EventEntry, EventKind
from tests.unit.history.test_history_command import MAP, SITE
from tests.unit.journal.samples import sample_result

MAY = "results/an=fp-101/month=2026-05/results.parquet"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Path]:
    """A stopped gateway with 20 cycles."""
    (tmp_path / "map.toml").write_text(MAP)
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    with Journal.open(tmp_path / "state" / JOURNAL_NAME) as journal:
        assert all(d.result(10) for d in [journal.append(sample_result(n)) for n in range(20, 40)])
        HistoryWriter(journal, tmp_path / "state" / "history").flush()
    return path


def run(*words: str | Path) -> tuple[int, str]:
    ended = CliRunner().invoke(
        history_app, [str(w) for w in words], catch_exceptions=False, env={"COLUMNS": "200"}
    )
    return ended.exit_code, ended.stdout


def test_exit_codes_tell_whether_it_is_sound(site: Path) -> None:
    """0 sound, 1 not, 0 again once it is mended; what was there is named."""
    assert run("verify", site) == (
        0,
        "4 files with 40 rows, 0.1 MB\nall is as it was recorded\n",
    )
    history = site.parent / "state" / "history"
    (history / MAY).write_bytes(b"PAR1")
    code, told = run("verify", site)
    assert code == 1
    assert f"{MAY}: cannot be read" in told
    code, record = run("verify", site, "--repair", "--json")
    mended = json.loads(record)
    assert (code, mended["sound"], mended["left_count"]) == (0, True, 0)
    assert mended["mended"] == [
        {
            "table": "results",
            "analyzer": "fp-101",
            "period": "2026-05",
            "path": MAY,
            "brought_back": 10,
            "taken_out": 0,
            "unproven": 0,
            "kept_as": ".unreadable/results~fp-101~2026-05~1.unreadable",
        }
    ]
    assert run("verify", site)[0] == 0


def test_a_history_without_its_journal_is_not_called_sound(site: Path) -> None:
    """The files are read all the same."""
    (site.parent / "state" / JOURNAL_NAME).unlink()
    code, record = run("verify", site, "--json")
    told = json.loads(record)
    assert (code, told["sound"], told["files"]) == (1, False, 4)
    assert [f["problem"] for f in told["findings"]] == ["no_journal"]


def test_a_backup_goes_out_and_comes_back(site: Path, tmp_path: Path) -> None:
    """By the commands alone; not over what is there."""
    code, told = run("backup", site, tmp_path / "backups")
    assert (code, "5 files" in told) == (0, True)
    (folder,) = (tmp_path / "backups").iterdir()
    with pytest.raises(UsageError, match="move its journal"):
        run("restore", folder, site)
    (tmp_path / "state").rename(tmp_path / "before")
    code, told = run("restore", folder, site)
    assert (code, "all is as it was recorded" in told) == (0, True)
    assert run("verify", site)[0] == 0
    with pytest.raises(UsageError, match="no such folder"):
        run("restore", tmp_path / "nowhere", site)


async def test_a_running_gateway_is_asked_to_mend(site: Path) -> None:
    """Over its socket; the command writes nothing itself."""
    state, noted = site.parent / "state", list[EventEntry]()
    with Journal.open(state / JOURNAL_NAME) as journal:
        writer = HistoryWriter(journal, state / "history")
        mend = partial(repair, state / "history", journal, writer)
        desk = HistoryDesk(mend, noted.append, lambda: datetime(2026, 5, 2, tzinfo=UTC))

        async def answer(request: Request, who: Who) -> Reply:
            return desk.answer(str(request["do"]), who)

        socket = OperatorSocket(state / SOCKET_NAME, answer)
        with pytest.raises(StorageError, match="cannot be asked to mend"):
            await asyncio.to_thread(run, "verify", site, "--repair")
        serving = asyncio.create_task(socket.run())
        await socket.tried.wait()
        try:
            (state / "history" / MAY).unlink()
            code, record = await asyncio.to_thread(run, "verify", site, "--repair", "--json")
        finally:
            serving.cancel()
        mended = json.loads(record)
        assert (code, [m["brought_back"] for m in mended["mended"]]) == (0, [10])
        assert [(e.kind, e.text) for e in noted] == [
            (
                EventKind.HISTORY_REPAIRED,
                "1 files mended, 10 rows brought back from the journal, 0 findings left",
            )
        ]
        with pytest.raises(OperationRefusedError, match="role engineer"):
            desk.answer("repair_history", Who("ann", UserRole.OPERATOR, "operator socket"))

"""`edgeflash history verify`: whether the history holds what it should, and mending it."""

from __future__ import annotations

import json as json_module
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import structlog
import typer
from rich.console import Console
from rich.progress import Progress as Bar
from rich.progress import TaskID

from edgeflash.alarms.acknowledging import SOCKET_NAME
from edgeflash.alarms.asking import GatewayError, GatewayNotReachedError, ask
from edgeflash.cli.lines import say_line
from edgeflash.errors import StorageError, UsageError

if TYPE_CHECKING:
    from edgeflash.config.site import Site
    from edgeflash.history.findings import Finding
    from edgeflash.history.verify import Progress

_ASK_EVERY_S = 0.5

_WORDS = {
    "journal": "Reading the journal",
    "files": "Checking files",
    "repair": "Mending files",
    "backup": "Copying files",
    "check": "Checking the backup",
    "restore": "Restoring files",
}


def verify_history(
    site: Annotated[Path, typer.Argument(help="The site file (TOML).")],
    repair: Annotated[
        bool, typer.Option("--repair", help="Mend what the journal still has the rows of.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Check every file of the history against the journal and its ledger.

    Every file is read to its last page: order, keys, places, the number and the sum of its rows by
    day, and its bytes. The gateway may run. With --repair it mends by itself when asked, and with
    the gateway stopped this command does; what a file held before is kept in `.unreadable`.
    Exit code 0: all is as it was recorded; 1: it is not, or not all could be mended.

    Example: edgeflash history verify site.toml

    Example: edgeflash history verify site.toml --repair --json
    """
    from edgeflash.config.load import load_site
    from edgeflash.history.report import told

    loaded = load_site(site)
    with logs_to_stderr(), progress_bar() as on_progress:
        record = _repaired(loaded, on_progress) if repair else _verified(loaded, on_progress)
    if as_json:
        typer.echo(json_module.dumps(record, ensure_ascii=False, indent=2))
    else:
        for line in told(record):
            say_line(line)
    if not record["sound"]:
        raise typer.Exit(1)


@contextmanager
def logs_to_stderr() -> Iterator[None]:
    """What is logged of damaged entries must not stand among the JSON."""
    before = structlog.get_config()
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    try:
        yield
    finally:
        structlog.configure(**before)


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """A bar on standard error, only on a terminal; one for each kind of work."""
    bars: dict[str, TaskID] = {}
    with Bar(console=Console(stderr=True), transient=True) as bar:

        def on_progress(what: str, done: int, total: int) -> None:
            if what not in bars:
                bars[what] = bar.add_task(_WORDS.get(what, what))
            bar.update(bars[what], completed=done, total=total)

        yield on_progress


def _verified(site: Site, on_progress: Progress) -> dict[str, Any]:
    from edgeflash.history.report import report_record
    from edgeflash.history.verify import verify
    from edgeflash.journal import JOURNAL_NAME, Journal

    path = site.state_dir / JOURNAL_NAME
    if not path.exists():
        report = verify(site.history_dir, None, on_progress)
        return report_record(replace(report, findings=(_no_journal(path), *report.findings)))
    with Journal.open_readonly(path) as journal:
        return report_record(verify(site.history_dir, journal, on_progress))


def _no_journal(path: Path) -> Finding:
    from edgeflash.history.findings import Finding, Problem

    sentence = (
        "there is no journal here: the files were looked at by themselves only, and rows could be "
        "missing unseen"
    )
    return Finding(Problem.NO_JOURNAL, str(path), sentence)


def _repaired(site: Site, on_progress: Progress) -> dict[str, Any]:
    from edgeflash.history import HistoryWriter
    from edgeflash.history.repair import repair
    from edgeflash.history.report import repair_record
    from edgeflash.journal import JOURNAL_NAME, Journal
    from edgeflash.journal.lock import JournalInUseError

    path = site.state_dir / JOURNAL_NAME
    if not path.exists():
        raise StorageError(f"{path}: there is no journal here to mend the history from")
    refuse_other_owner(path)
    try:
        journal = Journal.open(path)
    except JournalInUseError:
        return _repaired_by_gateway(site.state_dir / SOCKET_NAME, on_progress)
    try:
        writer = HistoryWriter(journal, site.history_dir)
        record = repair_record(repair(site.history_dir, journal, writer, on_progress))
        writer.flush()
        return record
    finally:
        journal.close()


def refuse_other_owner(path: Path) -> None:
    """Files made by root could not be replaced by the gateway's user later. Raises UsageError."""
    owner = path.stat().st_uid
    if os.geteuid() != owner:
        raise UsageError(f"{path}: run this as its owner, user id {owner}, not as another")


def _repaired_by_gateway(socket: Path, on_progress: Progress) -> dict[str, Any]:
    try:
        ask(socket, {"do": "repair_history"})
    except GatewayNotReachedError as error:
        raise StorageError(
            f"a gateway has the journal, and cannot be asked to mend the history: {error}. Stop "
            "it, and run this again"
        ) from error
    while True:
        state = ask(socket, {"do": "history_repair"})
        match state["state"]:
            case "done":
                report: Any = state["report"]
                return dict(report)
            case "failed":
                raise StorageError(f"the gateway could not mend the history: {state['problem']}")
            case "running":
                on_progress(str(state["what"]), _count(state["done"]), _count(state["total"]))
            case _:
                raise GatewayError("the gateway was restarted meanwhile; run this again")
        time.sleep(_ASK_EVERY_S)


def _count(value: object) -> int:
    return value if isinstance(value, int) else 0

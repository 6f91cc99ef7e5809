"""`edgeflash history backup` and `restore`: journal and history as a copy that fits together."""

from __future__ import annotations

import json as json_module
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from edgeflash.cli.history_verify import progress_bar, refuse_other_owner
from edgeflash.cli.lines import say_line
from edgeflash.errors import UsageError

ForMachines = Annotated[bool, typer.Option("--json", help="For machines.")]


def back_up_history(
    site: Annotated[Path, typer.Argument(help="The site file (TOML).")],
    folder: Annotated[Path, typer.Argument(help="Where the backups are kept, best elsewhere.")],
    as_json: ForMachines = False,
) -> None:
    """Copy journal and history into a new folder below FOLDER, while the gateway runs.

    A file that has not changed since the backup before shares its room on the disk. Keys, users,
    trust lists, the site file and register maps are not in it: keep those separately, and private
    keys where nobody else can read them.

    Example: edgeflash history backup site.toml /mnt/backups/edgeflash
    """
    from edgeflash.config.load import load_site
    from edgeflash.history.backup import back_up
    from edgeflash.journal import JOURNAL_NAME, Journal

    loaded = load_site(site)
    with (
        Journal.open_readonly(loaded.state_dir / JOURNAL_NAME) as journal,
        progress_bar() as on_progress,
    ):
        report = back_up(loaded.history_dir, journal, folder, datetime.now(UTC), on_progress)
    if as_json:
        record = {
            "folder": str(report.folder),
            "files": report.files,
            "bytes": report.bytes,
            "copied": report.copied,
            "linked": report.linked,
            "doubtful": list(report.doubtful),
        }
        typer.echo(json_module.dumps(record, ensure_ascii=False, indent=2))
    else:
        say_line(
            f"{report.folder}: {report.files} files, {report.bytes / 1e6:.1f} MB; {report.linked} "
            "shared with the backup before"
        )
        for name in report.doubtful:
            say_line(f"{name} is not as the gateway wrote it: see `edgeflash history verify`")
    if report.doubtful:
        raise typer.Exit(1)


def restore_history(
    backup: Annotated[Path, typer.Argument(help="The folder of one backup.")],
    site: Annotated[Path, typer.Argument(help="The site file (TOML) it is restored for.")],
    leave_out_damaged: Annotated[
        bool, typer.Option(help="Go on without files that are damaged in the backup.")
    ] = False,
    as_json: ForMachines = False,
) -> None:
    """Put BACKUP back into the folders of SITE, which must be empty, and verify what is there.

    The gateway must be stopped. Run it as the gateway's user. What was recorded after the backup
    is not in it: an analyzer that keeps its recent results may give some of it again.

    Example: edgeflash history restore /mnt/backups/edgeflash/2026-05-01T060000Z site.toml
    """
    from edgeflash.config.load import load_site
    from edgeflash.history.report import report_record, told
    from edgeflash.history.restore import restore

    if not backup.is_dir():
        raise UsageError(f"{backup}: there is no such folder")
    loaded = load_site(site)
    for place in (loaded.state_dir, loaded.history_dir):
        if place.exists():
            refuse_other_owner(place)
    with progress_bar() as on_progress:
        report = restore(
            backup, loaded.state_dir, loaded.history_dir, leave_out_damaged, on_progress
        )
    record = report_record(report.found)
    record["made_at"] = report.manifest.made_at.isoformat()
    record["left_out"] = list(report.left_out)
    if as_json:
        typer.echo(json_module.dumps(record, ensure_ascii=False, indent=2))
    else:
        say_line(f"restored as it was at {report.manifest.made_at:%Y-%m-%d %H:%M:%S} UTC")
        for name in report.left_out:
            say_line(f"damaged in the backup, and left out: {name}")
        for line in told(record):
            say_line(line)
    if not record["sound"] or report.left_out:
        raise typer.Exit(1)

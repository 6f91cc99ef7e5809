"""The reports of verification and repair as plain records, for JSON and for people. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, TypeAlias

from edgeflash.history.files import UNREADABLE
from edgeflash.history.findings import Finding, Report
from edgeflash.history.layout import Partition
from edgeflash.history.repair import Mended, RepairReport

Record: TypeAlias = dict[str, Any]

MOST_LISTED = 2000
"""Of each list; how many there are in all is told beside it."""


def report_record(report: Report) -> Record:
    """What verification found."""
    return {
        "sound": not report.findings,
        "files": report.files,
        "rows": report.rows,
        "bytes": report.bytes,
        "unknown_files": report.unknown_files,
        "unnoted_files": report.unnoted_files,
        "deleted_files": report.deleted_files,
        "whole_after": report.whole_after,
        "left_over": list(report.left_over[:MOST_LISTED]),
        "finding_count": len(report.findings),
        "findings": _findings(report.findings),
    }


def repair_record(report: RepairReport) -> Record:
    """What verification found, what was done, and what is left."""
    return {
        **report_record(report.before),
        "sound": not report.left and not report.unproven,
        "mended": [_mended(m) for m in report.mended[:MOST_LISTED]],
        "mended_count": len(report.mended),
        "left": _findings(report.left),
        "left_count": len(report.left),
        "unproven": report.unproven,
        "noted": report.noted,
    }


def told(record: Mapping[str, Any]) -> list[str]:
    """A record of either kind in lines for people."""
    size_mb = record["bytes"] / 1e6
    lines = [f"{record['files']} files with {record['rows']} rows, {size_mb:.1f} MB"]
    lines += [_told_finding(f) for f in record["findings"]]
    lines += _more(record["finding_count"], record["findings"])
    if record["deleted_files"]:
        lines.append(f"{record['deleted_files']} files were deleted as old; their rows are gone")
    if record["unknown_files"]:
        lines.append(
            f"{record['unknown_files']} files are of days that the ledger does not know whole: "
            "rows of theirs could be missing unseen"
        )
    if record["unnoted_files"]:
        lines.append(
            f"{record['unnoted_files']} files are of before the ledger, their bytes not noted: "
            "--repair notes them as they are now"
        )
    lines += [f"left over: {name}" for name in record["left_over"]]
    if "mended" in record:
        lines += _told_repair(record)
    elif record["sound"]:
        lines.append("all is as it was recorded")
    else:
        lines.append("not all is as it should be: --repair mends what the journal still has")
    return lines


def _told_repair(record: Mapping[str, Any]) -> list[str]:
    lines = [_told_mended(m) for m in record["mended"]]
    lines += _more(record["mended_count"], record["mended"])
    if record["noted"]:
        lines.append(f"{record['noted']} files of before the ledger are noted as they are now")
    lines += [f"could not be mended: {_told_finding(f)}" for f in record["left"]]
    lines += _more(record["left_count"], record["left"])
    if record["unproven"]:
        lines.append(
            f"{record['unproven']} rows are kept unproved: where they must be right, take their "
            "files from a backup"
        )
    if record["sound"]:
        lines.append("all is as it was recorded" if not record["mended"] else "all is mended")
    return lines


def _told_finding(finding: Mapping[str, Any]) -> str:
    return f"{finding['path']}: {finding['sentence']}"


def _told_mended(mended: Mapping[str, Any]) -> str:
    parts = []
    if mended["brought_back"]:
        parts.append(f"{mended['brought_back']} rows from the journal")
    if mended["taken_out"]:
        parts.append(f"{mended['taken_out']} rows taken out")
    if mended["unproven"]:
        parts.append(
            f"{mended['unproven']} rows kept that the journal has no longer: their figures beside "
            "those of the ledger are not proved"
        )
    kept_as = mended["kept_as"]
    done = "set aside" if kept_as.endswith(UNREADABLE) else "put in order"
    text = f"mended: {mended['path']}: " + ("; ".join(parts) or done)
    return text + (f"; as it was: {kept_as}" if kept_as else "")


def _more(count: int, shown: list[Any]) -> list[str]:
    return [f"and {count - len(shown)} more"] if count > len(shown) else []


def _findings(findings: Iterable[Finding]) -> list[Record]:
    return [
        {
            "problem": f.problem.value,
            **_place(f.partition),
            "path": f.path,
            "rows": f.rows,
            "sentence": f.sentence,
        }
        for f in list(findings)[:MOST_LISTED]
    ]


def _mended(mended: Mended) -> Record:
    return {
        **_place(mended.partition),
        "path": mended.path,
        "brought_back": mended.brought_back,
        "taken_out": mended.taken_out,
        "unproven": mended.unproven,
        "kept_as": mended.kept_as,
    }


def _place(partition: Partition | None) -> Record:
    if partition is None:
        return {"table": None, "analyzer": None, "period": None}
    return {
        "table": partition.table.value,
        "analyzer": partition.analyzer,
        "period": partition.period,
    }

"""`edgeflash blend batch`: the flash point of all that flowed, from the recorded cycles."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

import typer

from edgeflash.cli.blend_output import NOT_FINE, IndexOption, JsonOption, say, say_note
from edgeflash.cli.lines import say_line
from edgeflash.cli.moments import moment, stamp
from edgeflash.config.site import Analyzer, Product, Site
from edgeflash.errors import UsageError
from edgeflash.flash.assess import result_sd_c
from edgeflash.flash.batch import (
    LEAST_COVERAGE,
    MeasuredBatch,
    Reading,
    Sampled,
    Totaliser,
    measured_batch,
)
from edgeflash.flash.blending import Index
from edgeflash.flash.products import resolved
from edgeflash.gateway.site import checked_site
from edgeflash.model import Verdict
from edgeflash.rules.judgement import for_stream
from edgeflash.rules.low_flash import below_minimum

LONGEST_ANALYSIS = timedelta(hours=1)
"""From sample to result, besides the transport lag."""

COLUMNS = (
    "analyzer",
    "epoch",
    "cycle_number",
    "sampled_at",
    "published_c",
    "uncertainty_c",
    "verdict",
    "low_flash",
    "stream",
    "product",
)


def batch(
    site: Annotated[Path, typer.Argument(help="The site file (TOML).")],
    analyzer: Annotated[str, typer.Argument(help="The analyzer at the line.")],
    since: Annotated[
        str | None, typer.Option(help="Begin of the batch: 2026-05-01T06:00Z. Without a zone: UTC.")
    ] = None,
    until: Annotated[str | None, typer.Option(help="End of the batch.")] = None,
    volumes: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV",
            help="Meter readings: time, total volume in m³. Else flow is taken as constant.",
        ),
    ] = None,
    stream: Annotated[int | None, typer.Option(help="Only this stream's cycles.")] = None,
    index: IndexOption = Index.LOGARITHMIC,
    json: JsonOption = False,
) -> None:
    """The flash point of all that flowed, from the recorded cycles, by volume and index.

    A cycle stands for the time nearest to it, at most the analyzer's hold_s; a rejected one for
    nothing known. Ends with 1 when less than 90 % was measured, when the batch is below its limit,
    or when a cycle gave evidence of a low flash point.

    Example: edgeflash blend batch site.toml kestrel-1 --since 2026-05-01T06:00Z
    --until 2026-05-01T14:00Z --volumes meter.csv
    """
    totaliser = None if volumes is None else read_totaliser(volumes)
    begin = moment(since) or (totaliser.begin if totaliser else None)
    end = moment(until) or (totaliser.end if totaliser else None)
    if begin is None or end is None:
        raise UsageError("give --since and --until, or --volumes")
    if begin >= end:
        raise UsageError("--until must be later than --since")
    loaded = checked_site(site)
    settings = _analyzer(loaded, analyzer)
    rows = _rows(loaded, settings, begin, end)
    measured = for_stream(settings, stream)
    rows = _of_stream(rows, stream)
    product = _product(loaded, rows, measured)
    own_sd_c = None if product is None else result_sd_c(measured, product)
    samples = [_sampled(row, own_sd_c) for row in rows]
    found = measured_batch(samples, begin, end, measured.hold_s, totaliser, index)
    limit = _Limit.of(found, product)
    if json:
        say(_batch_document(found, limit, index))
    else:
        for line in _batch_lines(found, limit, index):
            say_line(line)
        say_note(found.note)
    is_fine = found.is_measured and not limit.is_low and not found.lows
    raise typer.Exit(0 if is_fine else NOT_FINE)


@dataclass(frozen=True, slots=True)
class _Limit:
    """The product's limit. is_low: the batch is below it, by one of the indices."""

    minimum_c: float | None
    is_low: bool
    is_strict: bool = False

    @classmethod
    def of(cls, batch: MeasuredBatch, product: Product | None) -> _Limit:
        known = [c for c in (batch.flash_c, batch.other_c) if c is not None]
        is_low = any(below_minimum(c, product) for c in known)
        if product is None:
            return cls(None, is_low)
        return cls(product.minimum_c, is_low, bool(product.strict_minimum))


def _batch_document(batch: MeasuredBatch, limit: _Limit, index: Index) -> dict[str, Any]:
    return {
        "since": stamp(batch.begin),
        "until": stamp(batch.end),
        "flash_point_c": batch.flash_c if batch.is_measured else None,
        "flash_point_of_measured_part_c": batch.flash_c,
        "index": index.value,
        "other_index_c": batch.other_c,
        "sd_c": batch.sd_c,
        "coverage_percent": 100.0 * batch.coverage,
        "least_coverage_percent": 100.0 * LEAST_COVERAGE,
        "volume_m3": batch.volume_m3,
        "minimum_c": limit.minimum_c,
        "below_minimum": limit.is_low,
        "worst": None if batch.worst is None else _cycle_dict(batch.worst),
        "low_flash_evidence": [_cycle_dict(s) for s in batch.lows],
        **{verdict.value: count for verdict, count in batch.verdicts.items()},
        "note": batch.note,
    }


def _cycle_dict(sample: Sampled) -> dict[str, Any]:
    return {
        "cycle": sample.name,
        "sampled_at": stamp(sample.at),
        "flash_point_c": sample.value_c,
        "verdict": sample.verdict.value,
    }


def _batch_lines(batch: MeasuredBatch, limit: _Limit, index: Index) -> Iterator[str]:
    percent = f"{100.0 * batch.coverage:.1f} %"
    if batch.flash_c is None or batch.other_c is None:
        yield "no flash point: nothing of this batch was measured"
    elif batch.is_measured:
        yield f"{batch.flash_c:.2f} °C, by the {index.value} index over {percent} of the batch"
    else:
        yield (
            f"no flash point of the batch: only {percent} was measured, "
            f"{100.0 * LEAST_COVERAGE:g} % is needed; the measured part has {batch.flash_c:.2f} °C"
        )
    if batch.other_c is not None:
        yield f"  by the {index.other.value} index  {batch.other_c:.2f} °C"
        sd = "not known: a cycle has none" if batch.sd_c is None else f"{batch.sd_c:.2f} °C"
        yield f"  one standard deviation  {sd}"
    flow = "flow taken as constant" if batch.volume_m3 is None else f"{batch.volume_m3:.1f} m³"
    yield f"  from {stamp(batch.begin)} to {stamp(batch.end)}, {flow}"
    counts = ", ".join(f"{count} {verdict.value}" for verdict, count in batch.verdicts.items())
    yield f"  cycles  {counts}"
    if batch.worst is not None:
        yield f"  worst   {_cycle_line(batch.worst)}"
    if limit.minimum_c is not None:
        strict = "above " if limit.is_strict else ""
        fails = ": the batch fails it" if limit.is_low else ""
        yield f"  limit   {strict}{limit.minimum_c:g} °C{fails}"
    for sample in batch.lows:
        yield f"  ALARM   evidence of a low flash point: {_cycle_line(sample)}"


def _cycle_line(sample: Sampled) -> str:
    value = "no value" if sample.value_c is None else f"{sample.value_c:.2f} °C"
    return f"{sample.name}, {stamp(sample.at)}, {value}, {sample.verdict.value}"


def _analyzer(site: Site, name: str) -> Analyzer:
    for analyzer in site.file.analyzers:
        if analyzer.id == name:
            return analyzer
    there = ", ".join(a.id for a in site.file.analyzers)
    raise UsageError(f"{site.path} has no analyzer '{name}'; there are: {there}")


def _rows(site: Site, analyzer: Analyzer, begin: datetime, end: datetime) -> list[dict[str, Any]]:
    """The recorded cycles whose sample may stand for a part of the batch, in time order."""
    from edgeflash.history import read_results
    from edgeflash.journal import JOURNAL_NAME, Journal

    reach = timedelta(seconds=analyzer.hold_s)
    late = timedelta(seconds=analyzer.transport_lag_s) + LONGEST_ANALYSIS
    span = (begin - reach, end + reach + late)
    path = site.state_dir / JOURNAL_NAME
    if path.exists():
        with Journal.open_readonly(path) as journal:
            table = read_results(site.history_dir, journal, analyzer.id, *span)
    else:
        table = read_results(site.history_dir, None, analyzer.id, *span)
    rows: list[dict[str, Any]] = table.select(COLUMNS).to_pylist()
    return sorted(rows, key=lambda row: row["sampled_at"])


def _of_stream(rows: Sequence[dict[str, Any]], stream: int | None) -> list[dict[str, Any]]:
    """The cycles of one stream; one of an unknown stream only keeps its time.

    Raises UsageError when there are several and none is named.
    """
    if stream is not None:
        return [
            row if row["stream"] == stream else {**row, "published_c": None}
            for row in rows
            if row["stream"] in (stream, None)
        ]
    there = sorted({row["stream"] for row in rows if row["stream"] is not None})
    if len(there) > 1:
        names = ", ".join(str(number) for number in there)
        raise UsageError(f"several streams were measured: {names}; say which with --stream")
    return list(rows)


def _product(site: Site, rows: Sequence[dict[str, Any]], analyzer: Analyzer) -> Product | None:
    """What flowed: as the cycles were judged, else as the site file has it.

    Of several, the one with the highest limit.
    """
    names = {row["product"] for row in rows if row["product"]} or {analyzer.product}
    known = [resolved(p) for name, p in site.file.products.items() if name in names]
    limited = [p for p in known if p.minimum_c is not None]
    return max(limited, key=lambda p: p.minimum_c or 0.0, default=None)


def _sampled(row: Mapping[str, Any], own_sd_c: float | None) -> Sampled:
    """own_sd_c: of a result, by the site or the method; else the cycle's own uncertainty."""
    return Sampled(
        at=row["sampled_at"],
        value_c=row["published_c"],
        sd_c=row["uncertainty_c"] if own_sd_c is None else own_sd_c,
        verdict=Verdict(row["verdict"]),
        low_flash=bool(row["low_flash"]),
        name=f"{row['analyzer']}/{row['epoch']}/{row['cycle_number']}",
    )


def read_totaliser(path: Path) -> Totaliser:
    """Meter readings of a CSV file: time and total in m³; a first line of names is passed over.

    Raises UsageError with the line.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = [(n, row) for n, row in enumerate(csv.reader(file), start=1) if row]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise UsageError(f"{path}: cannot be read as CSV: {error}") from error
    readings: list[Reading] = []
    for number, row in rows:
        try:
            readings.append(_reading(row))
        except ValueError as error:
            if number == rows[0][0] and len(row) >= 2 and not _is_number(row[1]):
                continue
            raise UsageError(
                f"{path}:{number}: {','.join(row)!r} is no reading; write time and total volume "
                "in m³, as in 2026-05-01T06:00Z,1234.5"
            ) from error
    return Totaliser(readings)


def _reading(row: Sequence[str]) -> Reading:
    """Raises ValueError."""
    if len(row) < 2:
        raise ValueError("two columns are needed")
    at, total_m3 = datetime.fromisoformat(row[0].strip()), float(row[1])
    if not math.isfinite(total_m3):
        raise ValueError("a total is a number")
    return Reading(at.replace(tzinfo=UTC) if at.tzinfo is None else at, total_m3)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True

"""The Parquet history: written from the journal, readable by any Parquet reader at any instant."""

from edgeflash.history.export import export
from edgeflash.history.reader import read_results, read_traces
from edgeflash.history.summary import AnalyzerSummary, summary
from edgeflash.history.writer import FlushReport, HistoryWriter

__all__ = [
    "AnalyzerSummary",
    "FlushReport",
    "HistoryWriter",
    "export",
    "read_results",
    "read_traces",
    "summary",
]

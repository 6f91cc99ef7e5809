"""The Parquet history: written from the journal, readable by any Parquet reader at any instant."""

from edgeflash.history.export import export
from edgeflash.history.reader import read_events, read_lab, read_results, read_traces
from edgeflash.history.summary import AnalyzerSummary, summary
from edgeflash.history.writer import CONSUMER, EVENTS_CONSUMER, FlushReport, HistoryWriter

__all__ = [
    "CONSUMER",
    "EVENTS_CONSUMER",
    "AnalyzerSummary",
    "FlushReport",
    "HistoryWriter",
    "export",
    "read_events",
    "read_lab",
    "read_results",
    "read_traces",
    "summary",
]

"""The Parquet history: written from the journal, readable by any Parquet reader at any instant."""

from edgeflash.history.columns import TableName
from edgeflash.history.deleting import DeletionReport
from edgeflash.history.export import export
from edgeflash.history.opening import History, open_history
from edgeflash.history.query import Answer, Query
from edgeflash.history.reader import read_events, read_lab, read_results, read_traces
from edgeflash.history.retention import Limits
from edgeflash.history.summary import AnalyzerSummary, summary
from edgeflash.history.writer import CONSUMER, EVENTS_CONSUMER, FlushReport, HistoryWriter

__all__ = [
    "CONSUMER",
    "EVENTS_CONSUMER",
    "AnalyzerSummary",
    "Answer",
    "DeletionReport",
    "FlushReport",
    "History",
    "HistoryWriter",
    "Limits",
    "Query",
    "TableName",
    "export",
    "open_history",
    "read_events",
    "read_lab",
    "read_results",
    "read_traces",
    "summary",
]

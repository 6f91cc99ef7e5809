"""Logs: one pipeline for our own lines and those of the libraries, to standard error.

On a terminal a line reads as a sentence. Everywhere else (journal, file, pipe, container) it is
one JSON object with at least `timestamp` (UTC), `level`, `logger` and `event`.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Mapping
from typing import TextIO

import structlog
from structlog.typing import Processor

# At their info level these report every connection and subscription of every client.
CHATTY_LIBRARIES = ("asyncua", "pymodbus", "asyncio")


def configure(json: bool | None = None, level: str | int = "INFO") -> None:
    """Direct every log line of this process to standard error.

    json: True JSON lines, False readable lines, None by what standard error is.
    level: lowest level written, a name or a number of the standard `logging` module; an unknown
    name raises ValueError. Libraries known to chatter stay at WARNING unless level is DEBUG.
    May be called again: the last call holds.
    """
    numeric_level = _numeric(level)
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
    ]
    handler = _StandardErrorHandler()
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            # Lines of the libraries; no filter_by_level here, logging has filtered already.
            foreign_pre_chain=[*shared, structlog.stdlib.ExtraAdder()],
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                *(_json_tail() if _wants_json(json, sys.stderr) else _readable_tail()),
            ],
        )
    )
    logging.basicConfig(handlers=[handler], level=numeric_level, force=True)
    for name in CHATTY_LIBRARIES:
        quiet = numeric_level if numeric_level <= logging.DEBUG else logging.WARNING
        logging.getLogger(name).setLevel(max(quiet, numeric_level))
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.PositionalArgumentsFormatter(),
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        # A cached logger would keep the configuration of its first use.
        cache_logger_on_first_use=False,
    )


def _numeric(level: str | int) -> int:
    """The number of a level; ValueError names the levels there are."""
    if isinstance(level, int):
        return level
    known = logging.getLevelNamesMapping()
    try:
        return known[level.upper()]
    except KeyError:
        choices = ", ".join(sorted(known, key=known.__getitem__))
        raise ValueError(f"unknown log level {level!r}; one of {choices}") from None


def _wants_json(json: bool | None, stream: TextIO) -> bool:
    """JSON wherever no person is reading along.

    The stream decides and not INVOCATION_ID or JOURNAL_STREAM: a desktop session hands both on
    to the terminals it opens, while under a service manager the stream is never a terminal.
    """
    return not stream.isatty() if json is None else json


def _json_tail() -> list[Processor]:
    return [
        structlog.processors.format_exc_info,
        structlog.processors.UnicodeDecoder(),
        structlog.processors.JSONRenderer(default=str, ensure_ascii=False),
    ]


def _readable_tail(environment: Mapping[str, str] = os.environ) -> list[Processor]:
    return [
        structlog.dev.ConsoleRenderer(
            colors=sys.stderr.isatty() and not environment.get("NO_COLOR"),
            # The rich traceback prints local variables: a log is no place for their values.
            exception_formatter=structlog.dev.plain_traceback,
        )
    ]


class _StandardErrorHandler(logging.StreamHandler[TextIO]):
    """Writes to what sys.stderr is at the moment of the line, not at that of configuration."""

    def __init__(self) -> None:
        logging.Handler.__init__(self)

    @property
    def stream(self) -> TextIO:
        return sys.stderr

    @stream.setter
    def stream(self, value: TextIO) -> None:
        raise AttributeError("this handler follows sys.stderr")

"""A connection's requests in order, with HistoryRead beside them.

The library answers a connection's requests one after the other. A long reading of the history
would hold up its client's own keep-alive and publish requests, upon which clients hang up.
"""

from __future__ import annotations

import asyncio
from typing import Any

from asyncua import ua
from asyncua.common.utils import Buffer
from asyncua.server.uaprocessor import UaProcessor
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.ua_binary import nodeid_from_binary

MAX_BESIDE = 4
"""Readings of one connection that run beside the rest; a further one waits in the row."""

_HISTORY_READ = ua.NodeId(ua.Int32(ObjectIds.HistoryReadRequest_Encoding_DefaultBinary))


class SideReading(UaProcessor):
    """Answers HistoryRead when it is read, and meanwhile what comes behind it."""

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self._beside: set[asyncio.Task[Any]] = set()

    async def process_message(self, seqhdr: Any, body: Buffer) -> Any:
        if nodeid_from_binary(body.copy()) != _HISTORY_READ or len(self._beside) >= MAX_BESIDE:
            return await super().process_message(seqhdr, body)  # type: ignore[no-untyped-call]
        answering = super().process_message(seqhdr, body)  # type: ignore[no-untyped-call]
        task = asyncio.create_task(answering)
        self._beside.add(task)
        task.add_done_callback(self._beside.discard)
        return True

    async def close(self) -> None:
        for task in list(self._beside):
            task.cancel()
        await super().close()  # type: ignore[no-untyped-call]

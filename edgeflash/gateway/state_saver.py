"""Puts small states on disk, the newest of each, however the disk fares."""

from __future__ import annotations

import asyncio
from typing import Any

from edgeflash.errors import StorageError
from edgeflash.journal import Journal

SAVE_RETRY_S = 2.0


class StateSaver:
    """Keeps the newest text of each key in the journal. what: the states, in words for the log.

    fault: why they cannot be recorded; empty when they can.
    """

    def __init__(self, journal: Journal, what: str, log: Any) -> None:
        self._journal = journal
        self._what = what
        self._log = log
        self._unsaved: dict[str, str] = {}
        self._news = asyncio.Event()
        self._is_saved = asyncio.Event()
        self._is_saved.set()
        self.fault = ""

    @property
    def is_saved(self) -> bool:
        """True when every state is on disk."""
        return self._is_saved.is_set()

    def put(self, key: str, text: str) -> None:
        """Takes the state of a key in place of the one before; never waits."""
        self._unsaved[key] = text
        self._is_saved.clear()
        self._news.set()

    async def saved(self) -> None:
        """Returns when every state is on disk."""
        await self._is_saved.wait()

    def hand_over(self) -> None:
        """Gives what is not yet on disk to the journal's own thread, which writes it as it closes.

        For the end, when nothing waits for answers any more. What is under way was given before
        it, so the newest stays.
        """
        for key, text in self._unsaved.items():
            self._journal.put_state_soon(key, text)

    async def save_for_ever(self) -> None:
        """Puts changed states on disk; on a disk that refuses, the newest of each, in time."""
        while True:
            await self._news.wait()
            self._news.clear()
            while self._unsaved:
                key, text = next(iter(self._unsaved.items()))
                if not await self._put(key, text):
                    await asyncio.sleep(SAVE_RETRY_S)
                elif self._unsaved[key] == text:
                    del self._unsaved[key]
            self._is_saved.set()

    async def _put(self, key: str, text: str) -> bool:
        try:
            await asyncio.wrap_future(self._journal.put_state_soon(key, text))
        except Exception as error:
            # Whatever goes wrong with the record, the gateway runs on and the states are shown.
            if not self.fault:
                known = isinstance(error, StorageError)
                write = self._log.error if known else self._log.exception
                write(f"the states of {self._what} cannot be recorded", why=str(error))
            self.fault = str(error) or repr(error)
            return False
        if self.fault:
            self._log.info(f"the states of {self._what} can be recorded again")
        self.fault = ""
        return True

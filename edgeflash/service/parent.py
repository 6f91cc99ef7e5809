"""Ends a child process with the process that started it, however that one ended.

The parent keeps the writing end of a pipe whose reading end is the child's standard input, and
never writes. The kernel closes it with the parent, SIGKILL included, so the child reads the end of
the file. That holds on any POSIX system and has no moment at which it does not: a parent that died
before the child looked has left the same end to be read.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable

GRACE_S = 10.0
"""For the child to come to a place where it can end by itself, before it is ended where it is."""


class ParentWatch:
    """Watches a descriptor for the end of the parent. is_gone: it has come.

    end: called grace_s after that, should the process still be there; it must not return.
    """

    def __init__(
        self, fd: int, grace_s: float = GRACE_S, end: Callable[[int], object] = os._exit
    ) -> None:
        self._fd = fd
        self._grace_s = grace_s
        self._end = end
        self._gone = threading.Event()
        # A thread that waits in the kernel must not keep the process from its ordinary end.
        threading.Thread(target=self._wait, name="parent watch", daemon=True).start()

    @property
    def is_gone(self) -> bool:
        """The parent has ended."""
        return self._gone.is_set()

    def _wait(self) -> None:
        try:
            while os.read(self._fd, 64):
                pass  # nobody has anything to say here
        except OSError:
            pass  # without a standard input there is no parent to live for
        self._gone.set()
        threading.Event().wait(self._grace_s)
        self._end(1)

"""Notification of the service manager: ready, status, stopping, and the watchdog's pulse.

Protocol: sd_notify(3) of systemd. One datagram of `NAME=value` lines to the AF_UNIX socket that
NOTIFY_SOCKET names; a leading "@" stands for the NUL byte of an abstract address.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass

# A healthy manager takes a datagram in microseconds. The limit keeps a stuck one from holding up
# the event loop; the watchdog then does what it is there for.
SEND_TIMEOUT_S = 0.5

# One lost pulse then does not end the process (sd_watchdog_enabled(3) advises half of the
# interval at most).
PULSES_PER_WATCHDOG_INTERVAL = 3


@dataclass(frozen=True, slots=True)
class ServiceManager:
    """The service manager that started this process, if one did.

    address: as NOTIFY_SOCKET gives it, None when nobody listens. watchdog_period_s: how often
    `alive` must be called, None when no watchdog watches this process.
    Every method returns True when the manager was told. A manager that cannot be told is no
    reason to stop measuring, so nothing here raises.
    """

    address: str | None = None
    watchdog_period_s: float | None = None

    @classmethod
    def from_environment(
        cls, environment: Mapping[str, str] | None = None, pid: int | None = None
    ) -> ServiceManager:
        """The manager that the environment names; `pid` is this process unless given."""
        environment = os.environ if environment is None else environment
        pid = os.getpid() if pid is None else pid
        return cls(
            address=environment.get("NOTIFY_SOCKET") or None,
            watchdog_period_s=_watchdog_period_s(environment, pid),
        )

    def ready(self, status: str = "") -> bool:
        """Start-up is over: every outlet answers."""
        return self._tell("READY=1", *_status_line(status))

    def status(self, status: str) -> bool:
        """One sentence for `systemctl status`."""
        return self._tell(*_status_line(status))

    def alive(self, status: str = "") -> bool:
        """The watchdog's pulse. Send it on proof of progress, never from a bare timer."""
        return self._tell("WATCHDOG=1", *_status_line(status))

    def stopping(self, status: str = "") -> bool:
        """Shutdown has begun."""
        return self._tell("STOPPING=1", *_status_line(status))

    def _tell(self, *lines: str) -> bool:
        if self.address is None:
            return False
        abstract = self.address.startswith("@")
        where = "\0" + self.address[1:] if abstract else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as s:
                s.settimeout(SEND_TIMEOUT_S)
                s.connect(where)
                s.sendall("\n".join(lines).encode())
        except OSError:
            return False
        return True


def _status_line(status: str) -> tuple[str, ...]:
    """STATUS= on one line: a line break would start another assignment."""
    return (f"STATUS={' '.join(status.split())}",) if status else ()


def _watchdog_period_s(environment: Mapping[str, str], pid: int) -> float | None:
    """Seconds between two pulses; None without a watchdog or when it watches another process."""
    if environment.get("WATCHDOG_PID", str(pid)) != str(pid):
        return None
    try:
        interval_us = int(environment.get("WATCHDOG_USEC", "0"))
    except ValueError:
        return None
    if interval_us <= 0:
        return None
    return interval_us / 1e6 / PULSES_PER_WATCHDOG_INTERVAL

"""What the service manager hears. The other end is a real AF_UNIX datagram socket.

Source of the protocol: the manual pages sd_notify(3) and sd_watchdog_enabled(3) of systemd.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from edgeflash.service.systemd import SEND_TIMEOUT_S, ServiceManager


@pytest.fixture(params=["path", "abstract"])
def manager_socket(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[socket.socket]:
    """A socket as systemd opens it, bound to a path or to an abstract address."""
    name = str(tmp_path / "notify") if request.param == "path" else f"\0edgeflash-{os.getpid()}"
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as s:
        s.bind(name)
        s.settimeout(5.0)
        yield s


def address_of(s: socket.socket) -> str:
    """The address in the spelling of NOTIFY_SOCKET."""
    name = s.getsockname()
    return "@" + name[1:].decode() if isinstance(name, bytes) else str(name)


def test_each_message_is_one_datagram(manager_socket: socket.socket) -> None:
    """Ready, status, watchdog and stopping arrive one by one in the documented words."""
    manager = ServiceManager(address_of(manager_socket))
    assert manager.ready("3 analyzers")
    assert manager_socket.recv(4096) == b"READY=1\nSTATUS=3 analyzers"
    assert manager.status("unit-2: link down")
    assert manager_socket.recv(4096) == b"STATUS=unit-2: link down"
    assert manager.alive()
    assert manager_socket.recv(4096) == b"WATCHDOG=1"
    assert manager.stopping()
    assert manager_socket.recv(4096) == b"STOPPING=1"


def test_a_status_cannot_smuggle_in_another_assignment(manager_socket: socket.socket) -> None:
    """Line breaks in a status become spaces."""
    manager = ServiceManager(address_of(manager_socket))
    assert manager.status("first\nMAINPID=1\r\nthird")
    assert manager_socket.recv(4096) == b"STATUS=first MAINPID=1 third"


def test_from_environment(manager_socket: socket.socket) -> None:
    """The address comes from NOTIFY_SOCKET."""
    manager = ServiceManager.from_environment({"NOTIFY_SOCKET": address_of(manager_socket)})
    assert manager.ready()
    assert manager_socket.recv(4096) == b"READY=1"


def test_nobody_listens() -> None:
    """Without a service manager everything goes on and says that nobody was told."""
    manager = ServiceManager.from_environment({})
    assert ServiceManager(None, None) == manager
    assert not manager.ready("started")


def test_a_manager_that_is_gone_is_no_error(tmp_path: Path) -> None:
    """A stale address tells False and raises nothing."""
    assert not ServiceManager(str(tmp_path / "nobody")).alive()


def test_a_stuck_manager_does_not_hold_up_the_loop(manager_socket: socket.socket) -> None:
    """A full receive queue costs at most the send timeout, then says False."""
    manager = ServiceManager(address_of(manager_socket))
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as filler:
        filler.setblocking(False)
        filler.connect(manager_socket.getsockname())
        with pytest.raises(BlockingIOError):
            while True:
                filler.send(b"WATCHDOG=1")
        started_s = time.monotonic()
        assert not manager.alive()
    assert time.monotonic() - started_s < SEND_TIMEOUT_S + 2.0


@pytest.mark.parametrize(
    ("environment", "period_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 10.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "4711"}, 10.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "4712"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_watchdog_period(environment: dict[str, str], period_s: float | None) -> None:
    """A third of WATCHDOG_USEC, and only when the watchdog watches this very process."""
    assert period_s == ServiceManager.from_environment(environment, pid=4711).watchdog_period_s

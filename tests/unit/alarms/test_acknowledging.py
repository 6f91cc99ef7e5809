"""The operator's socket: who may, what it bears, what it leaves behind. Real sockets, one machine.

SO_PEERCRED, the length of a path and the right to connect: unix(7).
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
import subprocess
import tempfile
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
import structlog

from edgeflash.access import UserRole, Who
from edgeflash.alarms.acknowledging import (
    LONGEST_PATH_BYTES,
    LONGEST_REQUEST_BYTES,
    MOST_CONNECTIONS,
    OperatorSocket,
    OperatorSocketError,
    Reply,
    Request,
    listen,
)
from edgeflash.alarms.asking import GatewayError, ask
from edgeflash.alarms.peers import Peer, may_operate, peer_of
from edgeflash.errors import EdgeflashError
from tests.waiting import until

NOBODY = 65_534
STRANGER_GROUP = 54_321


@pytest.fixture
def folder() -> Iterator[Path]:
    """A short path that other users can reach."""
    with tempfile.TemporaryDirectory() as made:
        path = Path(made)
        path.chmod(0o755)
        yield path


class Heard:
    """Notes what was asked, and by whom."""

    def __init__(self) -> None:
        self.requests: list[tuple[Request, Who]] = []
        self.refused: list[tuple[str, str, str]] = []

    async def answer(self, request: Request, who: Who) -> Reply:
        """Says yes, unless asked to refuse."""
        self.requests.append((request, who))
        if request.get("do") == "refuse":
            raise EdgeflashError("not today")
        return {"heard": request.get("do")}


@asynccontextmanager
async def serving(path: Path) -> AsyncIterator[Heard]:
    """A socket at work."""
    heard = Heard()
    operator = OperatorSocket(path, heard.answer, lambda *told: heard.refused.append(told))
    work = asyncio.create_task(operator.run())
    try:
        await operator.tried.wait()
        yield heard
    finally:
        work.cancel()
        await asyncio.wait([work])


async def asked(path: Path, request: Request) -> dict[str, object]:
    """The reply, without blocking the loop that gives it."""
    return await asyncio.to_thread(ask, path, request)


def own_name() -> str:
    """This user's name as the system's own program tells it."""
    return subprocess.run(["id", "-un"], capture_output=True, text=True, check=True).stdout.strip()


async def test_a_request_is_answered_in_the_users_name(folder: Path) -> None:
    """The user is who the kernel says, whatever the request says."""
    path = folder / "operator.sock"
    async with serving(path) as heard:
        reply = await asked(path, {"do": "list", "user": "somebody-else"})
        assert reply == {"ok": True, "heard": "list"}
        with pytest.raises(GatewayError, match="not today"):
            await asked(path, {"do": "refuse"})
    own = Who(own_name(), UserRole.ENGINEER, "operator socket")
    assert [own] * 2 == [who for _, who in heard.requests]


async def test_mode_and_end(folder: Path) -> None:
    """Owner and group only, whatever the umask; nothing is left behind."""
    path = folder / "operator.sock"
    for umask in (0o000, 0o077):
        before = os.umask(umask)
        try:
            async with serving(path):
                mode = path.stat().st_mode
                assert stat.S_ISSOCK(mode)
                assert stat.S_IMODE(mode) == 0o660
        finally:
            os.umask(before)
        assert not path.exists()


def ask_as(path: Path, uid: int, gids: list[int]) -> subprocess.CompletedProcess[str]:
    """A request by another user's process, with the bare language only."""
    program = (
        "import socket, sys\n"
        "s = socket.socket(socket.AF_UNIX); s.settimeout(20); s.connect(sys.argv[1])\n"
        's.sendall(b\'{"do": "list"}\\n\')\n'
        "print(s.makefile().readline(), end='')\n"
    )
    return subprocess.run(
        ["python3", "-I", "-c", program, str(path)],
        user=uid,
        group=gids[0],
        extra_groups=gids[1:],
        cwd="/",
        capture_output=True,
        text=True,
        check=False,
    )


as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can be another user")


@as_root
async def test_the_file_keeps_strangers_out(folder: Path) -> None:
    """The first fence: without write permission on the socket there is no connection."""
    path = folder / "operator.sock"
    async with serving(path) as heard:
        done = await asyncio.to_thread(ask_as, path, NOBODY, [STRANGER_GROUP])
    assert done.returncode != 0
    assert "PermissionError" in done.stderr
    assert heard.requests == []


@as_root
async def test_a_stranger_is_refused_and_told(folder: Path) -> None:
    """The second fence: even where somebody opened the file to all. The refusal is logged."""
    path = folder / "operator.sock"
    async with serving(path) as heard:
        path.chmod(0o666)
        with structlog.testing.capture_logs() as lines:
            done = await asyncio.to_thread(ask_as, path, NOBODY, [STRANGER_GROUP])
        reply = json.loads(done.stdout)
    assert reply["ok"] is False
    assert "may not operate" in reply["problem"]
    ((user, via, why),) = heard.refused
    assert (user, via, why) == ("nobody", "operator socket", reply["problem"])
    assert heard.requests == []
    (line,) = (found for found in lines if "refused" in found["event"])
    assert (line["uid"], line["log_level"]) == (NOBODY, "warning")


@as_root
async def test_a_member_of_the_group_may(folder: Path) -> None:
    """As main group or as a supplementary one, as the kernel knows the process."""
    path = folder / "operator.sock"
    async with serving(path) as heard:
        os.chown(path, -1, 12_345)
        for gids in ([12_345], [STRANGER_GROUP, 22_222, 12_345]):
            done = await asyncio.to_thread(ask_as, path, NOBODY, gids)
            assert done.stdout, done.stderr
            assert json.loads(done.stdout) == {"ok": True, "heard": "list"}
        member = Who("nobody", UserRole.OPERATOR, "operator socket")
        assert [who for _, who in heard.requests] == [member] * 2


def test_who_may() -> None:
    """Root, the gateway's own user, the socket's group; nobody else."""
    stranger = Peer(1001, frozenset({1001, 27}))
    assert not may_operate(stranger, own_uid=990, socket_gid=990)
    assert may_operate(stranger, own_uid=1001, socket_gid=990)
    assert may_operate(stranger, own_uid=990, socket_gid=27)
    assert may_operate(Peer(0, frozenset()), own_uid=990, socket_gid=990)


def test_the_peer_of_a_socket_is_this_process() -> None:
    """Against what the operating system says of this process."""
    ours, theirs = socket.socketpair(socket.AF_UNIX)
    with ours, theirs:
        peer = peer_of(ours)
    assert (peer.uid, peer.gids) == (os.geteuid(), frozenset({os.getegid(), *os.getgroups()}))
    assert Peer(4_000_000, frozenset()).name == "uid 4000000"


async def test_a_stale_socket_is_replaced(folder: Path) -> None:
    """What a killed gateway has left does not keep the next one from serving."""
    path = folder / "operator.sock"
    left = listen(path)
    left.close()
    with pytest.raises(GatewayError, match="no gateway runs here"):
        ask(path, {"do": "list"})
    async with serving(path):
        assert (await asked(path, {"do": "list"}))["ok"] is True


@pytest.mark.parametrize("kind", ["file", "folder", "link", "dangling link"])
async def test_anything_else_in_its_place_stays(folder: Path, kind: str) -> None:
    """Neither deleted nor followed; said once, and the gateway's task goes on."""
    path, other = folder / "operator.sock", folder / "other"
    match kind:
        case "file":
            path.write_text("precious")
        case "folder":
            path.mkdir()
        case "link":
            other.write_text("precious")
            path.symlink_to(other)
        case "dangling link":
            path.symlink_to(other)
    before = path.lstat().st_ino
    with structlog.testing.capture_logs() as lines:
        async with serving(path):
            pass
    assert before == path.lstat().st_ino
    assert not other.exists() or other.read_text() == "precious"
    assert [line["log_level"] for line in lines] == ["error"]
    assert "not a socket" in lines[0]["why"]


def test_the_longest_path(folder: Path) -> None:
    """107 bytes work, as unix(7) says; one more is refused with the reason, at both ends."""
    room = LONGEST_PATH_BYTES - len(os.fsencode(folder)) - 1
    longest = folder / ("s" * room)
    listen(longest).close()
    too_long = folder / ("s" * (room + 1))
    with pytest.raises(OperatorSocketError, match="108 bytes"):
        listen(too_long)
    with pytest.raises(GatewayError, match="too long"):
        ask(too_long, {"do": "list"})


def test_errors_of_the_asking_side(folder: Path) -> None:
    """Each says what to do."""
    with pytest.raises(GatewayError, match="edgeflash run"):
        ask(folder / "operator.sock", {"do": "list"})
    with listen(folder / "operator.sock"), pytest.raises(GatewayError, match="did not answer"):
        ask(folder / "operator.sock", {"do": "list"}, wait_s=0.05)


async def raw(path: Path, data: bytes) -> bytes:
    """What comes back for these bytes, until the gateway ends the connection."""
    reader, writer = await asyncio.open_unix_connection(str(path))
    try:
        writer.write(data)
        await writer.drain()
        return await reader.read()
    except ConnectionError:
        return b""
    finally:
        writer.transport.abort()


@pytest.mark.parametrize(
    "data",
    [
        b"\n",
        b"[]\n",
        b'{"do": \n',
        b"\xff\xfe\n",
        b"[" * 4000 + b"\n",
        b'{"do": "' + b"x" * LONGEST_REQUEST_BYTES + b'"}\n',
        b"x" * 10 * LONGEST_REQUEST_BYTES,
    ],
    ids=["empty", "list", "broken", "no text", "deep", "long", "endless"],
)
async def test_nonsense_is_refused(folder: Path, data: bytes) -> None:
    """Said in words, never answered otherwise, and the next request is served."""
    path = folder / "operator.sock"
    async with serving(path) as heard:
        reply = await raw(path, data)
        assert reply == b"" or "must be one line of JSON" in json.loads(reply)["problem"]
        assert heard.requests == []
        assert (await asked(path, {"do": "list"}))["ok"] is True


async def test_a_silent_client_is_given_up(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a word, and with its place free again."""
    monkeypatch.setattr("edgeflash.alarms.acknowledging.WAIT_S", 0.05)
    path = folder / "operator.sock"
    async with serving(path):
        for _ in range(MOST_CONNECTIONS + 1):
            assert b"no request came" in await raw(path, b"")


async def test_only_so_many_at_once(folder: Path) -> None:
    """Those beyond the bound are cut off; when one has gone, the next is served."""
    path = folder / "operator.sock"
    async with serving(path):
        idle = [await asyncio.open_unix_connection(str(path)) for _ in range(MOST_CONNECTIONS)]
        assert await raw(path, b'{"do": "list"}\n') == b""
        idle[0][1].transport.abort()
        served = [b""]

        async def try_again() -> None:
            while not served[-1]:
                served.append(await raw(path, b'{"do": "list"}\n'))

        work = asyncio.create_task(try_again())
        await until(work.done)
        assert json.loads(served[-1]) == {"ok": True, "heard": "list"}
        for _, writer in idle:
            writer.transport.abort()


async def test_the_end_waits_for_no_client(folder: Path) -> None:
    """A connected client that says nothing does not hold up the gateway's end."""
    path = folder / "operator.sock"
    async with serving(path):
        _, writer = await asyncio.open_unix_connection(str(path))
    assert not path.exists()
    writer.transport.abort()

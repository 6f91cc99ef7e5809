"""A gateway that is killed leaves no shipping process behind, whatever that one was waiting for."""

from __future__ import annotations

import asyncio
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.processes import start_gateway
from tests.unit.fleet.sites import MadeSite
from tests.unit.journal.samples import sample_result
from tests.waiting import until

SITE = """
[site]
name = "Windmill Quay"
state_dir = "."

[ship]
url = "s3://depot/shipped"
endpoint = "http://127.0.0.1:{port}"

[[modbus]]
port = 0

[[analyzers]]
id = "fp-1"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
port = 9
basis = "reported"
analyzer_corrects_barometer = true
"""
WAIT_S = 120.0


def is_alive(pid: int) -> bool:
    """Whether the process works; one that waits to be buried does not (proc_pid_stat(5))."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text("utf-8")
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] not in ("Z", "X")


def children(pid: int) -> list[int]:
    """Processes that this one has started."""
    found = Path(f"/proc/{pid}/task/{pid}/children").read_text("utf-8")
    return [int(one) for one in found.split()]


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="looks into /proc")
async def test_a_pass_ends_with_a_gateway_that_is_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the middle of a request that a store takes and never answers."""
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "depot")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "depot-secret")
    made = MadeSite(tmp_path, "Windmill Quay")
    made.add([sample_result(1, "fp-1")])
    store = socket.create_server(("127.0.0.1", 0))
    store.setblocking(False)
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=store.getsockname()[1]), "utf-8")
    with store, start_gateway(site) as gateway:
        async with asyncio.timeout(WAIT_S):
            connection, _ = await asyncio.get_running_loop().sock_accept(store)
        with connection:
            (child,) = children(gateway.process.pid)
            assert is_alive(child)
            gateway.kill()
            await until(lambda: not is_alive(child), WAIT_S)


def test_a_parent_that_is_gone_before_the_child_looks(tmp_path: Path) -> None:
    """The end of its standard input is there from the start: the pass does nothing and ends."""
    made = MadeSite(tmp_path, "Windmill Quay")
    made.add([sample_result(1, "fp-1")])
    (tmp_path / "store").mkdir()
    site = tmp_path / "site.toml"
    text = SITE.format(port=9).replace("s3://depot/shipped", str(tmp_path / "store"))
    site.write_text(text.replace('endpoint = "http://127.0.0.1:9"\n', ""), "utf-8")
    command = [sys.executable, "-m", "edgeflash", "ship", str(site), "--json"]
    reading, writing = os.pipe()
    os.close(writing)
    try:
        ended = subprocess.run(
            [*command, "--with-parent"], stdin=reading, check=False, timeout=WAIT_S
        )
    finally:
        os.close(reading)
    assert ended.returncode == 1
    assert not list((tmp_path / "store").rglob("manifests/*/*.json"))
    subprocess.run(command, stdin=subprocess.DEVNULL, check=True, timeout=WAIT_S)
    assert list((tmp_path / "store").rglob("manifests/*/*.json"))

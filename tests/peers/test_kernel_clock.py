"""The state of the kernel's clock. The peer is a C program with the system's own header."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from edgeflash.clock_state import ClockState, Synchronisation, of_kernel
from edgeflash.service.kernel_clock import read_clock_state

pytestmark = pytest.mark.peer("gcc")

SOURCE = Path(__file__).with_name("kernel_clock.c")
STRICT = ("-Wall", "-Wextra", "-Werror", "-O1")
LOST, KEPT = Synchronisation.NOT_SYNCHRONISED, Synchronisation.SYNCHRONISED
UNKNOWN = Synchronisation.NOT_KNOWN

PROGRAM = """
from edgeflash.service.kernel_clock import read_clock_state as read
s = read(); print(int(s.synchronisation), s.largest_error_s, s.estimated_error_s)
"""

REFUSED = """
import ctypes, struct
allow, refuse, load, equal, back = 0x7FFF0000, 0x00050001, 0x20, 0x15, 0x06
numbers = {"x86_64": (159, 305), "aarch64": (171, 266)}[__import__("platform").machine()]
steps = [(load, 0, 0, 0), (equal, 1, 0, numbers[0]), (equal, 0, 1, numbers[1])]
steps += [(back, 0, 0, refuse), (back, 0, 0, allow)]
code = b"".join(struct.pack("HBBI", *step) for step in steps)
filter = ctypes.create_string_buffer(code)
class Program(ctypes.Structure):
    _fields_ = [("length", ctypes.c_ushort), ("filter", ctypes.c_void_p)]
libc = ctypes.CDLL(None, use_errno=True)
assert libc.prctl(38, 1, 0, 0, 0) == 0
program = Program(len(steps), ctypes.addressof(filter))
assert libc.prctl(22, 2, ctypes.byref(program), 0, 0) == 0, ctypes.get_errno()
"""
"""Has the kernel answer EPERM to adjtimex and clock_adjtime, as a service unit with
`ProtectClock=yes` does (seccomp(2), systemd.exec(5); numbers of the system calls: asm/unistd.h)."""


def printed(program: str, **environment: str) -> str:
    """What another Python prints."""
    return subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout.strip()


@pytest.fixture(scope="module")
def pretender(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library that answers in the kernel's place."""
    library = tmp_path_factory.mktemp("pretender") / "kernel_clock.so"
    command = ["gcc", *STRICT, "-DPRETEND", "-shared", "-fPIC", "-o", str(library), str(SOURCE)]
    subprocess.run(command, check=True, timeout=60)
    return library


def test_we_read_what_a_c_program_reads(tmp_path: Path) -> None:
    """This machine's own kernel, whatever it says."""
    program = tmp_path / "kernel_clock"
    subprocess.run(["gcc", *STRICT, "-o", str(program), str(SOURCE)], check=True, timeout=60)
    told = subprocess.run([str(program)], capture_output=True, text=True, check=True, timeout=60)
    numbers = [int(word) for word in told.stdout.split()]
    expected = of_kernel(*numbers) if numbers[0] >= 0 else ClockState()
    ours = read_clock_state()
    assert expected.synchronisation is ours.synchronisation
    if expected.largest_error_s is not None:
        assert expected.largest_error_s == pytest.approx(ours.largest_error_s, abs=0.5)


@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        ("0 8193 43000 1200", f"{KEPT:d} 0.05 0.01"),
        ("5 64 16000000 16000000", f"{LOST:d} None None"),
        ("-1 0 0 0", f"{UNKNOWN:d} None None"),
    ],
)
def test_each_field_is_taken_from_its_place(pretender: Path, answer: str, expected: str) -> None:
    """The places are the header's; all others hold nonsense."""
    told = printed(PROGRAM, LD_PRELOAD=str(pretender), PRETENDED_CLOCK=answer)
    assert expected == told


def test_a_kernel_that_refuses_leaves_the_state_unknown() -> None:
    """A service unit that forbids the call: not known, and nothing fails."""
    assert f"{UNKNOWN:d} None None" == printed(REFUSED + PROGRAM)

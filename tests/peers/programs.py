"""The third-party programs that the peer tests need: how to see each, how to get each.

Run by tests/run.sh with one of: missing-debian, install-npm, install-python, report. Standard
library only.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

# The newest of its releases that runs on Node.js 18, which is Debian 12's.
NODE_OPCUA = "node-opcua@2.157.0"
MODBUS_SERIAL = "modbus-serial@8.0.25"
SPARKPLUG_PAYLOAD = "sparkplug-payload@1.0.3"


def _cache() -> Path:
    """Where peers are kept, outside the checkout so that a fresh one need not fetch."""
    cache = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(cache) / "edgeflash-peers"


def node_modules(package: str = NODE_OPCUA) -> Path:
    """Where an npm peer is kept."""
    return _cache() / package.replace("@", "-") / "node_modules"


def _command(name: str) -> Callable[[], bool]:
    # Debian keeps ip and iptables in sbin, which an ordinary user's PATH lacks.
    path = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"))
    return lambda: shutil.which(name, path=path) is not None


def _file(path: str) -> Callable[[], bool]:
    return Path(path).is_file


def python_of(environment: str) -> Path:
    """The Python of an environment of its own, for a peer whose libraries do not go with ours.

    Its folder's name changes with what is to be in it, so that an older one is not taken for it.
    """
    digest = hashlib.sha256(_pins(environment).read_bytes()).hexdigest()[:12]
    return _cache() / f"python-{environment}-{digest}" / "bin" / "python"


def _mark(environment: str) -> Path:
    """There when all of the environment is."""
    return python_of(environment).parents[1] / ".complete"


def _pins(environment: str) -> Path:
    return Path(__file__).parent / "environments" / f"{environment}.txt"


@dataclass(frozen=True, slots=True)
class Program:
    """One program. debian: packages that bring it. npm: set when npm brings it. python: the
    environment of its own that holds it, of tests/peers/environments."""

    name: str
    is_present: Callable[[], bool]
    debian: tuple[str, ...] = ()
    npm: str = ""
    python: str = ""

    @property
    def remedy(self) -> str:
        """What to type to get it."""
        if self.npm:
            return f"python tests/peers/programs.py install-npm (installs {self.npm})"
        if self.python:
            return f"python tests/peers/programs.py install-python (an environment: {self.python})"
        return f"apt-get install {' '.join(self.debian)}"


PROGRAMS: dict[str, Program] = {
    program.name: program
    for program in (
        Program("gcc", _command("gcc"), ("gcc", "libc6-dev")),
        Program("libmodbus", _file("/usr/include/modbus/modbus.h"), ("libmodbus-dev",)),
        Program("mbpoll", _command("mbpoll"), ("mbpoll",)),
        Program("node", _command("node"), ("nodejs",)),
        Program("npm", _command("npm"), ("npm",)),
        Program("node-opcua", (node_modules() / "node-opcua").is_dir, npm=NODE_OPCUA),
        Program(
            "modbus-serial",
            (node_modules(MODBUS_SERIAL) / "modbus-serial").is_dir,
            npm=MODBUS_SERIAL,
        ),
        Program(
            "sparkplug-payload",
            (node_modules(SPARKPLUG_PAYLOAD) / "sparkplug-payload").is_dir,
            npm=SPARKPLUG_PAYLOAD,
        ),
        Program("mosquitto", _command("mosquitto"), ("mosquitto",)),
        Program("mosquitto_sub", _command("mosquitto_sub"), ("mosquitto-clients",)),
        Program("xmllint", _command("xmllint"), ("libxml2-utils",)),
        Program("systemd-analyze", _command("systemd-analyze"), ("systemd",)),
        Program("ip", _command("ip"), ("iproute2",)),
        Program("iptables", _command("iptables"), ("iptables",)),
        Program("java", _command("java"), ("openjdk-17-jre-headless",)),
        Program("s3-server", _mark("s3-server").is_file, python="s3-server"),
        Program("spark", _mark("spark").is_file, python="spark"),
    )
}


def missing() -> list[Program]:
    """Every program that is not there."""
    return [program for program in PROGRAMS.values() if not program.is_present()]


def install_npm() -> int:
    """Installs each npm peer beside its place and moves it in whole; 0 when all are there."""
    return max([_install_npm(program) for program in PROGRAMS.values() if program.npm])


def _install_npm(program: Program) -> int:
    if program.is_present():
        return 0
    npm = shutil.which("npm")
    if npm is None:
        print(f"peers: {program.npm} needs npm: {PROGRAMS['npm'].remedy}", file=sys.stderr)
        return 1
    home = node_modules(program.npm).parent
    home.parent.mkdir(parents=True, exist_ok=True)
    print(f"peers: installing {program.npm} into {home} (up to 20 s)", file=sys.stderr)
    with tempfile.TemporaryDirectory(dir=home.parent, prefix=".install-") as beside:
        quiet = ["--no-audit", "--no-fund", "--no-package-lock", "--loglevel=error"]
        if program.npm == MODBUS_SERIAL:
            quiet.append("--omit=optional")  # drivers of serial ports, which no test needs
        done = subprocess.run(
            [npm, "install", "--prefix", beside, *quiet, program.npm],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            check=False,
        )
        if done.returncode != 0:
            print(f"peers: npm could not install {program.npm}", file=sys.stderr)
            return 1
        try:
            Path(beside).rename(home)
        except OSError:
            if not program.is_present():  # else another run was quicker
                raise
        else:
            Path(beside).mkdir()  # for the context manager to remove
    return 0


def install_python() -> int:
    """Makes the environment of each Python peer; 0 when all are there."""
    return max([_install_python(program) for program in PROGRAMS.values() if program.python])


def _install_python(program: Program) -> int:
    if program.is_present():
        return 0
    made = python_of(program.python)
    home = made.parents[1]
    home.parent.mkdir(parents=True, exist_ok=True)
    # In place, as an environment cannot be moved; the mark at the end says that all is in it.
    with home.with_name(f".{home.name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if program.is_present():  # another run was quicker
            return 0
        print(f"peers: installing {program.name} into {home} (up to 60 s)", file=sys.stderr)
        quiet = ["--quiet", "--disable-pip-version-check", "--no-input", "--progress-bar", "off"]
        for command in (
            [sys.executable, "-m", "venv", "--clear", str(home)],
            [str(made), "-m", "pip", "install", *quiet, "-r", str(_pins(program.python))],
        ):
            done = subprocess.run(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, check=False
            )
            if done.returncode != 0:
                print(f"peers: cannot install {program.name}", file=sys.stderr)
                return 1
        _mark(program.python).touch()
    return 0


def main(words: list[str]) -> int:
    """The command line."""
    match words:
        case ["missing-debian"]:
            print(" ".join(package for program in missing() for package in program.debian))
            return 0
        case ["install-npm"]:
            return install_npm()
        case ["install-python"]:
            return install_python()
        case ["report"]:
            for program in missing():
                print(f"peers: {program.name} is missing: {program.remedy}", file=sys.stderr)
            return 0
    print(__doc__, file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

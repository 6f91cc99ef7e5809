"""The demonstration from an installed wheel, far away from the checkout."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
def test_the_wheel_carries_all_the_demo_needs(tmp_path: Path) -> None:
    """Built, unpacked elsewhere and run: cycles are judged, and the code is the wheel's."""
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    [wheel] = tmp_path.glob("*.whl")
    installed = tmp_path / "site-packages"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(installed)
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    where = subprocess.run(
        [sys.executable, "-c", "import edgeflash, simulators; print(simulators.__file__)"],
        cwd=tmp_path,
        env=environment,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert Path(where.strip()).is_relative_to(installed)
    demo = subprocess.run(
        [
            *(sys.executable, "-m", "edgeflash", "demo", "--json", "--for", "8"),
            *("--speed", "40", "--folder", str(tmp_path / "demo")),
        ],
        cwd=tmp_path,
        env=environment,
        check=False,
        capture_output=True,
        text=True,
    )
    assert demo.returncode == 0, demo.stderr[-2000:]
    records = [json.loads(line) for line in demo.stdout.splitlines()]
    summary = records[-1]["summary"]
    assert summary["cycles"] == len(records) - 1 >= 3
    assert sum(summary[v] for v in ("accepted", "doubtful", "rejected")) == summary["cycles"]
    assert all(r["reasons"] for r in records[:-1] if r["verdict"] != "accepted")
    assert (tmp_path / "demo" / "history" / "results").is_dir()

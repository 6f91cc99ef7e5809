"""Kills the real gateway again and again over the same files and asks what is left.

    python -m tests.bench.crash --kills 300 --seed 1

Stages beside journal and history: retention, ship, mqtt (which needs mosquitto). The wall clock is
faked, which needs gcc. Exit code 1 when anything is wrong; the folder is then kept.
"""

from __future__ import annotations

import argparse
import math
import shutil
import sys
import tempfile
import time
from pathlib import Path

from tests.faults.crash.campaign import Campaign
from tests.faults.crash.every_stage import STAGES


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.crash")
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--minutes", type=float, default=math.inf, help="kill no longer than that")
    parser.add_argument("--analyzers", type=int, default=2)
    parser.add_argument("--stages", nargs="*", choices=STAGES, default=list(STAGES))
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="edgeflash-crash-"))
    began_s = time.monotonic()
    stages = [STAGES[name]() for name in asked.stages]
    campaign = Campaign(folder, asked.seed, stages, asked.analyzers)
    report = campaign.run(asked.kills, 60.0 * asked.minutes, progress=True)
    print(report.text())
    print(f"{time.monotonic() - began_s:.0f} s; stages: {', '.join(asked.stages) or 'none'}")
    if report.wrong:
        print(f"everything is kept in {folder}")
        return 1
    shutil.rmtree(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())

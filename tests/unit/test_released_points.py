"""What was released once stays: a control system is mapped once and lives with it."""

from __future__ import annotations

from pathlib import Path

from edgeflash.points import CATALOGUE

RELEASED = Path(__file__).with_name("released_points.txt")
"""A line for each released point: name, type, register, title. Added to with each release:
python -c "from edgeflash.points import CATALOGUE as c
for p in c: print(p.name, p.type, p.register, p.title)" > tests/unit/released_points.txt"""


def test_no_released_point_has_moved_or_changed_its_type() -> None:
    """Registers, names (node ids) and titles (browse paths) are for ever."""
    released = RELEASED.read_text("utf-8").splitlines()
    now = {f"{p.name} {p.type} {p.register} {p.title}" for p in CATALOGUE}
    missing = [line for line in released if line not in now]
    assert not missing, f"moved, changed or gone: {missing}"
    assert len(released) >= 43, "lines are never taken out"


def test_no_two_points_share_a_register() -> None:
    """Each register of a block belongs to one point at most."""
    taken = [r for p in CATALOGUE for r in range(p.register, p.register + p.registers)]
    assert len(taken) == len(set(taken))

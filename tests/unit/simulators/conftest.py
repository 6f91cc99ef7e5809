"""Reads a simulated analyzer the way a stranger would: by its register map and `struct`."""

from __future__ import annotations

import struct
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from simulators.registers import RegisterImage

MAP_FILE = Path(__file__).parents[3] / "edgeflash" / "examples" / "maps" / "bench-cup.toml"
FORMATS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}

Read = Callable[[RegisterImage, str], Any]


def decode_words(words: list[int], kind: str, order: str) -> float | int:
    """One value from its registers; order abcd (high word first) or cdab."""
    if order == "cdab":
        words = words[::-1]
    value: float | int = struct.unpack(FORMATS[kind], struct.pack(f">{len(words)}H", *words))[0]
    return value


def read_role(image: RegisterImage, name: str, role: dict[str, Any]) -> Any:
    """Scaled value of a role (a list for an array); NaN where the device has none."""
    kind = role["type"]
    if kind == "bool":
        return bool(image.read(role["table"], role["address"], 1)[0] >> role["bit"] & 1)
    size = struct.calcsize(FORMATS[kind]) // 2
    values = []
    for place in range(role.get("count", 1)):
        address = role["address"] + place * role.get("stride", size)
        words = image.read(role["table"], address, size)
        raw = decode_words(words, kind, role.get("order", "abcd"))
        missing = raw in [bad for bad in role.get("unavailable", []) if bad != "nan"]
        scale = role.get("scale", 1)
        values.append(float("nan") if missing else raw if scale == 1 else raw * scale)
    return values if "count" in role else values[0]


@pytest.fixture(scope="session")
def register_map() -> dict[str, Any]:
    """The map file as plain data."""
    return tomllib.loads(MAP_FILE.read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def read(register_map: dict[str, Any]) -> Read:
    """read(image, role) in the map's own unit."""

    def by_name(image: RegisterImage, name: str) -> Any:
        return read_role(image, name, register_map["roles"][name])

    return by_name

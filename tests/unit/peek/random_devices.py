"""Register images of invented devices: which layout, order, types and scales is a matter of chance.

Written with struct alone, so it shares no code with what it tests. Each device is looked at through
a part of a cycle: a ramp, a flash, a new result.
"""

from __future__ import annotations

import math
import random
import struct
from dataclasses import dataclass

START_S = 1_900_000_000


@dataclass(frozen=True)
class Field:
    """What stands at an offset: its true value at each look, and how it is written."""

    name: str
    at: int
    registers: int
    values: tuple[float, ...]
    is_temperature: bool


@dataclass(frozen=True)
class Device:
    """An image: words by look and offset, and what is in it."""

    order: str
    words: tuple[tuple[int, ...], ...]
    epoch_s: tuple[float, ...]
    fields: tuple[Field, ...]


def _words(code: str, value: float, order: str) -> list[int]:
    data = struct.pack(">" + code, value)
    words = [data[i : i + 2] for i in range(0, len(data), 2)]
    if len(words) > 1:
        if order in ("cdab", "dcba"):
            words.reverse()
        if order in ("badc", "dcba"):
            words = [w[::-1] for w in words]
    return [int.from_bytes(w, "big") for w in words]


def _series(rng: random.Random, looks: int) -> dict[str, list[float]]:
    """The true values of one analyzer, look by look."""
    flash, before = rng.uniform(28, 110), rng.uniform(28, 110)
    start, number = (
        flash - rng.uniform(8, 20),
        rng.choice((rng.randint(1, 900), rng.randint(1000, 60000))),
    )
    flip = rng.randint(max(1, looks // 3), max(1, looks - 1))
    step = (flash - start) / flip
    found: dict[str, list[float]] = {
        "sample_temperature": [
            start + step * min(i, flip) - 3.0 * max(0, i - flip) + rng.gauss(0, 0.03)
            for i in range(looks)
        ],
        "flash_point": [before if i < flip else flash for i in range(looks)],
        "cell_pressure": [
            rng.gauss(0.4, 0.05) + (rng.uniform(20, 80) if i == flip else 0) for i in range(looks)
        ],
        "barometer": [100.7 + 0.002 * i + rng.gauss(0, 0.01) for i in range(looks)],
        "cycle_number": [float(number + (i >= flip)) for i in range(looks)],
        "sample_flow": [rng.uniform(40, 90) + rng.gauss(0, 0.4)] * looks,
        "cell_temperature": [rng.uniform(20, 60) + rng.gauss(0, 0.05) for _ in range(1)] * looks,
        "heating_rate": [rng.choice((1.0, 3.0, 5.5, 12.0))] * looks,
        "alive": [float((77 + i) % 65536) for i in range(looks)],
        "phase": [3.0 if i < flip else 4.0 for i in range(looks)],
        "clock": [float(START_S + 30 * i + 11) for i in range(looks)],
    }
    found["sample_flow"] = [v + rng.gauss(0, 0.3) for v in found["sample_flow"]]
    return found


_SCALED = {"sample_temperature", "flash_point", "cell_temperature", "cell_pressure", "barometer",
           "sample_flow", "heating_rate"}  # fmt: skip
_TEMPERATURES = {"sample_temperature", "flash_point", "cell_temperature"}


def random_device(seed: int, looks: int = 12) -> Device:
    """One device. Its measured values are all floats, or all scaled integers, or mixed."""
    rng = random.Random(seed)
    order = rng.choice(("abcd", "cdab", "badc", "dcba"))
    style = rng.choice(("floats", "floats", "integers", "mixed"))
    series = _series(rng, looks)
    names = list(series)
    rng.shuffle(names)
    columns: list[list[int]] = []
    fields: list[Field] = []
    for name in names:
        for _ in range(rng.choice((0, 0, 0, 1, 2))):
            columns.append([0] * looks)  # a spare register
        if rng.random() < 0.08:
            text = rng.choice(("CUP-A 0417", "UNIT 7 NORTH", "REV 2.14"))
            padded = text.encode().ljust(12, b"\0")
            columns += [[int.from_bytes(padded[i : i + 2], "big")] * looks for i in range(0, 12, 2)]
        values = series[name]
        if name in _SCALED:
            written = {"floats": "f", "integers": rng.choice("hhi")}.get(style) or rng.choice(
                "ffhi"
            )
            scale = {"f": 1.0, "h": rng.choice((0.1, 0.01)), "i": rng.choice((0.01, 0.001))}[
                written
            ]
            if written == "h" and max(abs(v) for v in values) / scale > 32_000:
                scale = 0.1
            if written == "f" and rng.random() < 0.3:
                values = [round(v, 2) for v in values]
        elif name == "cycle_number":
            written, scale = rng.choice(("H", "I")), 1.0
        else:
            written, scale = ("I" if name == "clock" else "H"), 1.0
        raw = [v if written == "f" else round(v / scale) for v in values]
        cells = [_words(written, value, order) for value in raw]
        at = len(columns)
        columns += [[cell[place] for cell in cells] for place in range(len(cells[0]))]
        told = tuple(
            struct.unpack(">f", struct.pack(">f", r))[0] if written == "f" else r * scale
            for r in raw
        )
        fields.append(Field(name, at, len(cells[0]), told, name in _TEMPERATURES))
    words = tuple(tuple(column[look] for column in columns) for look in range(looks))
    return Device(order, words, tuple(START_S + 30.0 * i for i in range(looks)), tuple(fields))


def close(a: float, b: float) -> bool:
    """The same value, but for the last digits of a scale's multiplication."""
    return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-12)

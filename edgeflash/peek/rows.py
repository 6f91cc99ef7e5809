"""What a first look shows of a device, as rows. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import isfinite

from edgeflash.config.register_map import Encoding, Order
from edgeflash.peek.decodings import Decoding
from edgeflash.peek.likeness import Impression, Likeness, impression
from edgeflash.peek.ranking import Candidate, Looks, best_cut, ranked

WORTH_SHOWING_BITS = 60.0
"""Other decodings are shown that are less plausible by no more than this."""

_TWIN = {Encoding.UINT16: Encoding.INT16, Encoding.INT32: Encoding.UINT32}
"""Where no top bit was seen, the ranking holds one of two that say the same."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One decoding of one place: how it is read, what it gives and what that looks like.

    scale: the likeliest, where whole numbers are scaled. low, high: over the looks; None for texts.
    """

    address: int
    decoding: Decoding
    scale: float
    value: float | int | str
    low: float | None
    high: float | None
    likeness: Likeness
    changed: bool
    worse_bits: float

    @property
    def words(self) -> str:
        """The decoding in words, for example "float32 cdab" or "int16 × 0.1"."""
        text = self.decoding.encoding.value
        if self.decoding.registers > 1 and self.decoding.encoding is not Encoding.STRING:
            text += f" {self.decoding.order.value}"
        elif self.decoding.order is Order.BADC:
            text += " bytes swapped"
        return text if self.scale == 1.0 else f"{text} × {self.scale:g}"


@dataclass(frozen=True, slots=True)
class Row:
    """One place of the most plausible cut, and other ways to read it, the likeliest first."""

    best: Reading
    others: tuple[Reading, ...]


def rows_of(looks: Looks, others: int = 3) -> tuple[Order, tuple[Row, ...]]:
    """The order the device seems to use, and a row for each value of the likeliest cut."""
    order, found = ranked(looks)
    made = []
    for best in best_cut(found):
        reading = _reading(best, looks)
        scales = _other_scales(best, looks)
        rest = (c for c in found[best.address] if c is not best)
        near = [_reading(c, looks) for c in rest if c.worse_bits <= WORTH_SHOWING_BITS]
        made.append(Row(reading, tuple([*scales, *_readable(near)][:others])))
    return order, tuple(made)


def reading_at(
    looks: Looks, address: int, encoding: Encoding | None, order: Order | None
) -> Reading | None:
    """The likeliest reading of an address, of this encoding and order where they are given."""
    _, found = ranked(looks)
    here = [c for c in found.get(address, ()) if order in (None, c.decoding.order)]
    for candidate in here:
        if encoding in (None, candidate.decoding.encoding):
            return _reading(candidate, looks)
    for candidate in here:
        if encoding is not None and candidate.decoding.encoding is _TWIN.get(encoding):
            twin = replace(candidate, decoding=replace(candidate.decoding, encoding=encoding))
            return _reading(twin, looks)
    return None


def _readable(readings: Iterable[Reading]) -> Iterable[Reading]:
    """Those that give a number at all."""
    return (
        r
        for r in readings
        if isinstance(r.value, str) or (isfinite(r.value) and abs(r.value) < 1e12)
    )


def _reading(candidate: Candidate, looks: Looks) -> Reading:
    seen = impression(candidate.decoding, candidate.values, looks.epoch_s)
    return _scaled(candidate, seen, seen.scales[0], seen.likeness)


def _other_scales(candidate: Candidate, looks: Looks) -> list[Reading]:
    """The same whole number with the next likely scale."""
    seen = impression(candidate.decoding, candidate.values, looks.epoch_s)
    if not candidate.decoding.is_whole or seen.likeness not in (
        *(Likeness.TEMPERATURE, Likeness.PRESSURE, Likeness.BAROMETER, Likeness.NOTHING),
    ):
        return []
    return [_scaled(candidate, seen, scale, seen.likeness) for scale in seen.scales[1:2]]


def _scaled(candidate: Candidate, seen: Impression, scale: float, likeness: Likeness) -> Reading:
    values = candidate.values
    numbers = [v * scale for v in values if not isinstance(v, str) and isfinite(v)]
    last = values[-1]
    return Reading(
        candidate.address,
        candidate.decoding,
        scale if candidate.decoding.is_whole else 1.0,
        last if isinstance(last, str) or not candidate.decoding.is_whole else _product(last, scale),
        min(numbers, default=None),
        max(numbers, default=None),
        likeness,
        seen.changed,
        candidate.worse_bits,
    )


def _product(raw: float | int, scale: float) -> float | int:
    return raw if scale == 1.0 else round(raw * scale, 6)


def all_rows(every: Sequence[Looks], others: int = 3) -> tuple[Order | None, tuple[Row, ...]]:
    """The rows of several ranges; the order that the longest of them shows."""
    order: Order | None = None
    made: list[Row] = []
    longest = 0
    for looks in every:
        own, rows = rows_of(looks, others)
        if looks.registers > longest:
            order, longest = own, looks.registers
        made += rows
    return order, tuple(made)

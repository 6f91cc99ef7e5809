"""Arrays of plain numbers, decoded all at once: a trace is thousands of values. Pure.

The values are those that decoding element by element gives, to the last bit: the same IEEE 754
double arithmetic in the same order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeAlias

import numpy as np

from edgeflash.config.register_map import Encoding, Order, RolePlace
from edgeflash.model import Scalar
from edgeflash.units import UNITS

ArrayDecoder: TypeAlias = Callable[[Sequence[int]], list[Scalar]]

_NUMPY_TYPES: dict[Encoding, str] = {
    Encoding.INT16: ">i2",
    Encoding.UINT16: ">u2",
    Encoding.INT32: ">i4",
    Encoding.UINT32: ">u4",
    Encoding.INT64: ">i8",
    Encoding.UINT64: ">u8",
    Encoding.FLOAT32: ">f4",
    Encoding.FLOAT64: ">f8",
}
_WORDS_REVERSED = frozenset({Order.CDAB, Order.DCBA})
_BYTES_SWAPPED = frozenset({Order.BADC, Order.DCBA})


def can_decode_at_once(place: RolePlace) -> bool:
    """True for arrays of plain numbers without a unit of time stamps."""
    return (
        place.count is not None
        and place.type in _NUMPY_TYPES
        and (place.unit is None or place.unit in UNITS)
    )


def array_decoder(place: RolePlace, order: Order, sentinels: frozenset[float]) -> ArrayDecoder:
    """Decodes the words of as many whole elements as there are, at most `place.count`.

    place: one that can_decode_at_once. order: the element's own. sentinels: "not available".
    """
    size = place.element_registers
    step, count = place.stride or size, place.count or 0
    number = np.dtype(_NUMPY_TYPES[place.type])
    word = np.dtype("<u2" if order in _BYTES_SWAPPED else ">u2")
    within = np.arange(size)[::-1] if order in _WORDS_REVERSED else np.arange(size)
    places = (np.arange(count) * step)[:, None] + within
    unavailable = np.array(sorted(sentinels))
    unit = UNITS[place.unit] if place.unit is not None else None
    keeps_integers = unit is None and place.scale == 1.0 and place.offset == 0.0

    def decode_words(words: Sequence[int]) -> list[Scalar]:
        whole = min(count, (len(words) - size) // step + 1)
        data = np.array(words, dtype=word)[places[:whole]]
        raw = data.view(number)[:, 0]
        # Signalling NaN, and products past the largest double: both end as "not available".
        with np.errstate(all="ignore"):
            value = raw.astype(np.float64)
            good = np.isfinite(value)
            if unavailable.size:
                good &= ~np.isin(value, unavailable)
            if not keeps_integers:
                value = value * place.scale + place.offset
                if unit is not None:
                    value = value * unit.factor + unit.offset
                good &= np.isfinite(value)
        decoded: list[Scalar] = (raw if keeps_integers else value).tolist()
        for missing in np.flatnonzero(~good):
            decoded[missing] = None
        return decoded

    return decode_words

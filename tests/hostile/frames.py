"""Requests of every kind, good and spoiled, and a second opinion on what the answers must be.

The second opinion shares no code with the server: it looks registers up one by one in a plain
table and keeps the inputs in a plain dictionary. Source: Modbus application protocol V1.1b3
(6.1 to 6.4, 6.6, 6.12, 7) and messaging guide V1.0b (3.1.3), both from memory.
"""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

FIRST_INPUT = 50_000
WRITABLE_INPUTS = (1, 2, 3)
CONSTANTS = {5: 40.0}
"""The numbers of tests.unit.outlets.builders.INPUTS; a gap at 4."""

EDGES = (
    *(0, 1, 74, 75, 125, 198, 199, 200, 399, 400, 599, 600),
    *(39_999, 40_000, 40_399, 40_400, 40_800, 41_199, 41_200, 49_999),
    *(50_000, 50_002, 50_003, 50_004, 50_011, 50_012, 50_016, 50_019, 50_020, 51_999, 52_000),
    *(52_799, 53_600, 54_399, 64_999, 65_000, 65_199, 65_200, 65_535),
)
COUNTS = (0, 1, 2, 3, 4, 123, 124, 125, 126, 2000, 2001, 65_535)


class Frames:
    """Makes frames, and streams of them, by chance."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance

    def stream(self, frames: int) -> bytes:
        """So many frames one after another; now and then one that is no frame at all."""
        return b"".join(self.frame() for _ in range(frames))

    def frame(self) -> bytes:
        """One frame: mostly whole, one in fifty with a spoiled header or pure noise."""
        chance = self.chance
        pdu = self.pdu()
        transaction, unit = chance.randrange(65_536), chance.choice((0, 1, 2, 3, 7, 255))
        kind = chance.randrange(200)
        if kind == 0:
            return chance.randbytes(chance.randrange(1, 40))
        protocol = chance.randrange(65_536) if kind == 1 else 0
        length = len(pdu) + 1
        if kind == 2:
            length = chance.choice((0, 1, 255, 256, 65_535, chance.randrange(65_536)))
        if kind == 3:
            length += chance.choice((-1, 1))
        return struct.pack(">HHHB", transaction, protocol, length & 0xFFFF, unit) + pdu

    def pdu(self) -> bytes:
        """A protocol data unit of 1 to 253 bytes."""
        chance = self.chance
        kind = chance.randrange(10)
        if kind < 5:
            pdu = struct.pack(">BHH", chance.choice((1, 2, 3, 4)), self.address(), self.count())
        elif kind < 7:
            pdu = self.write()
        elif kind == 7:
            pdu = bytes((43, chance.choice((14, 13)), chance.randrange(6), chance.randrange(6)))
        else:
            pdu = bytes((chance.randrange(256),)) + chance.randbytes(chance.randrange(12))
        if chance.random() < 0.2:
            pdu = self.spoiled(pdu)
        return pdu[:253] or b"\x03"

    def address(self) -> int:
        """One near an edge, or any."""
        if self.chance.random() < 0.2:
            return self.chance.randrange(65_536)
        return (self.chance.choice(EDGES) + self.chance.choice((-1, 0, 0, 0, 1))) % 65_536

    def count(self) -> int:
        """Mostly one that can be."""
        if self.chance.random() < 0.3:
            return self.chance.choice(COUNTS)
        return self.chance.randrange(1, 126)

    def write(self) -> bytes:
        """A write, often of an input and right."""
        chance = self.chance
        address = FIRST_INPUT + 4 * chance.randrange(6) + chance.choice((0, 0, 0, 1, 2, 3))
        if chance.random() < 0.3:
            return struct.pack(">BHH", 6, address, chance.choice((0, 1, 2, 3, 65_535)))
        count = chance.choice((1, 2, 2, 2, 3, 3, 4, 8))
        number = struct.pack(">f", chance.uniform(-500.0, 500.0))
        if chance.random() < 0.2:
            number = chance.randbytes(4)
        data = (number + struct.pack(">H", chance.randrange(4)) + chance.randbytes(10))[: 2 * count]
        return struct.pack(">BHHB", 16, address, count, len(data)) + data

    def spoiled(self, pdu: bytes) -> bytes:
        """With some bytes changed, taken out or added."""
        chance, made = self.chance, bytearray(pdu)
        for _ in range(chance.randrange(1, 4)):
            match chance.randrange(4):
                case 0 if made:
                    made[chance.randrange(len(made))] ^= 1 << chance.randrange(8)
                case 1 if made:
                    del made[chance.randrange(len(made))]
                case 2:
                    at = chance.randrange(len(made) + 1)
                    made[at:at] = chance.randbytes(chance.randrange(1, 9))
                case _:
                    made += chance.randbytes(chance.choice((1, 5, 250)))
        return bytes(made)


@dataclass
class InputOpinion:
    """What was last written to an input, as sent."""

    value: bytes = b"\x7f\xc0\x00\x00"
    quality: int = 2


@dataclass
class Opinion:
    """What each unit's registers and bits are, and what an answer to a frame must be.

    registers, bits: by unit and address; a unit that is not there is no key. The identification's
    answers are told by another test, so here only their shape is.
    """

    registers: Mapping[int, Mapping[int, int]]
    bits: Mapping[int, Mapping[int, int]]
    may_write: bool = True
    inputs: dict[int, InputOpinion] = field(
        default_factory=lambda: {number: InputOpinion() for number in WRITABLE_INPUTS}
    )

    def frames(self, stream: bytes) -> Iterator[tuple[bytes, bytes]]:
        """Head and PDU of each whole frame, until the stream ends or is no Modbus TCP."""
        at = 0
        while len(stream) - at >= 6:
            _, protocol, length = struct.unpack_from(">HHH", stream, at)
            if protocol or not 2 <= length <= 254 or len(stream) - at < 6 + length:
                return
            yield stream[at : at + 7], stream[at + 7 : at + 6 + length]
            at += 6 + length

    def check(self, head: bytes, pdu: bytes, got_head: bytes, got: bytes) -> None:
        """Fails when an answer is not the right one. What it writes is taken to be written."""
        assert got_head[:4] == head[:4], "transaction and protocol"
        assert got_head[6] == head[6], "unit"
        assert int.from_bytes(got_head[4:6], "big") == len(got) + 1
        function, unit = pdu[0], head[6]
        code = self._exception(unit, pdu)
        if code:
            assert got == bytes((function | 0x80, code)), (pdu.hex(), got.hex(), code)
        elif function in (6, 16):
            assert got == pdu[:5], (pdu.hex(), got.hex())
            self._written(pdu)
        elif function == 43:
            assert got[:2] == b"\x2b\x0e"
        else:
            address, count = struct.unpack(">HH", pdu[1:5])
            assert got[0] == function
            assert got[1] == len(got) - 2
            self._same_data(unit, function, address, count, got[2:])

    def _exception(self, unit: int, pdu: bytes) -> int:
        """The exception due, 0 for none."""
        function = pdu[0]
        if unit not in self.registers:
            return 0x0B
        if function == 43:
            if pdu[1:2] != b"\x0e":
                return 1
            if len(pdu) != 4 or not 1 <= pdu[2] <= 4:
                return 3
            return 2 if pdu[2] == 4 and pdu[3] not in (0, 1, 2, 4) else 0
        if function in (6, 16) and self.may_write:
            return self._write_exception(pdu)
        if function not in (1, 2, 3, 4):
            return 1
        if len(pdu) != 5:
            return 3
        address, count = struct.unpack(">HH", pdu[1:])
        if not 1 <= count <= (125 if function > 2 else 2000):
            return 3
        table = self.registers[unit] if function > 2 else self.bits[unit]
        wanted = range(address, address + count)
        if function > 2 and 50_000 <= address <= 51_999:
            there = all((a - FIRST_INPUT) // 4 + 1 in (*self.inputs, *CONSTANTS) for a in wanted)
            return 0 if there else 2
        return 0 if all(a in table for a in wanted) else 2

    def _write_exception(self, pdu: bytes) -> int:
        if pdu[0] == 16:
            if len(pdu) < 6:
                return 3
            count = int.from_bytes(pdu[3:5], "big")
            if not 1 <= count <= 123 or pdu[5] != 2 * count or len(pdu) != 6 + 2 * count:
                return 3
        else:
            count = 1
            if len(pdu) != 5:
                return 3
        number, offset = divmod(int.from_bytes(pdu[1:3], "big") - FIRST_INPUT, 4)
        whole = (offset, count) in ((0, 2), (0, 3), (2, 1))
        return 0 if number + 1 in self.inputs and whole else 2

    def _written(self, pdu: bytes) -> None:
        data = pdu[6:] if pdu[0] == 16 else pdu[3:]
        number, offset = divmod(int.from_bytes(pdu[1:3], "big") - FIRST_INPUT, 4)
        one = self.inputs[number + 1]
        if offset == 0:
            one.value = data[:4]
            one.quality = int.from_bytes(data[4:6], "big") if len(data) > 4 else 0
        else:
            one.quality = int.from_bytes(data, "big")
        if one.quality > 2:
            one.quality = 2

    def _same_data(self, unit: int, function: int, address: int, count: int, got: bytes) -> None:
        if function <= 2:
            bits = [self.bits[unit][address + i] for i in range(count)]
            packed = sum(bit << i for i, bit in enumerate(bits))
            assert got == packed.to_bytes((count + 7) // 8, "little")
            return
        words = struct.unpack(f">{count}H", got)
        if not 50_000 <= address <= 51_999:
            table = self.registers[unit]
            assert words == tuple(table[address + i] for i in range(count))
            return
        for i, word in enumerate(words):
            number, offset = divmod(address + i - FIRST_INPUT, 4)
            one = self.inputs.get(number + 1)
            if one is None:
                one = InputOpinion(struct.pack(">f", CONSTANTS[number + 1]), 0)
            if offset == 2:
                assert word == one.quality
            elif offset < 2 and not math.isnan(struct.unpack(">f", one.value)[0]):
                assert word == int.from_bytes(one.value[2 * offset :][:2], "big")

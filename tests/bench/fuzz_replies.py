"""Throws bad replies at the decoding of lines: `python tests/bench/fuzz_replies.py [FRAMES]`.

Every register holds its own address, so a value under another tag shows. Left out is only what no
decoder can tell: a whole, right RTU reply of the unit asked to an earlier request of the same shape
(the line's silence rules that out), and a hurt one whose checksum is right by chance (1 in 65,536).
Prints counts and CPU time; ends with 1 when a value was wrong.
"""

from __future__ import annotations

import random
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from edgeflash.config.register_map import Table
from edgeflash.links import mbap_frame, rtu_frame
from edgeflash.links.read_request import Answer, ReadRequest, Seen
from simulators.serial_face import framed

FRAMES = 1_000_000
TABLES = (Table.HOLDING, Table.INPUT)
FUNCTION = {Table.HOLDING: 3, Table.INPUT: 4}


def pdu(request: ReadRequest) -> bytes:
    """The right answer."""
    words = range(request.address, request.address + request.count)
    data = b"".join(word.to_bytes(2, "big") for word in words)
    return bytes([FUNCTION[request.table], len(data)]) + data


def hurt(rng: random.Random, frame: bytes) -> bytes:
    """The frame with one to four bytes changed, lost or put in."""
    data = bytearray(frame)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(data))
        match rng.randrange(4):
            case 0 if len(data) > 2:
                del data[at]
            case 1:
                data.insert(at, rng.randrange(256))
            case _:
                data[at] ^= rng.randint(1, 255)
    return bytes(data)


def request(rng: random.Random, units: int = 5) -> ReadRequest:
    """A request for few registers of few units, so that many have the same shape."""
    return ReadRequest(
        rng.randint(1, units), rng.choice(TABLES), rng.randint(0, 60), rng.randint(1, 6)
    )


def rtu(asked: ReadRequest) -> bytes:
    """The right RTU reply, its checksum computed by pymodbus."""
    return framed(bytes([asked.unit_id]) + pdu(asked))


def tcp(asked: ReadRequest, number: int) -> bytes:
    """The right Modbus TCP reply."""
    body = bytes([asked.unit_id]) + pdu(asked)
    return number.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big") + body


def holds_own_shape(piece: bytes, asked: ReadRequest, right: bytes) -> bool:
    """True when a right frame of the asked shape, but of other registers, is in the piece."""
    head, size = right[:3], len(right)
    starts = (at for at in range(len(piece) - size + 1) if piece[at : at + 3] == head)
    found = [piece[at : at + size] for at in starts]
    return any(one != right and framed(one[:-2]) == one for one in found)


def rtu_pieces(rng: random.Random, asked: ReadRequest) -> tuple[int, list[Seen]]:
    """One talk on a serial line: how many pieces, and what is seen in its middle and at its end."""
    right = rtu(asked)
    pieces = []
    for _ in range(rng.randint(1, 3)):
        frame = right if rng.random() < 0.5 else rtu(request(rng))
        match rng.randrange(4):
            case 0:
                frame = rng.randbytes(rng.randint(0, 20))
            case 1 | 2:
                frame = hurt(rng, frame)
        pieces.append(frame)
    received = b"".join(pieces)
    if holds_own_shape(received, asked, right):
        return 0, []
    cuts = (received[: rng.randint(0, len(received))], received)
    seen = [rtu_frame.look(one, asked, echo=False, is_over=False) for one in cuts]
    return len(pieces), [*seen, rtu_frame.look(received, asked, echo=False, is_over=True)]


def tcp_pieces(rng: random.Random, asked: ReadRequest) -> tuple[int, list[Seen]]:
    """The same on a connection with numbered requests; hurt only where numbers do not stand."""
    pieces = [tcp(request(rng), rng.randint(0, 6)) for _ in range(rng.randint(0, 2))]
    last = tcp(asked, 7)
    match rng.randrange(4):
        case 0:
            last = tcp(request(rng, 3), 6)
        case 1:
            last = last[: rng.randint(0, len(last))]
        case 2:
            last = rng.randbytes(rng.randint(0, 30))
            if last[:2] == b"\0\x07":
                last = b""
    received = b"".join([*pieces, last])
    seen = [mbap_frame.look(received, 7, asked, is_over=over) for over in (False, True)]
    return len(pieces) + 1, seen


def main(frames: int) -> int:
    """Runs until so many frames were looked at."""
    rng = random.Random(2)
    looked = right = wrong = 0
    began_s = time.process_time()
    while looked < frames:
        asked = request(rng)
        pieces, seen = (rtu_pieces if rng.random() < 0.8 else tcp_pieces)(rng, asked)
        looked += pieces
        words = tuple(range(asked.address, asked.address + asked.count))
        for one in seen:
            if isinstance(one.outcome, Answer):
                right += one.outcome.words == words
                wrong += one.outcome.words != words
    spent_s = time.process_time() - began_s
    print(f"{looked} frames, {right} values right, {wrong} wrong, {spent_s:.1f} s of CPU")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else FRAMES))

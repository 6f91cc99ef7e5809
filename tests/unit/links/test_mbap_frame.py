"""Modbus TCP frames on a shared connection: numbers tell replies apart.

Frames come from pymodbus' socket framer, an independent encoder.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU

from edgeflash.config.register_map import Table
from edgeflash.links.errors import LinkFault
from edgeflash.links.mbap_frame import encode, look, strangers
from edgeflash.links.read_request import Answer, ReadRequest, Refusal, Seen, Spoilt

PEER = FramerSocket(DecodePDU(False))
ASKED = ReadRequest(3, Table.HOLDING, 0x0100, 2)
ANSWER = Answer((0x0100, 0x0101))
PDU = b"\x03\x04\x01\x00\x01\x01"


def framed(transaction: int, unit_id: int, pdu: bytes) -> bytes:
    return PEER.encode(pdu, unit_id, transaction)


@given(st.integers(0, 65_535), st.integers(0, 255), st.integers(0, 65_535), st.integers(1, 125))
def test_requests(transaction: int, unit_id: int, address: int, count: int) -> None:
    """A request is what pymodbus' framer sends for the same PDU."""
    pdu = b"\x04" + address.to_bytes(2, "big") + count.to_bytes(2, "big")
    request = ReadRequest(unit_id, Table.INPUT, address, count)
    assert encode(transaction, request) == framed(transaction, unit_id, pdu)


def test_the_answer_among_late_ones() -> None:
    """Answers of other numbers are passed over, whatever they hold, and named."""
    late = framed(6, 3, PDU) + framed(5, 9, PDU)
    right = framed(7, 3, PDU)
    assert look(late, 7, ASKED, is_over=False) == Seen(None, (3, 9))
    for cut in range(len(right)):
        assert look(late + right[:cut], 7, ASKED, is_over=False).outcome is None
    assert look(late + right + late, 7, ASKED, is_over=False) == Seen(ANSWER, (3, 9))
    assert strangers(late + right[:4]) == ((3, 9), right[:4])
    refusal = framed(7, 3, b"\x83\x0b")
    assert look(refusal, 7, ASKED, is_over=False).outcome == Refusal(11)


@pytest.mark.parametrize(
    ("bytes_", "fault"),
    [
        (b"", LinkFault.NO_RESPONSE),
        (framed(6, 3, PDU), LinkFault.NO_RESPONSE),
        (framed(7, 3, PDU)[:-1], LinkFault.BAD_REPLY),
        (framed(7, 4, PDU), LinkFault.BAD_REPLY),
        (framed(7, 3, b"\x04" + PDU[1:]), LinkFault.BAD_REPLY),
        (framed(7, 3, b"\x03\x02\x01\x00"), LinkFault.SHORT_REPLY),
        (framed(7, 3, b"\x03\x04\x01\x00"), LinkFault.SHORT_REPLY),
        (b"\x00\x07\x00\x01" + framed(7, 3, PDU)[4:], LinkFault.BAD_REPLY),
        (b"HTTP/1.1 400 Bad Request", LinkFault.BAD_REPLY),
    ],
)
def test_what_is_no_answer(bytes_: bytes, fault: LinkFault) -> None:
    """No value, and a connection out of step is renewed."""
    outcome = look(bytes_, 7, ASKED, is_over=True).outcome
    assert isinstance(outcome, Spoilt) and outcome.fault is fault
    assert outcome.is_fatal is (fault is not LinkFault.NO_RESPONSE)


@settings(max_examples=1000, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.integers(5, 8), st.integers(1, 4), st.integers(0, 3)), max_size=6))
def test_only_the_right_number_answers(frames: list[tuple[int, int, int]]) -> None:
    """The words are those of the first frame with the request's number, or none."""
    received = b"".join(
        framed(number, unit, b"\x03\x04" + bytes([0, number, 0, word]))
        for number, unit, word in frames
    )
    outcome = look(received, 7, ASKED, is_over=True).outcome
    mine = next(((unit, word) for number, unit, word in frames if number == 7), None)
    if mine is not None and mine[0] == ASKED.unit_id:
        assert outcome == Answer((7, mine[1]))
    else:
        assert isinstance(outcome, Spoilt)

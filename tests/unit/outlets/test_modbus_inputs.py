"""The inputs as registers: what is written, what is refused and with which exception.

Layouts of requests and answers, and what exceptions 1 to 3 mean: Modbus application protocol
V1.1b3, 6.6, 6.12 and 7 (from memory). 42 F6 E9 79 is 123.456 in IEEE 754 single precision.
"""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.config.register_map import Order
from edgeflash.inputs import InputStore
from edgeflash.outlets.modbus_encoding import reordered
from edgeflash.outlets.modbus_image import empty_image
from edgeflash.outlets.modbus_inputs import InputRegisters
from edgeflash.outlets.modbus_protocol import answer
from edgeflash.trust import Trust
from tests.unit.outlets.builders import INPUTS

IMAGE = empty_image([1], Order.ABCD)
BASE = 50_000
BY = "modbus 192.0.2.7"
VALUE = bytes.fromhex("42F6E979")


class Line:
    """A store, its registers and a clock to be set."""

    def __init__(self, order: Order = Order.ABCD, accepts: bool = True) -> None:
        self.now_s = 1000.0
        self.store = InputStore(INPUTS)
        self.registers = InputRegisters(self.store, order, accepts, lambda: self.now_s)

    def ask(self, pdu: bytes) -> bytes:
        """The answer to a request."""
        return answer(pdu, IMAGE, self.registers, BY)

    def read(self, address: int, count: int, function: int = 3) -> bytes:
        """The registers read, without the head of the answer."""
        pdu = self.ask(struct.pack(">BHH", function, address, count))
        assert pdu[:2] == bytes((function, 2 * count)), pdu.hex()
        return pdu[2:]

    def state(self) -> list[object]:
        """All that a write could change."""
        return [self.store.written(one.id) for one in INPUTS]


def write16(address: int, data: bytes) -> bytes:
    """A request of function 16."""
    return struct.pack(">BHHB", 16, address, len(data) // 2, len(data)) + data


def write6(address: int, word: int) -> bytes:
    """A request of function 6."""
    return struct.pack(">BHH", 6, address, word)


@pytest.mark.parametrize(
    ("order", "sent"),
    [
        (Order.ABCD, "42F6E979"),
        (Order.CDAB, "E97942F6"),
        (Order.BADC, "F64279E9"),
        (Order.DCBA, "79E9F642"),
    ],
)
def test_a_value_in_each_order(order: Order, sent: str) -> None:
    """Written and read back in the server's order; function, address and quantity are echoed."""
    line = Line(order)
    assert line.ask(write16(BASE, bytes.fromhex(sent))).hex() == "10c3500002"
    written = line.store.written("t10")
    assert written is not None
    assert written.value == pytest.approx(123.456, rel=1e-7)
    assert (written.trust, written.at_mono_s, written.source) == (Trust.GOOD, 1000.0, BY)
    for function in (3, 4):
        assert line.read(BASE, 4, function).hex() == sent.lower() + "00000000"


@pytest.mark.parametrize(
    ("number", "trust", "read_back"),
    [
        (0, Trust.GOOD, 0),
        (1, Trust.UNCERTAIN, 1),
        (2, Trust.BAD, 2),
        (3, Trust.BAD, 2),
        (65_535, Trust.BAD, 2),
    ],
)
def test_a_quality_with_the_value_or_alone(number: int, trust: Trust, read_back: int) -> None:
    """Any number is taken: exception 3 is not for what a register means. Unknown ones are bad."""
    with_value = Line()
    assert with_value.ask(write16(BASE, VALUE + struct.pack(">H", number)))[0] == 16
    later, multiple = Line(), Line()
    for line, request in [
        (later, write6(BASE + 2, number)),
        (multiple, write16(BASE + 2, struct.pack(">H", number))),
    ]:
        line.ask(write16(BASE, VALUE))
        line.now_s += 5.0
        assert line.ask(request) == request[:5]
    for line in (with_value, later, multiple):
        written = line.store.written("t10")
        assert written is not None and written.trust is trust
        assert written.at_mono_s == 1000.0
        assert line.read(BASE, 3) == VALUE + struct.pack(">H", read_back)


def test_a_value_alone_comes_as_good() -> None:
    """Whatever the quality was before."""
    line = Line()
    line.ask(write16(BASE, VALUE + b"\x00\x02"))
    line.ask(write16(BASE, VALUE))
    assert line.read(BASE + 2, 1) == b"\x00\x00"


@pytest.mark.parametrize(
    ("age_s", "shown"), [(0.0, 0), (7.99, 7), (65_534.5, 65_534), (65_535, -1)]
)
def test_the_age_register(age_s: float, shown: int) -> None:
    """Whole seconds; all ones when older than that."""
    line = Line()
    line.ask(write16(BASE, VALUE))
    line.now_s += age_s
    assert line.read(BASE + 3, 1) == struct.pack(">H", shown % 65_536)


def test_before_any_write_and_for_a_constant() -> None:
    """NaN, bad, no age; a constant is good and has no age."""
    line = Line()
    assert line.read(BASE, 4).hex() == "7fc000000002ffff"
    assert line.read(BASE + 16, 4) == struct.pack(">fHH", 40.0, 0, 65_535)


def test_several_inputs_in_one_read() -> None:
    """Inputs 1 to 3 lie side by side, wherever a read begins and ends."""
    line = Line()
    for place, value in enumerate((150.0, 25.0, 7.0)):
        line.ask(write16(BASE + 4 * place, struct.pack(">f", value)))
    whole = line.read(BASE, 12)
    assert struct.unpack(">fHHfHHfHH", whole) == (150.0, 0, 0, 25.0, 0, 0, 7.0, 0, 0)
    for first in range(12):
        for count in range(1, 13 - first):
            assert line.read(BASE + first, count) == whole[2 * first : 2 * (first + count)]


@pytest.mark.parametrize(
    ("address", "count"),
    [(BASE + 12, 1), (BASE + 11, 2), (BASE + 20, 1), (BASE - 1, 2), (BASE - 1, 1), (65_535, 2)],
)
def test_what_is_not_declared_cannot_be_read(address: int, count: int) -> None:
    """Nor what crosses into it: exception 2."""
    assert Line().ask(struct.pack(">BHH", 3, address, count)) == b"\x83\x02"


REFUSED = {
    "first half of a value": write6(BASE, 0x42F6),
    "second half of a value": write6(BASE + 1, 0xE979),
    "first half by 16": write16(BASE, VALUE[:2]),
    "second half by 16": write16(BASE + 1, VALUE[2:]),
    "second half and quality": write16(BASE + 1, VALUE[2:] + b"\x00\x00"),
    "age": write6(BASE + 3, 0),
    "up to the age": write16(BASE, VALUE + bytes(4)),
    "quality and age": write16(BASE + 2, bytes(4)),
    "two inputs": write16(BASE, VALUE + bytes(4) + VALUE),
    "undeclared": write16(BASE + 12, VALUE),
    "a constant": write16(BASE + 16, VALUE),
    "a constant's quality": write6(BASE + 18, 2),
    "an analyzer": write16(0, VALUE),
    "an analyzer by 6": write6(2, 0),
    "the register before": write16(BASE - 2, VALUE),
    "the last register": write16(65_535, VALUE),
}


@pytest.mark.parametrize("why", REFUSED)
def test_exception_2(why: str) -> None:
    """These addresses cannot be written, in this combination; nothing is written of them."""
    line, request = Line(), REFUSED[why]
    before = line.state()
    assert line.ask(request) == bytes((request[0] | 0x80, 2))
    assert line.state() == before


WRONG = {
    "no quantity": struct.pack(">BHHB", 16, BASE, 0, 0),
    "124 registers": struct.pack(">BHHB", 16, BASE, 124, 248) + bytes(248),
    "byte count too small": struct.pack(">BHHB", 16, BASE, 2, 3) + VALUE[:3],
    "byte count too large": struct.pack(">BHHB", 16, BASE, 2, 5) + VALUE + b"\x00",
    "byte count of three registers": struct.pack(">BHHB", 16, BASE, 2, 6) + VALUE,
    "data too short": struct.pack(">BHHB", 16, BASE, 2, 4) + VALUE[:3],
    "data too long": struct.pack(">BHHB", 16, BASE, 2, 4) + VALUE + b"\x00",
    "16 cut short": struct.pack(">BHH", 16, BASE, 2),
    "16 alone": b"\x10",
    "6 cut short": struct.pack(">BH", 6, BASE + 2),
    "6 too long": write6(BASE + 2, 0) + b"\x00",
    "6 alone": b"\x06",
}


@pytest.mark.parametrize("why", WRONG)
def test_exception_3(why: str) -> None:
    """A request that is wrong in itself (6.6, 6.12)."""
    line, request = Line(), WRONG[why]
    before = line.state()
    assert line.ask(request) == bytes((request[0] | 0x80, 3))
    assert line.state() == before


@pytest.mark.parametrize("function", [f for f in range(128) if f not in (1, 2, 3, 4, 6, 16)])
def test_other_writes_stay_an_illegal_function(function: int) -> None:
    """Exception 1, also where inputs are accepted: coils, masks, read and write at once."""
    assert Line().ask(bytes((function,)) + write6(BASE + 2, 0)[1:]) == bytes((function | 0x80, 1))


@pytest.mark.parametrize("request_", [write16(BASE, VALUE), write6(BASE + 2, 1), write6(BASE, 1)])
def test_a_server_that_does_not_accept_inputs_takes_no_write(request_: bytes) -> None:
    """Exception 1 as ever; the inputs can be read there."""
    line = Line(accepts=False)
    before = line.state()
    assert line.ask(request_) == bytes((request_[0] | 0x80, 1))
    assert answer(request_, IMAGE) == bytes((request_[0] | 0x80, 1))
    assert line.state() == before
    assert line.read(BASE + 2, 1) == b"\x00\x02"


def test_bits_have_no_inputs() -> None:
    """Functions 1 and 2 find nothing at these addresses."""
    for function in (1, 2):
        assert Line().ask(struct.pack(">BHH", function, BASE, 1)) == bytes((function | 0x80, 2))


def test_a_double_that_no_float32_is_near_is_shown_as_no_number() -> None:
    """It can come by OPC UA. Never another number."""
    line = Line()
    line.store.write("t10", 1e300, Trust.GOOD, 0.0, "opcua 192.0.2.9")
    (value,) = struct.unpack(">f", line.read(BASE, 2))
    assert math.isnan(value)


@given(st.sampled_from(list(Order)), st.floats(width=32), st.integers(0, 65_535))
def test_what_was_written_is_read_back(order: Order, value: float, quality: int) -> None:
    """Any four bytes that are a number, infinities included; a quality above 2 as 2."""
    line = Line(order)
    # In the server's order: put together otherwise, four bytes may be one of many NaNs.
    sent = reordered(struct.pack(">f", value), order)
    line.ask(write16(BASE + 8, sent + struct.pack(">H", quality)))
    back = line.read(BASE + 8, 3)
    if not math.isnan(value):
        assert back[:4] == sent
    assert int.from_bytes(back[4:], "big") == min(quality, 2)


@given(st.binary(min_size=1, max_size=253))
def test_random_requests_never_surprise(pdu: bytes) -> None:
    """Any request has an answer of its function, and nothing changes with an exception."""
    line = Line()
    before = line.state()
    sent = line.ask(pdu)
    assert sent[0] & 0x7F == pdu[0] & 0x7F
    if sent[0] & 0x80:
        assert line.state() == before

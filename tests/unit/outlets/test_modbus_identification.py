"""Device identification after V1.1b3, 6.21 (from memory), and by pymodbus's decoder."""

from __future__ import annotations

import pytest
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse

from edgeflash import __version__
from edgeflash.outlets.modbus_identification import OBJECTS
from edgeflash.outlets.modbus_image import RegisterImage
from edgeflash.outlets.modbus_protocol import answer

EMPTY = RegisterImage({}, {})
BASIC = {0: b"edgeflash", 1: b"edgeflash", 2: __version__.encode()}
NAME = {4: b"edgeflash, gateway for online flash point analyzers"}


def asked(code: int, first: int) -> bytes:
    """The answer to one request."""
    return answer(bytes((43, 14, code, first)), EMPTY)


@pytest.mark.parametrize(
    ("code", "first", "expected"),
    [
        (1, 0, BASIC),
        (1, 2, {2: BASIC[2]}),
        (2, 0, BASIC | NAME),
        (2, 4, NAME),
        (3, 0, BASIC | NAME),
        (4, 1, {1: BASIC[1]}),
        (4, 4, NAME),
        (1, 4, BASIC),  # not of this level: from the beginning
        (2, 200, BASIC | NAME),  # not there: from the beginning (6.21)
    ],
)
def test_objects(code: int, first: int, expected: dict[int, bytes]) -> None:
    """What pymodbus takes out of our bytes, and the head of the answer."""
    pdu = asked(code, first)
    assert pdu[:6] == bytes((43, 14, code, 0x82, 0, 0))
    assert pdu[6] == len(expected)
    read = ReadDeviceInformationResponse()
    read.decode(pdu[1:])
    assert read.information == expected
    assert len(pdu) <= 253


@pytest.mark.parametrize(
    ("request_", "code"),
    [
        ("2B0E0403", 2),  # one object that is not there
        ("2B0E0480", 2),
        ("2B0E0000", 3),  # no such code
        ("2B0E0500", 3),
        ("2B0E01", 3),  # too short, too long
        ("2B0E010000", 3),
        ("2B0D0100", 1),  # another type: CANopen
        ("2B", 1),
    ],
)
def test_refusals(request_: str, code: int) -> None:
    """Each with its exception."""
    assert answer(bytes.fromhex(request_), EMPTY) == bytes((0xAB, code))


def test_only_what_is_known_is_said() -> None:
    """The version is this software's; there is no URL, model or application name."""
    assert OBJECTS[2] == ("MajorMinorRevision", __version__)
    assert set(OBJECTS) == {0, 1, 2, 4}

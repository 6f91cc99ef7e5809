"""Who the server is: read device identification, function 43 with MEI type 14. Pure.

Source: Modbus application protocol V1.1b3, 6.21 (from memory). Only what is known to be true is
said: the name of this software and its version. Of the optional objects there is the product name,
so the conformity level is "regular", by stream and one by one.
"""

from __future__ import annotations

from edgeflash import __version__

ENCAPSULATED_INTERFACE = 43
READ_DEVICE_IDENTIFICATION = 14
CONFORMITY = 0x82
"""Regular identification, stream access and individual access."""

BASIC, REGULAR, EXTENDED, ONE = 1, 2, 3, 4
"""Read device ID codes: three levels by stream, and one object."""

OBJECTS: dict[int, tuple[str, str]] = {
    0: ("VendorName", "edgeflash"),
    1: ("ProductCode", "edgeflash"),
    2: ("MajorMinorRevision", __version__),
    4: ("ProductName", "edgeflash, gateway for online flash point analyzers"),
}
"""Name of each object in the protocol, and what it says here. Number 3, a URL, is left out."""

_LAST_OF_LEVEL = {BASIC: 0x02, REGULAR: 0x7F, EXTENDED: 0xFF}


class WrongObjectError(ValueError):
    """An object is asked for by its number that does not exist: exception 02."""


class WrongRequestError(ValueError):
    """The code, or the request's length, is none of the protocol's: exception 03."""


def identification(pdu: bytes) -> bytes:
    """The answer to a whole request of function 43, type 14.

    Every object fits one answer, so nothing ever follows. By stream, an unknown object number
    begins at the first again; one above the level asked for does too.
    Raises WrongObjectError and WrongRequestError.
    """
    if len(pdu) != 4:
        raise WrongRequestError("a request has four bytes")
    code, wanted = pdu[2], pdu[3]
    if code == ONE:
        if wanted not in OBJECTS:
            raise WrongObjectError(f"there is no object {wanted}")
        numbers = [wanted]
    elif code in _LAST_OF_LEVEL:
        level = [number for number in OBJECTS if number <= _LAST_OF_LEVEL[code]]
        first = wanted if wanted in level else 0
        numbers = [number for number in level if number >= first]
    else:
        raise WrongRequestError(f"there is no read device ID code {code}")
    head = bytes((*pdu[:3], CONFORMITY, 0, 0, len(numbers)))
    return head + b"".join(_object(number) for number in numbers)


def _object(number: int) -> bytes:
    text = OBJECTS[number][1].encode("ascii")
    return bytes((number, len(text))) + text

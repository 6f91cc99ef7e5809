"""The Modbus server as a page of the documentation, made from its declarations. Pure.

To refresh the page: `python -m edgeflash.outlets.modbus_page > docs/modbus.md`.
"""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.register_map import Order
from edgeflash.config.site import ModbusServer
from edgeflash.outlets.modbus_identification import CONFORMITY, OBJECTS
from edgeflash.outlets.modbus_inputs import FIRST_ADDRESS, LAST_ADDRESS, REGISTERS_EACH
from edgeflash.outlets.modbus_integers import (
    FINER,
    INT32_OFFSET,
    PARTS,
    PARTS_EACH,
    PARTS_OFFSET,
    USUAL_STEP,
    IntegerPlace,
    integer_place,
)
from edgeflash.outlets.modbus_layout import (
    GATEWAY_UNITS,
    INTEGER_REGISTERS,
    INTEGERS_AT,
    MOST_INTEGERS,
    MOST_ORDERS,
    ORDERS,
    ORDERS_AT,
    PATTERN_AT,
    PATTERN_REGISTERS,
    UNIT_INTEGERS_AT,
    UNIT_ORDERS_AT,
)
from edgeflash.outlets.modbus_pattern import SAMPLES, pattern_address
from edgeflash.outlets.modbus_protocol import EXCEPTIONS, MOST_BITS, MOST_REGISTERS
from edgeflash.outlets.modbus_server import IDLE_TIMEOUT_S
from edgeflash.outlets.point_rows import FIRST_DISCRETE_INPUT, FIRST_HOLDING_REGISTER
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE, Point, PointType
from edgeflash.rules.page import markdown_table
from edgeflash.status_bits import STATUS_BITS, unknown_word
from edgeflash.units import UNITS

_SERVER = ModbusServer()
_WORDS = {point.name: point for point in CATALOGUE if point.bits}
_EACH_ORDER = len(ORDERS) * BLOCK_REGISTERS

_INTRODUCTION = f"""\
# The Modbus server

Made from the declarations in the code; do not edit by hand. Refresh with
`python -m edgeflash.outlets.modbus_page > docs/modbus.md`. What each point means and where it
stands in its block: [published points](points.md). The list of a site, with every address:
`edgeflash points SITE`.

Addresses here count from 0, as they are sent. Where a control system counts from 1, add one; in
six-digit notation address 0 is holding register {FIRST_HOLDING_REGISTER}. Addresses are for ever.
**Never use a value without its quality**: read both in one request. One answer is always of one
instant; two answers may not be.\
"""

_LAYOUT = f"""\
Functions 3 and 4 read the same registers, at most {MOST_REGISTERS} in one request. Where the site
file says `unit_ids = "any"`, which is the default, every unit identifier is answered and reads the
same. n is the `number` of an analyzer.\
"""

_UNITS = f"""\
With `unit_ids = "per_analyzer"`, unit n is analyzer n. Its block begins at 0, its integers at
{UNIT_INTEGERS_AT}, its block in each order at {UNIT_ORDERS_AT}, {BLOCK_REGISTERS} registers each,
whatever its number; discrete inputs begin at 0. Inputs and test pattern are at the same addresses
in every unit. Units {" and ".join(map(str, sorted(GATEWAY_UNITS)))} are the gateway itself and have
inputs and test pattern only. Any other unit is answered with exception 0B.\
"""

_ORDERS = """\
Bytes A (highest) to D of a value of 32 bits; a value of 64 bits follows the same rule. Single
registers and text are never reordered. `order` in the site file is for the block at the start, for
the integers of 32 bits and for inputs.\
"""

_ORDER_MEANING = {
    Order.ABCD: "as it is",
    Order.CDAB: "registers reversed",
    Order.BADC: "bytes of each register swapped",
    Order.DCBA: "both",
}

_PATTERN = f"""\
To find the order without guessing, read the float at offset 2 of each block of the pattern. The
block that gives 123.456 has the order that your side decodes: set `order` to it, or read the block
of that order. When {pattern_address(None) + 2} gives 123.456, all is set right. Each block has
{PATTERN_REGISTERS} registers.\
"""

_INTEGERS = f"""\
For a point at offset r of the block of floats, the integer of 16 bits stands at r of the integers,
the one of 32 bits at {INT32_OFFSET} + r, in the server's order. Both are signed. Multiplied by its
step an integer is the value, in the unit of the server; the step of the 32 bits is
{10**FINER} times finer. Without a value, and also where a number does not fit, they read 8000 and
80000000 hexadecimal, which is -32768 and -2147483648: never another number. Codes, flags and words
of bits stand in both places as in the block of floats, text in none.

A time has at {INT32_OFFSET} + r its seconds since 1970-01-01 UTC as uint32, two registers on its
milliseconds, and its parts in UTC as single registers: {", ".join(PARTS)}.
The parts of the first time of the table begin at {PARTS_OFFSET}, of the next {PARTS_EACH} further.
Without a value they read all ones.\
"""

_BITS = f"""\
Functions 1 and 2 read the same bits, at most {MOST_BITS} in one request; they begin at the first
address of the analyzer's block. A flag's bit has the offset of its register. A bit that is not
declared reads 0. While nothing is known, before the first view or of an alarm, a bit reads what
would warn.\
"""

_WRITES = f"""\
Only inputs can be written: registers {FIRST_ADDRESS} to {LAST_ADDRESS}, {REGISTERS_EACH} for each
input, as [published points](points.md#inputs) has it. They need `accept_inputs = true`. Without
`allow_inputs` every client of the server may write them; with it, only these addresses, and to any
other client functions 6 and 16 are an illegal function.\
"""

_FUNCTIONS = (
    ("1, 2", "read bits", "served"),
    ("3, 4", "read registers", "served"),
    ("6, 16", "write registers", "inputs only, where the client may; else exception 01"),
    ("43 with type 14", "device identification", "served"),
    ("5, 15", "write coils", "exception 01: there is no input of one bit"),
    ("8", "diagnostics", "exception 01: it could silence or reset a server"),
    ("22", "mask write", "exception 01: half of a float is no value"),
    ("23", "write and read", "exception 01: a refusal would not say of which half"),
    ("all others", "", "exception 01"),
)

_EXCEPTIONS = """\
Checked in this order: rate of requests (06), unit (0B), function (01), quantity and length (03),
address (02).\
"""

_LIMITS = f"""\
Of each `[[modbus]]` table. A connection beyond a limit, or from an address that is not in `allow`,
is closed at once and told in the log. A connection without a complete request for
{IDLE_TIMEOUT_S:g} s is closed. A client over its rate gets exception 06, and is read from less
often for a moment; it is never disconnected for that. A client that does not take its answers is
not read from until it does.\
"""


def modbus_page() -> str:
    """The whole page, with a line feed at its end."""
    return "\n\n".join(_parts()) + "\n"


def _parts() -> Iterator[str]:
    yield _INTRODUCTION
    yield "## Where what is"
    yield _LAYOUT
    yield markdown_table(("First address", "Registers", "For", "What"), _layout_rows())
    yield "## A unit for each analyzer"
    yield _UNITS
    yield "## Orders"
    yield _ORDERS
    yield markdown_table(
        ("Order", "Sent as", "Meaning"),
        (
            (f"`{order}`", " ".join(order.value.upper()[i : i + 2] for i in (0, 2)), meaning)
            for order, meaning in _ORDER_MEANING.items()
        ),
    )
    yield "## Test pattern"
    yield _PATTERN
    yield markdown_table(
        ("Order", "First address"),
        (
            *((f"`{order}`", str(pattern_address(order))) for order in ORDERS),
            ("as `order` of the server", str(pattern_address(None))),
        ),
    )
    yield markdown_table(
        ("Offset", "Type", "Reads"), ((str(s.offset), s.type, s.shown) for s in SAMPLES)
    )
    yield "## Integers"
    yield _INTEGERS
    yield markdown_table(
        ("Point", "int16 at", "Step", "int32 at", "Step"),
        (row for point in CATALOGUE if (row := _integer_row(point))),
    )
    yield "Steps of 16 bits where a server has other units:"
    yield markdown_table(("Unit", "Usual step"), _step_rows())
    yield _coarser()
    yield "## Bits"
    yield _BITS
    yield markdown_table(("Offset", "Bit of the word", "Bit", "Meaning"), _bit_rows())
    yield from _words()
    yield "## Writing"
    yield _WRITES
    yield "## Functions"
    yield markdown_table(("Function", "What", "Answer"), _FUNCTIONS)
    yield "Device identification says, at conformity level " + f"{CONFORMITY:02X} hexadecimal:"
    yield markdown_table(
        ("Object", "Name", "Value"),
        ((str(number), *texts) for number, texts in OBJECTS.items() if number != 2),
    )
    yield f"Object 2, `{OBJECTS[2][0]}`, is the version of edgeflash."
    yield "## Exceptions"
    yield _EXCEPTIONS
    yield markdown_table(
        ("Code", "Name", "When"),
        ((f"{code:02X}", name, when) for code, (name, when) in EXCEPTIONS.items()),
    )
    yield "## Limits"
    yield _LIMITS
    yield markdown_table(("Key", "Default", "What"), _limit_rows())


def _layout_rows() -> Iterator[tuple[str, str, str, str]]:
    yield (
        f"(n - 1) × {BLOCK_REGISTERS}",
        str(BLOCK_REGISTERS),
        "every analyzer",
        "the block: every point, in the server's order",
    )
    yield (
        f"{INTEGERS_AT} + (n - 1) × {INTEGER_REGISTERS}",
        str(INTEGER_REGISTERS),
        f"n up to {MOST_INTEGERS}",
        "scaled integers",
    )
    yield (
        f"{FIRST_ADDRESS} + (i - 1) × {REGISTERS_EACH}",
        str(REGISTERS_EACH),
        "every input",
        "input `number` i, which may be written",
    )
    for place, order in enumerate(ORDERS):
        yield (
            f"{ORDERS_AT + place * BLOCK_REGISTERS} + (n - 1) × {_EACH_ORDER}",
            str(BLOCK_REGISTERS),
            f"n up to {MOST_ORDERS}",
            f"the block in the order `{order}`",
        )
    yield (
        str(PATTERN_AT),
        str(PATTERN_REGISTERS * (len(ORDERS) + 1)),
        "the server",
        "the test pattern in each order, then in the server's",
    )


def _integer_row(point: Point) -> tuple[str, ...] | None:
    place = integer_place(_SERVER, 1, point)
    if place is None:
        return None
    if place.seconds is not None:
        at = _offset(place.seconds)
        return (f"`{point.name}`", "", "", at, f"1 s; parts at {_offset(place.parts)}")
    return (
        f"`{point.name}`",
        _offset(place.int16),
        _step(point, place, place.step16),
        _offset(place.int32),
        _step(point, place, place.step32),
    )


def _offset(address: int | None) -> str:
    return "" if address is None else str(address - INTEGERS_AT)


def _step(point: Point, place: IntegerPlace, step: float) -> str:
    if point.type in (PointType.CODE, PointType.FLAG):
        return "as it is"
    return f"{step:g} {place.unit}".rstrip()


def _step_rows() -> Iterator[tuple[str, str]]:
    for name, power in USUAL_STEP.items():
        what = "differences, " if name.startswith("delta_") else ""
        yield f"{what}{UNITS[name].label}", f"{10.0**power:g}"


def _coarser() -> str:
    changed = [(p.name, p.scale) for p in CATALOGUE if p.scale]
    parts = (
        f"`{name}` {10 ** abs(scale)} times {'coarser' if scale > 0 else 'finer'}"
        for name, scale in changed
    )
    return f"Other than usual, in every unit: {', '.join(parts)}."


def _bit_rows() -> Iterator[tuple[str, str, str, str]]:
    for point in CATALOGUE:
        if point.type is PointType.FLAG:
            yield str(point.register), "", f"`{point.name}`", point.description
    for point in _WORDS.values():
        for bit in point.bits:
            what = f"`{point.name}` {bit.place}"
            yield str(point.bits_at + bit.place), what, f"`{bit.name}`", bit.meaning


def _words() -> Iterator[str]:
    status = _WORDS["status_bits"]
    names = ", ".join(f"`{p.name}` at offset {p.register}" for p in _WORDS.values())
    yield (
        f"The words are single registers: {names}, also as integers and by OPC UA. Bit 0 is the "
        "lowest. In `status_bits` exactly one of the first three bits is set. Before the first "
        f"view it reads {unknown_word(STATUS_BITS)}. In six-digit notation "
        f"`{STATUS_BITS[0].name}` of analyzer 1 is discrete input "
        f"{FIRST_DISCRETE_INPUT + status.bits_at}."
    )


def _limit_rows() -> Iterator[tuple[str, str, str]]:
    s = _SERVER
    yield "`allow`", "everyone", "client addresses and networks that may connect and read"
    yield "`allow_inputs`", "those of `allow`", "of these, the ones that may write inputs"
    yield "`max_connections`", str(s.max_connections), "clients at once"
    yield (
        "`max_connections_per_client`",
        str(s.max_connections_per_client),
        "of these, from one address (of IPv6 a network of 64 bits)",
    )
    yield (
        "`max_requests_per_s`",
        str(s.max_requests_per_s),
        "from one address; one second's worth at once",
    )


if __name__ == "__main__":
    print(modbus_page(), end="")

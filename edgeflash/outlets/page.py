"""The point catalogue and the quality table as a page of the documentation. Pure.

To refresh the page: `python -m edgeflash.outlets.page > docs/points.md`.
"""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.outlets.modbus_inputs import (
    AGE_OFFSET,
    AGE_UNKNOWN,
    FIRST_ADDRESS,
    QUALITY_NUMBERS,
    QUALITY_OFFSET,
    REGISTERS_EACH,
    VALUE_OFFSET,
    VALUE_REGISTERS,
)
from edgeflash.outlets.opcua_names import (
    AGE,
    INPUTS_ID,
    INPUTS_NAME,
    IS_GOOD,
    NAMESPACE_URI,
    ROOT_NAME,
    data_type,
    variable_type,
)
from edgeflash.outlets.point_rows import (
    FIRST_DISCRETE_INPUT,
    FIRST_HOLDING_REGISTER,
    FIRST_INPUT_REGISTER,
    quality_rows,
)
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE, Point, PointType
from edgeflash.rules.page import markdown_table
from edgeflash.status_bits import unknown_word
from edgeflash.units import INSIDE, Quantity

_INTRODUCTION = """\
# Published points

Made from the point catalogue in the code; do not edit by hand. Refresh with
`python -m edgeflash.outlets.page > docs/points.md`. The list of a site, with the node ids,
addresses and units of each of its analyzers, comes from `edgeflash points SITE`.

Names and register offsets are never changed and never used again. A new point takes registers
that were free.

Units and ranges here are the inside units. A site file may choose °F, and psi or mbar, for each
outlet; values, ranges and differences are then converted there.\
"""

_OPCUA = f"""\
Namespace `{NAMESPACE_URI}`. The node of point `P` of analyzer `A` is
`nsu={NAMESPACE_URI};s=A.P`, found under `Objects/{ROOT_NAME}/A/Title`. Every node of a point is
read only. A bad quality carries no value.\
"""

_FLAG = next(p for p in CATALOGUE if p.type is PointType.FLAG)

_MODBUS = f"""\
Analyzer `number` n owns the registers (n - 1) × {BLOCK_REGISTERS} to n × {BLOCK_REGISTERS} - 1,
counted from 0 as sent on the wire. A point stands at its offset within the block. The same
registers are read as input registers (function 4) and as holding registers (function 3). In
six-digit notation, counted from 1, offset 0 of analyzer 1 is input register
{FIRST_INPUT_REGISTER} and holding register {FIRST_HOLDING_REGISTER}. A flag is also a discrete
input (function 2) and a coil (function 1) at the address of its register: the flag
`{_FLAG.name}` of analyzer 1 is discrete input {FIRST_DISCRETE_INPUT + _FLAG.register}.

Here is the block of floats. Integers, every order side by side, a test pattern, single bits, a unit
for each analyzer, limits and exceptions: [Modbus server](modbus.md).

`order` in the site file sets the order of values that take several registers as a number. Single
registers and text are never reordered. Unused registers of a block read 0; addresses outside the
blocks of the site's analyzers and inputs give exception 2. A read that crosses the first or last
register of the inputs does too.\
"""

_INPUTS = f"""\
What the control system writes: predictions, blend shares, temperatures of a distillation, the
product's number. Declared in `[[inputs]]` of the site file, each with an `id`, a `number` n from 1
to 500, a `unit`, and where wanted `low`, `high` and `stale_s`. Nothing can be written until an
outlet says `accept_inputs = true`; then its clients may write these values and nothing else. An
input with a constant `value` is shown and cannot be written.

A value is good while its writer says so, it is a number from `low` to `high`, and it is not older
than `stale_s`. Whatever is written is kept, also what is not good: no older value goes on looking
good in its place. An input that was never written, also not since the last start of the gateway,
is treated as not there. A prediction can only make a cycle doubtful, never better. **The product's
number chooses the limit in force**: whoever can write it can lower the limit, so accept it only
where every client that can reach the port may decide that. Each change is logged with its source.

By Modbus, input n owns the {REGISTERS_EACH} holding registers from
{FIRST_ADDRESS} + (n - 1) × {REGISTERS_EACH}, counted from 0; in six-digit notation input 1 begins
at {FIRST_HOLDING_REGISTER + FIRST_ADDRESS}. Function 16 writes the value, or value and quality,
in one request; 6 or 16 the quality alone, which leaves the value as old as it is. A value alone
comes as good. Any other write gives exception 2, also half a value and several inputs at once; a
request that is wrong in itself gives 3. No number gives an exception for what it is.

By OPC UA, the value is `nsu={NAMESPACE_URI};s={INPUTS_ID}.ID`, found under
`Objects/{ROOT_NAME}/{INPUTS_NAME}/ID`: a Double, written with its status. Another type is refused
with BadTypeMismatch. A number outside `low` to `high` is taken and is not good.\
"""

_QUALITY_WORDS = ", ".join(f"{number} {trust}" for trust, number in QUALITY_NUMBERS.items())

_WIRE: dict[PointType, tuple[str, str]] = {
    PointType.FLOAT: ("float32", "NaN (7FC0 0000)"),
    PointType.INT: ("uint32", "all ones (4294967295)"),
    PointType.CODE: ("uint16", "all ones (65535)"),
    PointType.FLAG: ("uint16: 0 or 1", "all ones (65535); as a bit 1"),
    PointType.TIME: ("uint64: microseconds since 1970-01-01 UTC", "all ones"),
    PointType.TEXT: ("32 bytes of UTF-8, zero filled", "zeros"),
}


def points_page() -> str:
    """The whole page, with a line feed at its end."""
    return "\n\n".join(_parts()) + "\n"


def _parts() -> Iterator[str]:
    yield _INTRODUCTION
    yield "## Meaning"
    yield markdown_table(
        ("Point", "Meaning", "Unit", "Range", "Column of `results`"),
        ((f"`{p.name}`", p.description, _unit(p), _range(p), _column(p)) for p in CATALOGUE),
    )
    yield "## Codes"
    yield markdown_table(
        ("Point", "Codes"),
        (
            (f"`{p.name}`", ", ".join(f"{code} {text}" for code, text in enumerate(p.texts)))
            for p in CATALOGUE
            if p.texts
        ),
    )
    yield "## OPC UA"
    yield _OPCUA
    yield markdown_table(
        ("Point", "Title", "Type", "Data type"),
        ((f"`{p.name}`", p.title, variable_type(p), data_type(p)) for p in CATALOGUE),
    )
    yield "## Modbus"
    yield _MODBUS
    yield markdown_table(
        ("Offset", "Registers", "Point", "Encoding", "When there is no value"),
        (
            (str(p.register), str(p.registers), f"`{p.name}`", *_wire(p))
            for p in sorted(CATALOGUE, key=lambda point: point.register)
        ),
    )
    yield "## Inputs"
    yield _INPUTS
    yield markdown_table(
        ("Offset", "Registers", "OPC UA node", "What", "Encoding in registers"),
        (
            (
                str(VALUE_OFFSET),
                str(VALUE_REGISTERS),
                f"`{INPUTS_ID}.ID`",
                "value, in the unit of the input",
                "float32 in the server's order; NaN when there is none",
            ),
            (
                str(QUALITY_OFFSET),
                "1",
                "status of the value",
                "quality, as its writer says",
                f"uint16: {_QUALITY_WORDS}; any other number counts as bad",
            ),
            (
                str(AGE_OFFSET),
                "1",
                f"`{INPUTS_ID}.ID.{AGE}`",
                "whole seconds since the value came, read only",
                f"uint16; {AGE_UNKNOWN} when older or not known",
            ),
            ("", "", f"`{INPUTS_ID}.ID.{IS_GOOD}`", "whether it may be used, read only", ""),
        ),
    )
    yield "## Quality"
    yield (
        "One quality, spelled by each outlet. The Modbus number stands in the point `quality`: "
        "0 is good, 1 to 9 uncertain, 10 and above bad, so below 10 there is a value."
    )
    yield markdown_table(
        ("Modbus", "OPC UA status", "Code", "Trust", "Meaning"),
        (
            (str(q.modbus), q.opcua_name, f"`{q.opcua_code}`", q.trust, q.meaning)
            for q in quality_rows()
        ),
    )


def _wire(point: Point) -> tuple[str, str]:
    encoding, without = _WIRE[point.type]
    return (
        (encoding, f"{unknown_word(point.bits)}, bit by bit") if point.bits else (encoding, without)
    )


def _unit(point: Point) -> str:
    return "" if point.quantity is Quantity.NONE else INSIDE[point.quantity].label


def _range(point: Point) -> str:
    if point.low is None or point.high is None:
        return ""
    return f"{point.low:g} to {point.high:g} {_unit(point)}".rstrip()


def _column(point: Point) -> str:
    return "" if point.of_result is None else "yes"


if __name__ == "__main__":
    print(points_page(), end="")

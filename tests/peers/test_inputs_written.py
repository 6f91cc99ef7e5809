"""Independent clients write the inputs and read them back.

Peers: libmodbus (write_registers.c) and mbpoll over Modbus, node-opcua (write_nodes.js) over OPC
UA. 43 54 C0 00 is 212.75 in IEEE 754 single precision; names of the status codes as node-opcua has
them from the published list.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from edgeflash.config.register_map import Order
from edgeflash.inputs import InputStore
from edgeflash.outlets import ModbusOutlet
from edgeflash.outlets.opcua import OpcUaOutlet
from edgeflash.trust import Trust
from tests.peers.programs import node_modules
from tests.peers.running import HERE, compiled, output_of
from tests.unit.outlets import builders

ANALYZERS = (builders.analyzer(),)
SENT = {
    Order.ABCD: "4354,C000",
    Order.CDAB: "C000,4354",
    Order.BADC: "5443,00C0",
    Order.DCBA: "00C0,5443",
}


@pytest.fixture(scope="module")
def write_registers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The libmodbus client."""
    return compiled("write_registers.c", tmp_path_factory.mktemp("libmodbus"))


async def modbus_lines(
    store: InputStore, program: Path, *steps: str, order: Order = Order.ABCD, accept: bool = True
) -> list[str]:
    """What the libmodbus client prints of these steps."""
    server = builders.modbus(order=order, accept_inputs=accept)
    outlet = ModbusOutlet(server, ANALYZERS, inputs=store, mono_s=lambda: 0.0)
    await outlet.start()
    try:
        printed = await output_of(program, "127.0.0.1", str(outlet.port), *steps)
    finally:
        await outlet.stop()
    return printed.splitlines()


@pytest.mark.peer("gcc", "libmodbus")
@pytest.mark.parametrize("order", Order)
async def test_libmodbus_writes_a_value_and_its_quality(
    order: Order, write_registers: Path
) -> None:
    """In every order, together and apart, and reads back what it wrote."""
    store = InputStore(builders.INPUTS)
    sent = SENT[order]
    words = sent.replace(",", " ")
    lines = await modbus_lines(
        store,
        write_registers,
        *(f"50000={sent}", "50000?4", "50002:1", "50000?4", f"50000={sent},0002", "50000?4"),
        order=order,
    )
    assert lines == [
        *("ok", f"{words} 0000 0000"),
        *("ok", f"{words} 0001 0000"),
        *("ok", f"{words} 0002 0000"),
    ]
    written = store.written("t10")
    assert written is not None
    assert (written.value, written.trust) == (212.75, Trust.BAD)


@pytest.mark.peer("gcc", "libmodbus")
async def test_libmodbus_understands_the_refusals(write_registers: Path) -> None:
    """Exception 2 where the address is wrong for writing, 1 where nothing may be written."""
    store = InputStore(builders.INPUTS)
    steps = ("50000:4354", "50003:0", "50012=4354,C000", "50016=4354,C000", "0=4354,C000")
    lines = await modbus_lines(store, write_registers, *steps, "50000=4354,C000,0000,0000")
    assert lines == ["Illegal data address"] * 6
    lines = await modbus_lines(store, write_registers, *steps, accept=False)
    assert lines == ["Illegal function"] * 5
    assert [store.written(one.id) for one in builders.INPUTS] == [None] * 4


@pytest.mark.peer("mbpoll")
@pytest.mark.parametrize(("order", "more"), [(Order.ABCD, ["-B"]), (Order.CDAB, [])])
async def test_mbpoll_writes_the_float(order: Order, more: list[str]) -> None:
    """By function 16, in the two orders that it knows."""
    store = InputStore(builders.INPUTS)
    server = builders.modbus(order=order, accept_inputs=True)
    outlet = ModbusOutlet(server, ANALYZERS, inputs=store)
    await outlet.start()
    try:
        # -0: zero-based; -t 4:float: holding registers; a value after the host is written.
        how = ["-m", "tcp", "-0", "-t", "4:float", "-o", "10", "-p", str(outlet.port), *more]
        printed = await output_of("mbpoll", *how, "-r", "50000", "127.0.0.1", "212.75")
    finally:
        await outlet.stop()
    assert "Written 1 references." in printed
    written = store.written("t10")
    assert written is not None
    assert (written.value, written.trust) == (212.75, Trust.GOOD)


async def opcua_answers(
    outlet: OpcUaOutlet, writes: list[dict[str, Any]], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> list[dict[str, Any]]:
    """What node-opcua is answered, and what it then reads."""
    monkeypatch.setenv("NODE_PATH", str(node_modules()))
    monkeypatch.setenv("PKI_FOLDER", str(folder / "pki"))
    await outlet.start()
    try:
        await outlet.publish([])
        script = ["node", str(HERE / "write_nodes.js"), outlet.endpoint]
        printed = await output_of(*script, *(json.dumps(write) for write in writes))
    finally:
        await outlet.stop()
    return [json.loads(line) for line in printed.splitlines() if line.startswith("{")]


@pytest.mark.peer("node", "node-opcua")
async def test_node_opcua_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Good, uncertain, without a value, of another type, and where nothing may be written."""
    store = InputStore(builders.INPUTS)
    outlet = OpcUaOutlet(builders.opcua(accept_inputs=True), ANALYZERS, "Invented Bend", store)
    writes = [
        {"id": "inputs.t10", "type": "Double", "value": 212.75},
        {"id": "inputs.t10", "type": "Double", "value": 213.5, "status": "UncertainSubNormal"},
        {"id": "inputs.t10", "type": "Float", "value": 1.5},
        {"id": "inputs.grade", "value": None, "status": "BadSensorFailure"},
        {"id": "inputs.share-b", "type": "Double", "value": 1.0},
        {"id": "inputs.t10.is_good", "type": "Boolean", "value": True},
        {"id": "fp-101.flash_point_c", "type": "Double", "value": 1.0},
    ]
    answers = await opcua_answers(outlet, writes, tmp_path, monkeypatch)
    refused = "BadUserAccessDenied"
    assert [a["answer"] for a in answers] == [
        *("Good", "Good", "BadTypeMismatch", "Good"),
        *(refused, refused, refused),
    ]
    assert (answers[0]["value"], answers[0]["status"]) == (212.75, "Good")
    for uncertain in answers[1:3]:
        assert (uncertain["value"], uncertain["status"]) == (213.5, "UncertainSubNormal")
    assert answers[3]["status"] == "BadSensorFailure"
    assert answers[4]["value"] == 40.0
    assert answers[5]["value"] is False
    written, grade = store.written("t10"), store.written("grade")
    assert written is not None and grade is not None
    assert (written.value, written.trust) == (213.5, Trust.UNCERTAIN)
    assert grade.trust is Trust.BAD


@pytest.mark.peer("node", "node-opcua")
async def test_node_opcua_is_refused_where_inputs_are_not_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The service of writing is not there: its client ends with that error."""
    store = InputStore(builders.INPUTS)
    outlet = OpcUaOutlet(builders.opcua(), ANALYZERS, "Invented Bend", store)
    writes = [{"id": "inputs.t10", "type": "Double", "value": 212.75}]
    with pytest.raises(AssertionError, match="BadUserAccessDenied"):
        await opcua_answers(outlet, writes, tmp_path, monkeypatch)
    assert store.written("t10") is None

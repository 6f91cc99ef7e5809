"""The control system tells a running gateway the product, and is believed while it is sure.

Limits invented for the test; that a fuel is judged against its grade's minimum: common practice,
no source.
"""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
import structlog
from asyncua import Client, ua

from edgeflash.gateway.site import checked_site
from edgeflash.history import read_events
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import EventKind, InputReading, Result
from tests.integration.outlets.wire import Wire, frame
from tests.integration.test_gateway import plant, running
from tests.waiting import until

INPUTS = """
[products.jet]
minimum_c = 38.0
number = 7

[[inputs]]
id = "grade"
number = 1
low = 0
high = 20

[[inputs]]
id = "t10"
number = 2
unit = "degF"
"""


NOT_GOOD = "an input is not good"
ANALYZERS = 3
"""How many the demonstration has."""


def with_inputs(path: Path) -> Path:
    """The demonstration's site file with two inputs, which both outlets accept."""
    text = path.read_text("utf-8")
    text = text.replace("[opcua]\n", "[opcua]\naccept_inputs = true\n")
    text = text.replace("[[modbus]]\n", "[[modbus]]\naccept_inputs = true\n")
    text = text.replace('product = "gas-oil"\n', 'product = "gas-oil"\nproduct_input = "grade"\n')
    path.write_text(text + INPUTS, "utf-8")
    return path


def told(result: Result, name: str) -> InputReading | None:
    """What a result remembers of an input."""
    return next((reading for reading in result.inputs if reading.name == name), None)


@pytest.mark.slow
async def test_inputs_reach_the_judgement_and_the_log(tmp_path: Path) -> None:
    """By Modbus another product and its limit, by OPC UA 392 °F read as 200 °C; then not good."""
    results: list[Result] = []

    async def next_of(number: int) -> Result:
        """A result of a cycle that began to be judged from now on."""
        wanted = len(results) + number
        await until(lambda: len(results) >= wanted, 60.0)
        return results[-1]

    async with plant(tmp_path) as (_, path):
        site = checked_site(with_inputs(path))
        opcua, modbus = site.file.opcua, site.file.modbus[0]
        assert opcua is not None
        with structlog.testing.capture_logs() as lines:
            async with running(site, results):
                await until(lambda: len({r.cycle.analyzer for r in results}) == ANALYZERS, 60.0)
                before = results[-1]
                async with (
                    Wire(modbus.port) as wire,
                    Client(f"opc.tcp://{opcua.host}:{opcua.port}/edgeflash") as client,
                ):
                    wire.send(
                        frame(1, struct.pack(">BHHB", 16, 50_000, 2, 4) + struct.pack(">f", 7.0))
                    )
                    assert await wire.answer() == (1, struct.pack(">BHH", 16, 50_000, 2))
                    index = await client.get_namespace_index("urn:edgeflash:points")
                    node = client.get_node(f"ns={index};s=inputs.t10")
                    await node.write_value(ua.Variant(392.0, ua.VariantType.Double))
                    good = await next_of(3 * ANALYZERS)
                    wire.send(frame(2, struct.pack(">BHH", 6, 50_002, 2)))
                    assert (await wire.answer())[1][0] == 6
                    bad = await next_of(2)
                    # The log is written once a second.
                    await until(lambda: any(e["event"] == NOT_GOOD for e in lines), 30.0)
    assert (before.product, before.inputs) == ("gas-oil", ())
    # The first cycle of a product is still held to the limit of the other.
    own = [r for r in results if (r.cycle.analyzer, r.product) == (good.cycle.analyzer, "jet")]
    assert own[0].assessment.minimum_c == 55.0
    assert (good.product, good.assessment.minimum_c) == ("jet", 38.0)
    grade, t10 = told(good, "grade"), told(good, "t10")
    assert grade is not None and t10 is not None
    assert (grade.value, grade.is_good, t10.is_good) == (7.0, True, True)
    assert t10.value == pytest.approx(200.0)
    later = told(bad, "grade")
    assert later is not None and not later.is_good
    assert (bad.product, bad.assessment.minimum_c) == ("gas-oil", 55.0)
    with Journal.open(site.state_dir / JOURNAL_NAME) as journal:
        written = [e for e in journal.events() if e.kind is EventKind.INPUT_WRITTEN]
        # Each line of the record once in the history, with what may still be in the journal only.
        kept = read_events(site.history_dir, journal)
        lines_told = sorted((e.at, e.kind, e.text) for e in journal.events())
    rows = kept.select(["at", "kind", "text"]).to_pylist()
    assert sorted((r["at"], r["kind"], r["text"] or "") for r in rows) == lines_told
    assert [(e.subject, e.via, e.who, e.text) for e in written] == [
        ("grade", "modbus 127.0.0.1", "", "the product's number: none → 7")
    ]
    said = [(line["event"], line["input"], line["source"]) for line in lines if "input" in line]
    assert ("the product's number was written", "grade", "modbus 127.0.0.1") in said
    assert ("an input is good", "t10", "opcua 127.0.0.1") in said
    assert said.count((NOT_GOOD, "grade", "modbus 127.0.0.1")) == 1

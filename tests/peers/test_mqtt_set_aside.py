"""A result that a real broker finds too large, through the running gateway: told, listed, passed
by, and delivered when the broker takes it.

Peers: mosquitto with `message_size_limit`; pymodbus.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTcpClient

from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import Finding, Result, Severity
from tests.faults.processes import GatewayProcess, start_gateway
from tests.peers.broker import WAIT_S, Broker, Subscriber, broker, subscriber
from tests.peers.test_onward_alarms import ACTIVE, NORMAL, SITE, alarms, reading, shown, uint32
from tests.ports import free_port
from tests.unit.fleet.sites import MadeSite
from tests.unit.journal.samples import sample_result
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")

ALARM_SET_ASIDE, SET_ASIDE = 124, 150
"""Registers, as docs/points.md has them."""

LIMIT = "message_size_limit 20000"
LARGE, LAST = 3, 5


def large(result: Result) -> Result:
    """The same with so much to say that its message exceeds the limit."""
    text = "the analyzer has told its whole story once more. " * 20
    found = tuple(Finding(107, "clock_off", Severity.NOTE, text, 1.0, 2.0) for _ in range(40))
    return replace(result, findings=(*result.findings, *found))


def command(*words: str | Path) -> Any:
    """What `edgeflash` says, as JSON."""
    line = [sys.executable, "-m", "edgeflash", *map(str, words), "--json"]
    done = subprocess.run(line, capture_output=True, text=True, check=True, timeout=WAIT_S)
    return json.loads(done.stdout)


def numbers(listener: Subscriber) -> list[int]:
    """Cycles whose results were heard, in order, each once."""
    heard = (document["cycle_number"] for document in listener.documents("results"))
    return list(dict.fromkeys(heard))


class Plant:
    """A site whose third result is too large for its broker."""

    def __init__(self, folder: Path, server: Broker) -> None:
        self.made = MadeSite(folder, "Windmill Quay")
        results = [sample_result(n, "fp-1") for n in range(1, LAST + 1)]
        results[LARGE - 1] = large(results[LARGE - 1])
        self.large_id = results[LARGE - 1].id
        self.made.add(results)
        (folder / "share").mkdir()
        self.modbus = free_port()
        self.site = folder / "site.toml"
        text = SITE.format(
            store=folder / "share", broker=server.port, opcua=free_port(), modbus=self.modbus
        )
        text = text.replace("alarm_after_s = 10", "alarm_after_s = 600\nset_aside_after_s = 1")
        self.site.write_text(text, "utf-8")

    async def until_set_aside(self, gateway: GatewayProcess, listener: Subscriber) -> None:
        """All the others are at the broker, and this one is told in every way."""
        await until(lambda: set(numbers(listener)) >= {1, 2, 4, 5}, WAIT_S)
        async with reading(self.modbus) as client:
            block = await shown(client, lambda b: b[ALARM_SET_ASIDE] == ACTIVE)
            assert uint32(block, SET_ASIDE) == 1
        told = await asyncio.to_thread(alarms, self.site)
        assert self.large_id in told["mqtt_set_aside"]["why"]
        assert "Packet too large" in told["mqtt_set_aside"]["why"]
        (outlet,) = await asyncio.to_thread(command, "mqtt", "list", self.site)
        (message,) = outlet["messages"]
        assert (message["id"], message["code"], outlet["set_aside"]) == (self.large_id, 0x95, 1)
        assert LARGE not in numbers(listener)
        (line,) = (one for one in gateway.events() if "set aside; it is not" in str(one["event"]))
        assert (line["id"], line["level"]) == (self.large_id, "error")


@asynccontextmanager
async def reading_when_ready(
    plant: Plant, gateway: GatewayProcess
) -> AsyncIterator[AsyncModbusTcpClient]:
    """A Modbus client of a gateway that has just been started."""
    await asyncio.to_thread(gateway.wait_for, "gateway ready", WAIT_S)
    async with reading(plant.modbus) as client:
        yield client


async def without_limit(server: Broker) -> None:
    """The broker is mended."""
    await server.terminate()
    server.settings = ("allow_anonymous true",)
    await server.start()


async def test_too_large_until_the_broker_is_mended(tmp_path: Path) -> None:
    """An operator has it tried again; the event record tells who."""
    with broker(tmp_path / "broker", "allow_anonymous true", LIMIT) as server:
        await server.start()
        plant = Plant(tmp_path, server)
        with (
            subscriber(server.port, tmp_path / "heard") as listener,
            start_gateway(plant.site) as gateway,
        ):
            await plant.until_set_aside(gateway, listener)
            reply = await asyncio.to_thread(command, "mqtt", "retry", plant.site, "panel")
            assert reply["messages"] == 1
            await without_limit(server)
            with subscriber(server.port, tmp_path / "heard again") as mended:
                await asyncio.to_thread(command, "mqtt", "retry", plant.site, "panel")
                await until(lambda: LARGE in numbers(mended), WAIT_S)
                async with reading(plant.modbus) as client:
                    block = await shown(client, lambda b: b[ALARM_SET_ASIDE] == NORMAL)
                    assert uint32(block, SET_ASIDE) == 0
            assert gateway.terminate(timeout_s=WAIT_S) == 0
    with Journal.open_readonly(tmp_path / JOURNAL_NAME) as journal:
        kinds = [entry.kind.value for entry in journal.events()]
        tried = [entry for entry in journal.events() if entry.kind == "messages_tried_again"]
    assert kinds.count("message_set_aside") == kinds.count("message_delivered") == 1
    assert tried
    assert all(entry.who and entry.subject == "mqtt panel" for entry in tried)


async def test_killed_while_something_is_set_aside(tmp_path: Path) -> None:
    """Nothing is forgotten, and the next start tries it."""
    with broker(tmp_path / "broker", "allow_anonymous true", LIMIT) as server:
        await server.start()
        plant = Plant(tmp_path, server)
        with subscriber(server.port, tmp_path / "heard") as listener:
            with start_gateway(plant.site) as gateway:
                await plant.until_set_aside(gateway, listener)
                gateway.kill()
            with start_gateway(plant.site, 1) as gateway:
                async with reading_when_ready(plant, gateway) as client:
                    block = await shown(client, lambda b: uint32(b, SET_ASIDE) == 1)
                    assert block[ALARM_SET_ASIDE] == ACTIVE
                await without_limit(server)
                gateway.kill()
            with (
                subscriber(server.port, tmp_path / "heard again") as mended,
                start_gateway(plant.site, 2) as gateway,
            ):
                await until(lambda: LARGE in numbers(mended), WAIT_S)
                async with reading_when_ready(plant, gateway) as client:
                    await shown(client, lambda b: b[ALARM_SET_ASIDE] == NORMAL)


async def test_given_up(tmp_path: Path) -> None:
    """The alarm returns, and the broker never gets it."""
    with broker(tmp_path / "broker", "allow_anonymous true", LIMIT) as server:
        await server.start()
        plant = Plant(tmp_path, server)
        with (
            subscriber(server.port, tmp_path / "heard") as listener,
            start_gateway(plant.site) as gateway,
        ):
            await plant.until_set_aside(gateway, listener)
            reply = await asyncio.to_thread(command, "mqtt", "give-up", plant.site, "panel")
            assert reply["messages"] == 1
            async with reading(plant.modbus) as client:
                block = await shown(client, lambda b: b[ALARM_SET_ASIDE] == NORMAL)
                assert uint32(block, SET_ASIDE) == 0
            assert gateway.terminate(timeout_s=WAIT_S) == 0
    with Journal.open_readonly(tmp_path / JOURNAL_NAME) as journal:
        (given,) = (e for e in journal.events() if e.kind == "messages_given_up")
    assert plant.large_id in given.text

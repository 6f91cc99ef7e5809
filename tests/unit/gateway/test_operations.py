"""Who may do what to an analyzer, with real desks and a real journal."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from edgeflash.access import NEEDED_ROLE, NotAllowedError, Operation, UserRole, Who
from edgeflash.access import OperationRefusedError as Refused
from edgeflash.gateway.alarm_desk import AlarmDesk
from edgeflash.gateway.declared_desk import DeclaredDesk
from edgeflash.gateway.event_record import EventRecord
from edgeflash.gateway.operations import GatewayOperations
from edgeflash.gateway.operator_requests import OperatorRequests
from edgeflash.gateway.signal_desk import SignalDesk
from edgeflash.journal import Journal
from edgeflash.model import AlarmState, Declared, EventKind
from edgeflash.operations import Operations
from edgeflash.publication import Standing, TestSignal
from edgeflash.service import SYSTEM_CLOCK
from edgeflash.trust import Quality
from tests.simulated_line import bench_analyzer
from tests.unit.alarms.test_conditions import facts

LOW = "possible_low_flash"
SIGNAL = TestSignal(62.5, Quality.TEST)


@dataclass
class Served:
    """An analyzer without its link."""

    alarms: AlarmDesk
    declared: DeclaredDesk
    tests: SignalDesk
    standing: Standing

    def show_anew(self) -> None:
        """Nothing to show it to."""


@dataclass
class Bench:
    """Operations on one analyzer."""

    operations: GatewayOperations
    served: Served
    journal: Journal
    record: EventRecord

    def raise_alarm(self) -> None:
        """Evidence of a low flash point."""
        now, mono_s = SYSTEM_CLOCK.utc_now(), SYSTEM_CLOCK.mono_s()
        self.served.alarms.evaluate(facts(low_flash=True), now, mono_s)
        self.served.standing = Standing("kestrel-1", alarms=self.served.alarms.states)


@asynccontextmanager
async def bench(folder: Path) -> AsyncIterator[Bench]:
    """With its savers at work."""
    with Journal.open(folder / "journal.sqlite3") as journal:
        record = EventRecord(journal, SYSTEM_CLOCK.mono_s)
        now, mono_s, note = SYSTEM_CLOCK.utc_now(), SYSTEM_CLOCK.mono_s(), record.note
        served = Served(
            AlarmDesk(bench_analyzer(), journal, on_event=note),
            DeclaredDesk("kestrel-1", journal, now, mono_s, mono_s, note),
            SignalDesk("kestrel-1", note),
            Standing("kestrel-1"),
        )
        savers = (served.alarms.saver, served.declared.saver)
        work = [asyncio.create_task(s.save_for_ever()) for s in savers]
        work.append(asyncio.create_task(record.write_for_ever()))
        operations = GatewayOperations({"kestrel-1": served}, record, SYSTEM_CLOCK)
        try:
            yield Bench(operations, served, journal, record)
            await record.saved()
        finally:
            for task in work:
                task.cancel()
            await asyncio.wait(work)


def as_role(role: UserRole) -> Who:
    """Somebody of that role."""
    return Who(role.name.lower(), role, "opcua 192.0.2.7:50112")


Asked = Callable[[Operations, Who], Awaitable[object]]
ASKED: dict[Operation, Asked] = {
    Operation.ACKNOWLEDGE: lambda o, who: o.acknowledge("kestrel-1", LOW, who, "seen"),
    Operation.MAINTENANCE: lambda o, who: o.maintenance("kestrel-1", 5.0, who, "igniter"),
    Operation.CHECK_SAMPLE: lambda o, who: o.check_sample("kestrel-1", 5.0, who),
    Operation.TEST_SIGNAL: lambda o, who: o.test_signal(
        "kestrel-1", "flash_point_c", SIGNAL, 60.0, who
    ),
}


@pytest.mark.parametrize("role", list(UserRole))
@pytest.mark.parametrize("operation", list(Operation))
async def test_each_role_may_what_the_table_says(
    tmp_path: Path, operation: Operation, role: UserRole
) -> None:
    """Done and recorded, or refused and recorded, with name and way."""
    who = as_role(role)
    async with bench(tmp_path) as made:
        if operation is Operation.ACKNOWLEDGE:
            made.raise_alarm()
        if role >= NEEDED_ROLE[operation]:
            await ASKED[operation](made.operations, who)
            assert made.operations.is_recorded("kestrel-1")
        else:
            with pytest.raises(NotAllowedError):
                await ASKED[operation](made.operations, who)
        await made.record.saved()
        last = list(made.journal.events())[-1]
        is_done = last.kind is not EventKind.REFUSED
        assert is_done is (role >= NEEDED_ROLE[operation])
        assert (last.who, last.via, last.analyzer) == (who.name, who.via, "kestrel-1")
        mono_s = SYSTEM_CLOCK.mono_s()
        done = (
            made.served.alarms.states[LOW] is AlarmState.ACKNOWLEDGED,
            made.served.declared.running(mono_s) == (Declared.MAINTENANCE,),
            made.served.declared.running(mono_s) == (Declared.CHECK_SAMPLE,),
            dict(made.served.tests.shown(mono_s)) == {"flash_point_c": SIGNAL},
        )
        assert done == tuple(is_done and o is operation for o in Operation)


async def test_a_comment_is_recorded_by_whom(tmp_path: Path) -> None:
    """And changes nothing; an observer may not, which is recorded as well."""
    operator, observer = as_role(UserRole.OPERATOR), as_role(UserRole.OBSERVER)
    async with bench(tmp_path) as made:
        made.raise_alarm()
        await made.operations.comment("kestrel-1", LOW, operator, "sampled by hand")
        with pytest.raises(NotAllowedError):
            await made.operations.comment("kestrel-1", LOW, observer, "mine")
        await made.record.saved()
        said, refused = list(made.journal.events())[-2:]
        assert (said.kind, said.who, said.via) == (EventKind.COMMENT, "operator", operator.via)
        assert (said.subject, said.text) == (LOW, "sampled by hand")
        assert (refused.kind, refused.who) == (EventKind.REFUSED, "observer")
        assert made.served.alarms.states[LOW] is AlarmState.ACTIVE


async def test_no_test_where_it_could_hide_a_danger(tmp_path: Path) -> None:
    """Not while a high alarm is active; acknowledged, only its own points are closed."""
    engineer = as_role(UserRole.ENGINEER)
    async with bench(tmp_path) as made:
        made.raise_alarm()
        with pytest.raises(Refused, match="acknowledge it first"):
            await ASKED[Operation.TEST_SIGNAL](made.operations, engineer)
        await made.operations.acknowledge("kestrel-1", LOW, engineer)
        made.served.standing = Standing("kestrel-1", alarms=made.served.alarms.states)
        await ASKED[Operation.TEST_SIGNAL](made.operations, engineer)
        clear = TestSignal(0, Quality.GOOD)
        with pytest.raises(Refused, match="would hide it"):
            await made.operations.test_signal("kestrel-1", f"alarm_{LOW}", clear, 9.0, engineer)


async def test_ending_a_test_that_does_not_run_is_no_error(tmp_path: Path) -> None:
    """Whoever tidies up need not know what runs."""
    engineer = as_role(UserRole.ENGINEER)
    async with bench(tmp_path) as made:
        await made.operations.end_test("kestrel-1", None, engineer)
        await made.operations.end_test("kestrel-1", "stream", engineer)
        assert list(made.journal.events()) == []


async def test_a_failed_login_is_recorded(tmp_path: Path) -> None:
    """Who it claimed to be, and from where."""
    async with bench(tmp_path) as made:
        made.operations.login_failed("ole", "192.0.2.7:50112")
    with Journal.open_readonly(tmp_path / "journal.sqlite3") as reader:
        (entry,) = reader.events()
    assert (entry.kind, entry.who, entry.via) == (EventKind.LOGIN_FAILED, "ole", "192.0.2.7:50112")


@pytest.mark.parametrize("because", ["a\nb", "a" * 501, "\x1b[2J"])
async def test_a_reason_is_one_line(tmp_path: Path, because: str) -> None:
    """It is shown on terminals and pages."""
    async with bench(tmp_path) as made:
        with pytest.raises(Refused):
            await made.operations.maintenance("kestrel-1", 5.0, as_role(UserRole.OPERATOR), because)
        assert made.served.declared.running(SYSTEM_CLOCK.mono_s()) == ()


async def test_damage_is_taken_as_maintenance(tmp_path: Path) -> None:
    """Until a person ends it: what was declared may still hold."""
    operator = as_role(UserRole.OPERATOR)
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        journal.put_state("declared/kestrel-1", '[{"kind": "main')
    async with bench(tmp_path) as made:
        mono_s = SYSTEM_CLOCK.mono_s()
        assert made.served.declared.running(mono_s + 3600.0) == (Declared.MAINTENANCE,)
        await made.operations.maintenance("kestrel-1", None, operator, "looked")
        assert made.served.declared.running(SYSTEM_CLOCK.mono_s()) == ()
        kinds = [e.kind for e in made.journal.events()]
        assert kinds == [EventKind.MAINTENANCE_ON, EventKind.MAINTENANCE_OFF]


@pytest.mark.parametrize(
    ("point", "value", "allowed"),
    [
        ("quality", 0, False),
        ("quality", 6, True),
        ("quality", 41, True),
        ("status_bits", 1, False),
        ("status_bits", 1 + 128, True),
    ],
)
async def test_a_test_vouches_for_nothing_and_does_not_hide_itself(
    tmp_path: Path, point: str, value: int, allowed: bool
) -> None:
    """In Modbus `quality` says what the value beside it is worth, and the status word that a test
    runs: by their places in docs/modbus.md and docs/points.md, 0 is good and bit 7 the test's."""
    engineer = as_role(UserRole.ENGINEER)
    async with bench(tmp_path) as made:
        signal = TestSignal(value, Quality.TEST)
        asked = made.operations.test_signal("kestrel-1", point, signal, 60.0, engineer)
        if allowed:
            await asked
        else:
            with pytest.raises(Refused, match="a test must"):
                await asked
        assert bool(made.served.tests.shown(SYSTEM_CLOCK.mono_s())) is allowed
        await made.record.saved()
        (entry,) = made.journal.events()
        assert entry.kind is (EventKind.TEST_ON if allowed else EventKind.REFUSED)


@pytest.mark.parametrize("point", [None, ""])
async def test_no_point_named_at_the_socket_is_every_point(
    tmp_path: Path, point: str | None
) -> None:
    """As over OPC UA (docs/operations.md): an answer "ok" must not leave a test shown."""
    engineer = as_role(UserRole.ENGINEER)
    async with bench(tmp_path) as made:
        await ASKED[Operation.TEST_SIGNAL](made.operations, engineer)
        request = {"do": "end_test", "analyzer": "kestrel-1", "point": point}
        await OperatorRequests(made.operations).answer(request, engineer)
        assert made.served.tests.shown(SYSTEM_CLOCK.mono_s()) == {}

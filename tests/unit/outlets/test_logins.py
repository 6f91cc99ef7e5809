"""Log-ins: slower after failures, few at once, the same for unknown names, recorded cleanly."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from edgeflash.access import UserRole
from edgeflash.outlets import logins
from edgeflash.outlets.logins import LogIns, Places, Throttle
from edgeflash.service.users import UserFile
from tests.waiting import until

PASSWORD = "correct horse battery"
HERE, THERE = "192.0.2.1", "192.0.2.2"


class Clock:
    """Time that passes only when somebody waits for it."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.waits: list[float] = []

    def __call__(self) -> float:
        return self.now_s

    async def sleep(self, seconds: float) -> None:
        """Passes that time at once."""
        self.waits.append(seconds)
        self.now_s += seconds


def test_the_first_attempt_never_waits() -> None:
    """Nor do a thousand successful ones."""
    throttle = Throttle()
    assert throttle.wait_s("olive", HERE, 0.0) == 0.0
    for _ in range(1000):
        throttle.succeeded("olive")
        assert throttle.wait_s("olive", HERE, 0.0) == 0.0


def test_the_wait_doubles_up_to_a_limit() -> None:
    """0.5, 1, 2, 4, 8, 8 s for an address that tries one name after another."""
    throttle, now_s, waits = Throttle(), 0.0, []
    for attempt in range(7):
        wait_s = throttle.wait_s(f"name-{attempt}", HERE, now_s)
        assert wait_s is not None
        waits.append(wait_s)
        now_s += wait_s
        throttle.failed(f"name-{attempt}", HERE, now_s)
    assert waits == [0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 8.0]


def test_a_name_waits_for_failures_from_elsewhere_but_is_never_locked_out() -> None:
    """Who knows a name can slow its owner down, by 4 s at most, and not keep the owner out."""
    throttle = Throttle()
    for attempt in range(50):
        throttle.failed("olive", f"198.51.100.{attempt}", 10.0)
    waits = [throttle.wait_s("olive", f"203.0.113.{n}", 10.0) for n in range(50)]
    assert waits[0] == 4.0
    assert all(wait_s is not None and wait_s <= 4.0 for wait_s in waits)
    assert throttle.wait_s("oscar", HERE, 10.0) == 0.0


def test_attempts_side_by_side_take_turns_and_are_then_refused() -> None:
    """Ten at a time from one address gain nothing: each waits behind the one before."""
    throttle = Throttle()
    for _ in range(4):
        throttle.failed("olive", HERE, 0.0)
    waits = [throttle.wait_s(f"name-{n}", HERE, 0.0) for n in range(10)]
    assert waits[:2] == [4.0, 8.0]
    assert waits[2:] == [None] * 8
    assert throttle.wait_s("oscar", THERE, 0.0) == 0.0


def test_a_success_forgives_the_name_and_not_the_address() -> None:
    """Else one known password would let an address guess others for ever."""
    throttle = Throttle()
    throttle.failed("olive", HERE, 0.0)
    throttle.succeeded("olive")
    assert throttle.wait_s("olive", THERE, 0.0) == 0.0
    assert throttle.wait_s("olive", HERE, 0.0) == 0.5


def test_failures_are_forgotten_in_time() -> None:
    """After 15 minutes without one."""
    throttle = Throttle()
    throttle.failed("olive", HERE, 0.0)
    assert throttle.wait_s("olive", HERE, logins.FORGOTTEN_S) == 0.0


def test_memory_is_bounded() -> None:
    """However many names and addresses are tried; the newest count."""
    throttle = Throttle()
    for n in range(10_000):
        throttle.failed(f"name-{n}", f"peer-{n}", 0.0)
    assert len(throttle) <= 2 * logins.MOST_KEPT
    assert throttle.wait_s("another", "peer-9999", 0.0) == 0.5


@pytest.fixture(scope="module")
def users(tmp_path_factory: pytest.TempPathFactory) -> UserFile:
    """One operator."""
    file = UserFile(tmp_path_factory.mktemp("users") / "users.json")
    file.add("olive", UserRole.OPERATOR, PASSWORD)
    return file


async def test_right_and_wrong(users: UserFile) -> None:
    """The role, or None and a record with the claimed name and the address."""
    failed: list[tuple[str, str]] = []
    clock = Clock()
    log_ins = LogIns(users, clock, lambda user, peer: failed.append((user, peer)), clock.sleep)
    assert await log_ins.log_in("olive", PASSWORD, HERE) is UserRole.OPERATOR
    assert failed == []
    assert await log_ins.log_in("olive", "wrong", HERE) is None
    assert await log_ins.log_in("nobody-known", PASSWORD, HERE) is None
    assert failed == [("olive", HERE), ("nobody-known", HERE)]
    assert clock.waits == [0.5]
    assert await log_ins.log_in("olive", PASSWORD, HERE) is UserRole.OPERATOR
    assert clock.waits == [0.5, 1.0]


async def test_a_name_cannot_write_into_the_log(users: UserFile) -> None:
    """Control characters (line feed, escape, right-to-left override) and length are taken out."""
    seen: list[str] = []
    log_ins = LogIns(users, Clock(), lambda user, _: seen.append(user))
    with capture_logs() as lines:
        await log_ins.log_in("a\nlogin ok\x1b[2J\u202e" + "x" * 10_000, PASSWORD, HERE)
    (line,) = [line for line in lines if line["event"] == "login_failed"]
    assert line["log_level"] == "warning"
    assert line["user"] == seen[0]
    assert line["user"].startswith("a?login ok?[2J?xxx")
    assert len(line["user"]) == 64
    assert PASSWORD not in str(lines)


class Slow(UserFile):
    """Verifies when told to, and counts how many do at once."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.go = threading.Event()
        self.at_once = self.most = 0
        self.counting = threading.Lock()

    def verify(self, name: str, password: str) -> UserRole | None:
        with self.counting:
            self.at_once += 1
            self.most = max(self.most, self.at_once)
        self.go.wait(30.0)
        with self.counting:
            self.at_once -= 1
        return UserRole.OBSERVER


async def test_few_are_verified_at_once_and_the_loop_goes_on(tmp_path: Path) -> None:
    """Two at a time; four of one address may wait, the others are refused at once."""
    slow = Slow(tmp_path / "users.json")
    log_ins = LogIns(slow, Clock())
    tasks = [asyncio.create_task(log_ins.log_in(f"n{n}", "p", HERE)) for n in range(10)]
    tasks += [asyncio.create_task(log_ins.log_in("n", "p", THERE))]
    # The loop turns while passwords are being verified, else this would never be true.
    await until(lambda: sum(t.done() for t in tasks) == 6 and slow.most == 2, timeout_s=30.0)
    slow.go.set()
    roles = await asyncio.gather(*tasks)
    assert roles == [UserRole.OBSERVER] * 4 + [None] * 6 + [UserRole.OBSERVER]
    assert slow.most == logins.MOST_AT_ONCE


class Held(Clock):
    """Time stands; who waits for it waits until told."""

    def __init__(self) -> None:
        super().__init__()
        self.go = asyncio.Event()

    async def sleep(self, seconds: float) -> None:
        """Waits."""
        self.waits.append(seconds)
        await self.go.wait()


@pytest.mark.parametrize("guessers", [4, logins.MOST_WAITING])
async def test_guessers_that_fill_all_places_keep_nobody_else_out(
    users: UserFile, guessers: int
) -> None:
    """Few addresses with their whole share each, or many with one: each delayed for seconds."""
    clock = Held()
    log_ins = LogIns(users, clock, sleep=clock.sleep)
    peers = [f"198.51.100.{n}" for n in range(guessers)]
    for peer in peers:
        log_ins._throttle.failed("nobody", peer, clock.now_s)
    each = logins.MOST_WAITING // guessers
    held = [asyncio.create_task(log_ins.log_in("nobody", "p", p)) for p in peers * each]
    await until(lambda: len(clock.waits) == logins.MOST_WAITING, timeout_s=30.0)
    assert await log_ins.log_in("olive", PASSWORD, HERE) is UserRole.OPERATOR
    clock.go.set()
    assert await asyncio.gather(*held) == [None] * logins.MOST_WAITING
    assert len(log_ins._places) == 0


def test_who_has_most_places_makes_room() -> None:
    """The newest of the address with most; nobody for one that would then have most itself."""
    places = Places()
    held = {peer: [places.take(peer, False) for _ in range(4)] for peer in "abcd"}
    assert places.take("a", False) is None
    new = [places.take("e", True) for _ in range(4)]
    assert [place is not None for place in new] == [True, True, True, False]
    lost = {peer: [place.lost for place in taken if place] for peer, taken in held.items()}
    assert all(taken[:3] == [False] * 3 for taken in lost.values())
    assert sum(taken[3] for taken in lost.values()) == 3
    assert len(places) == logins.MOST_WAITING


async def test_an_unreadable_file_lets_nobody_in(tmp_path: Path) -> None:
    """And says so, instead of failing."""
    (tmp_path / "users.json").write_text("{")
    log_ins = LogIns(UserFile(tmp_path / "users.json"), Clock())
    with capture_logs() as lines:
        assert await log_ins.log_in("olive", PASSWORD, HERE) is None
    assert [line["event"] for line in lines] == ["users_unreadable", "login_failed"]

"""The age of a result by its source's time stamp.

What a source time may mean: OPC 10000-4, 7.11 (from memory): it should be of the last change, and a
value that did not change keeps it. Clocks far off, and results that come in a burst after a break
between server and device: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import pytest

from edgeflash.cycles.assembler import Assembler
from edgeflash.cycles.source_time import LATE_S
from edgeflash.model import Cycle, CycleBody, Role, Scalar, Scan

START = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
SPAN = (0, 65_535)
CYCLE_S = 170.0
HOUR_S = 3600.0


def at(second: float) -> datetime:
    """UTC at a second of the test's clock."""
    return START + timedelta(seconds=second)


def zero(behind_s: float = 0.0) -> float:
    """Of a clock so far behind: the test's clock is 0 at START."""
    return behind_s - START.timestamp()


class Server:
    """What a server shows, whose device stamps changes by a clock behind_s behind.

    Values that do not change keep their stamp for ever.
    """

    def __init__(self, behind_s: float = 0.0, server_behind_s: float | None = 0.0) -> None:
        self.behind_s = behind_s
        self.server_zero = None if server_behind_s is None else zero(server_behind_s)
        self._shown: dict[Role, tuple[Scalar, datetime]] = {}

    def scan(
        self, second: float, number: int | None = None, age_s: float = 0.0, **live: Scalar
    ) -> Scan:
        """A reading; number: of a result that is new in it, made age_s before."""
        for role, value in ((Role(name), value) for name, value in live.items()):
            if role not in self._shown or self._shown[role][0] != value:
                self._shown[role] = (value, at(second - self.behind_s))
        body = None
        if number is not None:
            stamp = at(second - age_s - self.behind_s)
            body = CycleBody(
                number,
                {Role.CYCLE_NUMBER: number, Role.FLASH_POINT: 62.0},
                source_times={Role.CYCLE_NUMBER: stamp, Role.FLASH_POINT: at(-9 * HOUR_S)},
            )
        return Scan(
            "kestrel-1",
            at(second),
            second,
            {role: value for role, (value, _) in self._shown.items()},
            body,
            source_times={role: stamp for role, (_, stamp) in self._shown.items()},
            server_zero_mono_s=self.server_zero,
        )


def ages(scans: Iterable[Scan]) -> list[tuple[float, bool]]:
    """How old each result is found to be, and whether its time counts as known."""
    assembler, found = Assembler("kestrel-1", SPAN), []
    for scan in scans:
        for cycle in assembler.take(scan):
            found.append(((scan.taken_at - cycle.finished_at).total_seconds(), _known(cycle)))
    return found


def _known(cycle: Cycle) -> bool:
    return cycle.is_time_known


def running(server: Server, first: int, begin_s: float, results: int, **live: Scalar) -> list[Scan]:
    """Results that are seen to appear one after another, each 1 s before the reading."""
    scans = []
    for n in range(results):
        now_s = begin_s + n * CYCLE_S
        scans += [server.scan(now_s - 2.0, **live), server.scan(now_s, first + n, 1.0, **live)]
    return scans


@pytest.mark.parametrize("server_behind_s", [0.0, -HOUR_S, 5 * HOUR_S])
def test_a_result_that_is_found_is_as_old_as_its_stamp(server_behind_s: float) -> None:
    """By the server's clock, whatever it shows. Its flash point, ever the same, says nothing."""
    server = Server(server_behind_s, server_behind_s)
    assert ages([server.scan(0.0, 7, 4 * HOUR_S)]) == [(4 * HOUR_S, False)]
    assert ages([server.scan(0.0, 7, 2.0)]) == [(2.0, False)]


def test_a_server_that_does_not_tell_its_time() -> None:
    """The gateway's wall clock takes its place."""
    server = Server(server_behind_s=None)
    assert ages([server.scan(0.0, 7, 4 * HOUR_S)]) == [(4 * HOUR_S, False)]


def test_steady_values_of_a_server_that_stamps_changes_are_never_old() -> None:
    """A shift without a change of anything but the number: every result is fresh."""
    steady: dict[str, Scalar] = {"sample_flow": 60.0, "barometric_pressure": 101.3, "stream": 1}
    found = ages(running(Server(), 1, 100.0, 170, **steady))
    assert found[1:] == [(0.0, True)] * 169


def test_results_that_come_late_are_as_old_as_they_are() -> None:
    """Four hours without news, then all in a few seconds; then as before."""
    server = Server()
    scans = running(server, 1, 100.0, 3)
    scans += [server.scan(500.0 + 2.0 * n) for n in range(7200)]
    late_s = [4 * HOUR_S - CYCLE_S * n for n in range(60)]
    begin_s = scans[-1].taken_mono_s + 2.0
    scans += [server.scan(begin_s + 2 * n, 4 + n, age_s) for n, age_s in enumerate(late_s)]
    scans += running(server, 64, begin_s + 500.0, 3)
    found = ages(scans)
    old = [pair for pair, age_s in zip(found[3:63], late_s, strict=True) if age_s > LATE_S + 5]
    assert len(old) > 55
    # A clock may have lost a little in four hours; so much is not counted.
    assert [age for age, _ in old] == pytest.approx(late_s[: len(old)], abs=20.0)
    assert not any(known for _, known in old)
    assert found[64:] == [(0.0, True)] * 2


@pytest.mark.parametrize("behind_s", [5 * HOUR_S, -5 * HOUR_S])
def test_a_devices_clock_that_is_wrong_makes_nothing_old_for_long(behind_s: float) -> None:
    """Two results show how wrong it is; one, when other values have shown it before."""
    found = ages(running(Server(behind_s), 1, 100.0, 10))
    assert found[3:] == [(0.0, True)] * 7
    server = Server(behind_s)
    scans = [server.scan(float(n), alive=n) for n in range(90)]
    scans += running(server, 1, 95.0, 5)
    assert ages(scans) == [(0.0, True)] * 5


def test_a_devices_clock_that_is_set_back_while_it_is_seen() -> None:
    """As where a clock shows local time and summer ends."""
    server = Server()
    scans: list[Scan] = []
    for n in range(2000):
        if n == 1000:
            server.behind_s = HOUR_S
        scans.append(server.scan(float(n), 1 + n // 200 if n % 200 == 199 else None, 0.5, alive=n))
    assert ages(scans) == [(0.0, True)] * 10


def test_slow_polling_makes_nothing_late() -> None:
    """Read every 20 minutes, a result may have stood for all of them when it is first seen."""
    server, assembler, found = Server(), Assembler("kestrel-1", SPAN, watched_gap_s=3601.0), []
    for n in range(50):
        age_s = (n * 613) % 1200 + 1.0
        (cycle,) = assembler.take(server.scan(1200.0 * n, n, age_s))
        found.append(cycle.is_time_known)
    assert found[1:] == [True] * 49


def test_a_stamp_that_never_moves_tells_nothing() -> None:
    """As of a server that stamps its nodes when it starts, and never again."""
    scans, stamp = [], at(-100 * HOUR_S)
    for n in range(10):
        body = CycleBody(n, {Role.CYCLE_NUMBER: n}, source_times={Role.CYCLE_NUMBER: stamp})
        scans += [
            Scan("kestrel-1", at(CYCLE_S * n - 1), CYCLE_S * n - 1, {}),
            Scan("kestrel-1", at(CYCLE_S * n), CYCLE_S * n, {}, body),
        ]
    assert ages(scans)[1:] == [(0.0, True)] * 9


def test_our_own_wall_clock_makes_nothing_old() -> None:
    """Set a day forward between two results."""
    server, scans = Server(server_behind_s=None), []
    for number, scan in enumerate(running(server, 1, 100.0, 6)):
        moved = timedelta(days=1) if number >= 6 else timedelta(0)
        scans.append(
            Scan(
                scan.analyzer,
                scan.taken_at + moved,
                scan.taken_mono_s,
                scan.live,
                scan.body,
                source_times=scan.source_times,
            )
        )
    assert ages(scans)[1:] == [(0.0, True)] * 5


def test_what_was_seen_before_a_late_result_is_not_its_own() -> None:
    """Its flow and phases were those of another time; how long it took is not known."""
    server = Server()
    scans = running(server, 1, 100.0, 3, sample_flow=60.0)
    scans += [server.scan(2000.0, sample_flow=60.0), server.scan(2001.0, 4, HOUR_S)]
    *_, before, late = (c for a in [Assembler("kestrel-1", SPAN)] for s in scans for c in a.take(s))
    assert before.spans and before.duration_s == CYCLE_S
    assert (dict(late.spans), late.duration_s) == ({}, None)

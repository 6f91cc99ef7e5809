"""What the service unit promises, read as systemd reads it.

systemd's own opinion of the file is asked in tests/peers/test_systemd_analyze.py. Names and
meaning of the settings: manual pages systemd.service(5), systemd.exec(5), systemd.unit(5).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from edgeflash.service import ServiceManager

UNIT = Path(__file__).parents[2] / "deploy" / "edgeflash.service"


@pytest.fixture(scope="module")
def settings() -> dict[str, list[str]]:
    """Every `[Section]Key` with its values in file order."""
    section, found = "", dict[str, list[str]]()
    for line in UNIT.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            section = line
        elif line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(section + key, []).append(value)
    return found


def test_it_runs_the_gateway_on_the_site_file(settings: dict[str, list[str]]) -> None:
    """One command, with the site file where an administrator looks for it."""
    (command,) = settings["[Service]ExecStart"]
    assert command.split() == ["/opt/edgeflash/bin/edgeflash", "run", "/etc/edgeflash/site.toml"]


def test_it_comes_back_whatever_ends_it(settings: dict[str, list[str]]) -> None:
    """Always restarted, without a limit of starts, after a pause that spares the machine."""
    assert settings["[Service]Restart"] == ["always"]
    assert settings["[Unit]StartLimitIntervalSec"] == ["0"]
    assert 1 <= int(settings["[Service]RestartSec"][0]) <= 30


def test_readiness_and_the_watchdog_come_from_the_process_itself(
    settings: dict[str, list[str]],
) -> None:
    """Type=notify, and a watchdog interval that the pulse of ServiceManager fits into twice."""
    assert settings["[Service]Type"] == ["notify"]
    assert settings["[Service]NotifyAccess"] == ["main"]
    watchdog_s = int(settings["[Service]WatchdogSec"][0])
    environment = {"WATCHDOG_USEC": str(watchdog_s * 1_000_000)}
    pulse_s = ServiceManager.from_environment(environment).watchdog_period_s
    assert pulse_s is not None
    assert 2 * pulse_s < watchdog_s


def test_time_to_finish_is_given_but_limited(settings: dict[str, list[str]]) -> None:
    """Long enough to close the journal and the outlets, short of the 90 s default."""
    assert 10 <= int(settings["[Service]TimeoutStopSec"][0]) <= 30


def test_it_starts_after_the_network_and_the_time(settings: dict[str, list[str]]) -> None:
    """Timestamps before the first time synchronisation may be years off."""
    (after,) = settings["[Unit]After"]
    assert set(after.split()) == {"network-online.target", "time-sync.target"}
    # After= orders only; without Wants= nothing would bring the network up.
    assert settings["[Unit]Wants"] == ["network-online.target"]


def test_it_can_write_its_state_folder_and_nothing_else(settings: dict[str, list[str]]) -> None:
    """The file system is read-only but for the state folder, which others cannot enter."""
    assert settings["[Service]ProtectSystem"] == ["strict"]
    assert settings["[Service]StateDirectory"] == ["edgeflash"]
    assert settings["[Service]StateDirectoryMode"] == ["0750"]
    assert "[Service]ReadWritePaths" not in settings


def test_it_has_no_privilege(settings: dict[str, list[str]]) -> None:
    """Its own user, no capability, and no way to gain one."""
    assert settings["[Service]User"] == ["edgeflash"]
    assert settings["[Service]CapabilityBoundingSet"] == [""]
    assert settings["[Service]AmbientCapabilities"] == [""]
    assert settings["[Service]NoNewPrivileges"] == ["yes"]


def test_it_may_use_the_sockets_it_needs(settings: dict[str, list[str]]) -> None:
    """TCP for links and outlets, AF_UNIX for the notification; nothing else."""
    (families,) = settings["[Service]RestrictAddressFamilies"]
    assert set(families.split()) == {"AF_INET", "AF_INET6", "AF_UNIX"}

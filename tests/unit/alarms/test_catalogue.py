"""The alarms' promises to those who have mapped them, and the site file's say in them."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from edgeflash.alarms.catalogue import ALARMS, SiteParts, in_force
from edgeflash.alarms.page import alarms_page
from edgeflash.config.site import Input
from edgeflash.errors import ConfigurationError
from edgeflash.gateway.site import checked_site
from edgeflash.model import AlarmState
from edgeflash.points import ALARM_TEXTS, CATALOGUE
from edgeflash.publication import Standing
from edgeflash.trust import Quality
from tests.simulated_line import bench_analyzer
from tests.unit.outlets.builders import standing_of, view_of

ORDER = (
    "possible_low_flash",
    "below_limit",
    "unavailable",
    "verification_overdue",
    "history_shortage",
    "clock",
    "control_system_silent",
    "mqtt_away",
    "mqtt_set_aside",
    "shipping_behind",
)
HEARTBEAT = Input(id="alive", number=1, heartbeat=True)
ALL_MAY_BE = {"verification": {"reference_c": 62.0, "sd_c": 0.7}}


def test_no_alarm_ever_moves() -> None:
    """Code and name stay; lines are added here, never changed."""
    assert tuple((alarm.code, alarm.name) for alarm in ALARMS) == tuple(enumerate(ORDER))


def test_states_have_their_codes_for_ever() -> None:
    """The number in the register."""
    assert ALARM_TEXTS == ("normal", "active", "acknowledged", "returned")


def test_a_danger_is_raised_at_once_and_waits_for_a_person() -> None:
    """Whatever the site file says, the alarm for danger has no on-delay and is latched."""
    alarm = in_force(
        bench_analyzer(
            alarms={"possible_low_flash": {"enabled": False, "because": "x", "on_delay_s": 60.0}}
        )
    )[0]
    assert (alarm.name, alarm.on_delay_s, alarm.is_latched) == ("possible_low_flash", 0.0, True)


def test_what_an_analyzer_can_have() -> None:
    """An alarm that makes no sense for an analyzer is not there."""
    verified = bench_analyzer(**ALL_MAY_BE)
    whole = SiteParts((HEARTBEAT,), has_mqtt=True, has_ship=True)
    assert set(ORDER) == {a.name for a in in_force(verified, whole)}
    mqtt = {"mqtt_away", "mqtt_set_aside"}
    assert mqtt == set(ORDER) - {a.name for a in in_force(verified, replace(whole, has_mqtt=False))}
    alone = {a.name for a in in_force(verified, replace(whole, has_ship=False))}
    assert set(ORDER) - alone == {"shipping_behind"}
    silent = {"control_system_silent"} | mqtt | {"shipping_behind"}
    others = SiteParts((HEARTBEAT.model_copy(update={"heartbeat": False}),))
    assert set(ORDER) - silent == {a.name for a in in_force(verified, others)}
    bare = bench_analyzer(product=None)
    never = {"below_limit", "verification_overdue"} | silent
    assert set(ORDER) - never == {a.name for a in in_force(bare)}
    told = bench_analyzer(product=None, product_input="grade")
    assert "below_limit" in {a.name for a in in_force(told)}


def test_the_site_file_changes_delays_and_turns_off() -> None:
    """Only what it names."""
    changed = bench_analyzer(
        alarms={
            "unavailable": {"on_delay_s": 5.0},
            "history_shortage": {"off_delay_s": 7.0},
            "clock": {"enabled": False, "because": "no time service"},
        }
    )
    delays = {a.name: (a.on_delay_s, a.off_delay_s) for a in in_force(changed)}
    assert delays == {
        "possible_low_flash": (0.0, 0.0),
        "below_limit": (0.0, 0.0),
        "unavailable": (5.0, 0.0),
        "history_shortage": (0.0, 7.0),
    }


SITE = """\
[site]
name = "Larkwater"
[opcua]
[[analyzers]]
id = "kestrel-1"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
analyzer_corrects_barometer = true
[analyzers.alarms.{alarm}]
{line}
"""


@pytest.mark.parametrize(
    ("alarm", "line", "key", "words"),
    [
        ("possible_lo_flash", "", "possible_lo_flash", "did you mean 'possible_low_flash'"),
        ("clock", "enabled = false", "clock.because", "why clock is turned off"),
        (
            "possible_low_flash",
            'enabled = false\nbecause = "tired of it"',
            "possible_low_flash.enabled",
            "cannot be turned off",
        ),
        ("possible_low_flash", "on_delay_s = 5", "possible_low_flash.on_delay_s", "at once"),
        ("clock", "on_delay_s = 5", "clock.on_delay_s", "at once"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, alarm: str, line: str, key: str, words: str) -> None:
    """With key and reason."""
    path = tmp_path / "site.toml"
    path.write_text(SITE.format(alarm=alarm, line=line), "utf-8")
    with pytest.raises(ConfigurationError) as caught:
        checked_site(path)
    (mistake,) = caught.value.mistakes
    assert f"analyzers[0].alarms.{key}" == mistake.key
    assert words in mistake.problem


def test_what_the_page_shows_is_right(tmp_path: Path) -> None:
    """The documented lines load, and change what they say."""
    found = re.search(r"```toml\n(.*?)```", alarms_page(), re.DOTALL)
    assert found is not None
    path = tmp_path / "site.toml"
    path.write_text(SITE.partition("[analyzers.alarms")[0] + found[1], "utf-8")
    (analyzer,) = checked_site(path).file.analyzers
    assert {a.name: a.on_delay_s for a in in_force(analyzer)} == {
        "possible_low_flash": 0.0,
        "unavailable": 120.0,
        "history_shortage": 0.0,
    }


def test_points_show_the_state_and_no_state_as_bad() -> None:
    """A code for each state; an alarm that is not there has no value, never `normal`."""
    points = {p.name: p for p in CATALOGUE}
    standing: Standing = standing_of()
    for code, state in enumerate(AlarmState):
        shown = view_of(replace(standing, alarms={"clock": state}))
        read = points["alarm_clock"].read(shown)
        assert (code, Quality.GOOD) == (read.value, read.quality)
        absent = points["alarm_unavailable"].read(shown)
        assert (absent.value, absent.quality) == (None, Quality.NO_DATA)

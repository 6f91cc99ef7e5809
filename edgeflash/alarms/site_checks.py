"""The checks of a site file that need the alarm catalogue."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.alarms.catalogue import BY_NAME
from edgeflash.config.expectations import nearest
from edgeflash.config.problems import Problem
from edgeflash.config.site import Alarm, Site
from edgeflash.config.toml_positions import KeyPath


def alarm_problems(site: Site) -> Iterator[Problem]:
    """Unknown alarms, alarms turned off without a reason, and those that may not be changed."""
    for index, analyzer in enumerate(site.file.analyzers):
        for name, change in analyzer.alarms.items():
            yield from _problems(("analyzers", index, "alarms", name), name, change)


def _problems(path: KeyPath, name: str, change: Alarm) -> Iterator[Problem]:
    alarm = BY_NAME.get(name)
    if alarm is None:
        yield Problem(path, f"there is no alarm '{name}'{nearest(name, BY_NAME)}")
        return
    if alarm.is_always_on and not change.enabled:
        why = f"alarm '{name}' is always in force and cannot be turned off"
        yield Problem((*path, "enabled"), why)
    elif not change.enabled and not change.because.strip():
        why = f"is missing; say in one sentence why {name} is turned off here"
        yield Problem((*path, "because"), why, ((*path, "enabled"),))
    if alarm.is_instant and change.on_delay_s:
        why = f"alarm '{name}' is raised at once: take this line out"
        yield Problem((*path, "on_delay_s"), why)

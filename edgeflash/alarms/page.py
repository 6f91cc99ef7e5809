"""The alarm catalogue as a page of the documentation. Pure.

To refresh the page: `python -m edgeflash.alarms.page > docs/alarms.md`.
"""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.alarms.catalogue import ALARMS, Declaration
from edgeflash.model import AlarmState
from edgeflash.rules.page import markdown_table

_INTRODUCTION = """\
# Alarms

Made from the catalogue in the code; do not edit by hand. Refresh with
`python -m edgeflash.alarms.page > docs/alarms.md`.

Each analyzer has its own. Each is a point `alarm_NAME` in every outlet, with the states below as
codes; addresses are in the [list of points](points.md). An alarm that is turned off, or that an
analyzer cannot have, shows no value with a bad quality there, never `normal`.

edgeflash is not a safety function. Local codes, the site's procedures and licensed practice decide
how a product may be handled, and what a person does about an alarm.\
"""

_STATES: dict[AlarmState, str] = {
    AlarmState.NORMAL: "Its condition does not hold, and nobody needs to acknowledge it.",
    AlarmState.ACTIVE: "Its condition holds; nobody has acknowledged it.",
    AlarmState.ACKNOWLEDGED: "Its condition holds; somebody has taken note. It goes back to "
    "normal by itself when the condition is gone. While it stands, new evidence does not raise it "
    "again.",
    AlarmState.RETURNED: "Latched alarms only: its condition is gone, and it still waits for "
    "somebody to acknowledge it. Should the condition hold again, it is active again.",
}

_LIFE = """\
After ISA-18.2 (from memory). A condition must hold for the on-delay before the alarm is active, and
be gone for the off-delay before it returns. **A rejected cycle never clears an alarm that a cycle
has raised:** such a cycle says nothing, so the state stays.

States survive a restart, with who acknowledged, when, and what they said. A delay that was running
begins anew.

The point `possible_low_flash` is the plain condition: it falls with the next accepted cycle without
evidence. The alarm of that name is raised with it, before the cycle is on disk, and stays until
somebody acknowledges it.\
"""

_ACKNOWLEDGING = """\
On the gateway's machine, while it runs:

```sh
edgeflash alarms list /etc/edgeflash/site.toml
edgeflash alarms acknowledge /etc/edgeflash/site.toml kestrel-1 possible_low_flash \\
    --because "diverted to slops, sample 17 taken"
```

The commands speak to the unix socket `operator.sock` in the state folder. The kernel tells the
gateway which user asks, and that name is logged and kept with the alarm. Root, the user of the
gateway, and members of the socket's group may; everyone else is refused, and the refusal is logged.
To let an operator acknowledge, put them into that group. It also takes the right to reach the state
folder.

Over OPC UA, a user with the role operator or engineer can: [alarms over OPC UA](opcua-alarms.md).
Over Modbus nobody can: it does not know who asks, so anyone who reaches the port could silence an
alarm.

Where the socket cannot be made (its path must have no more than 107 bytes, and nothing else may
stand in its place) the gateway says so in its log and runs on: alarms are raised and published, but
latched ones cannot be acknowledged.\
"""

_TUNING = """\
The site file can change the delays of an alarm for one analyzer, or turn it off with a reason:

```toml
[analyzers.alarms.unavailable]
on_delay_s = 120

[analyzers.alarms.clock]
enabled = false
because = "the machine has no time service yet"
```

An alarm whose on-delay is *none, fixed* above is raised at once, and that cannot be changed.
`possible_low_flash` cannot be turned off.\
"""


def alarms_page() -> str:
    """The whole page, with a line feed at its end."""
    return "\n\n".join(_parts()) + "\n"


def _parts() -> Iterator[str]:
    yield _INTRODUCTION
    yield "## All alarms"
    yield markdown_table(
        ("Alarm", "Priority", "Latched", "On-delay", "Off-delay"),
        (
            (
                f"[{alarm.name}](#{alarm.name})",
                alarm.priority.value,
                "yes" if alarm.is_latched else "no",
                "none, fixed" if alarm.is_instant else _seconds(alarm.on_delay_s),
                _seconds(alarm.off_delay_s),
            )
            for alarm in ALARMS
        ),
    )
    for alarm in ALARMS:
        yield from _alarm_parts(alarm)
    yield "## States"
    yield markdown_table(
        ("Code", "State", "Meaning"),
        ((str(code), state.value, _STATES[state]) for code, state in enumerate(AlarmState)),
    )
    yield _LIFE
    yield "## Acknowledging"
    yield _ACKNOWLEDGING
    yield "## Changing"
    yield _TUNING


def _seconds(delay_s: float) -> str:
    return f"{delay_s:g} s" if delay_s else "none"


def _alarm_parts(alarm: Declaration) -> Iterator[str]:
    yield f"### {alarm.name}"
    yield alarm.meaning
    facts = [f"Returns: {alarm.returns}", f"What to do: {alarm.response}"]
    if alarm.needs:
        facts.append(f"Needs: {alarm.needs}")
    yield "\n".join(f"- {fact}" for fact in facts)


if __name__ == "__main__":
    print(alarms_page(), end="")

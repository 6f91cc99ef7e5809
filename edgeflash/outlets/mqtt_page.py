"""MQTT in plain JSON as a page of the documentation, made from its declarations. Pure.

To refresh the page: `python -m edgeflash.outlets.mqtt_page > docs/mqtt.md`.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TypeVar

from edgeflash.config.mqtt_entry import PORT, TLS_PORT, MqttEntry
from edgeflash.outlets.history_rows import HISTORIC
from edgeflash.outlets.mqtt_aside import MOST_ASIDE, TRIES
from edgeflash.outlets.mqtt_client import MOST_UNDER_WAY
from edgeflash.outlets.mqtt_connection import MOST_RECONNECTS, WITHIN_S
from edgeflash.outlets.mqtt_drain import BATCH
from edgeflash.outlets.mqtt_members import Member
from edgeflash.outlets.mqtt_now import STATE, STATUS
from edgeflash.outlets.mqtt_records import EVENT, RESULT
from edgeflash.outlets.mqtt_states import ALWAYS_MOVING
from edgeflash.outlets.mqtt_topics import Topics
from edgeflash.points import CATALOGUE
from edgeflash.rules.page import markdown_table

Of = TypeVar("Of")

_TOPICS = Topics("ROOT")
_ENTRY = MqttEntry(id="panel", host="broker.depot.example")
_OWN_REASONS = (
    "topic name invalid, packet too large, payload format invalid, larger than the broker's "
    "announced largest packet, implementation specific error"
)
_QUIET = " and ".join(
    f"`{point.title}`" for point in CATALOGUE if point.name in sorted(ALWAYS_MOVING)
)

_INTRODUCTION = """\
# MQTT in plain JSON

Made from the declarations in the code; do not edit by hand. Refresh with
`python -m edgeflash.outlets.mqtt_page > docs/mqtt.md`. The other form of an `[[mqtt]]` entry is
[Sparkplug](sparkplug.md).

Every analyzer's state, every judged cycle and every line of the event record goes to a broker, in
JSON that says of each number its unit, its quality and its time. The JSON Schema (draft 2020-12) of
all of it: [mqtt.schema.json](mqtt.schema.json); that of a site, with its units alone:
`edgeflash points SITE --format mqtt-schema`.\
"""

_SITE_FILE = f"""\
An entry of the site file for each broker; every key with its meaning stands in
`deploy/site.example.toml`.

```toml
[[mqtt]]
id = "panel"
host = "broker.depot.example"
ca_file = "plant-ca.pem"
user = "flash-gateway"
password_file = "mqtt-password"
```

- TLS is the default (port {TLS_PORT}; without it {PORT}), at least version 1.2. The broker must
  prove that it is `host`: the name is always checked, and nothing in the site file can leave that
  out. `certificate_file` and `key_file` prove who we are, where the broker asks.
- The password stands in a file or in a credential of the service manager, never in the site file.
  Files are read anew for every connection, so a new password or certificate needs no restart.
  Without TLS a password is refused unless the broker is on this machine.
- MQTT 5 is the default, `protocol = "3.1.1"` the other choice. With 3.1.1 a broker cannot tell that
  it did not take a message, and cannot withdraw an old state by itself.
- The client id is made of the site's name and `id`. Two clients of one id throw each other out:
  after more than {MOST_RECONNECTS} connections within {WITHIN_S:g} s the log asks whether there is
  another one.\
"""

_WHERE = """\
ROOT is `topic_root` of the site file, else `edgeflash/` and the site's name in lower case with
hyphens. Everything is published with QoS 1.\
"""

_STATE_RULES = f"""\
- A state is published when anything in it changes, at most every `state_every_s`
  ({_ENTRY.state_every_s:g} s), and at least every `heartbeat_s` ({_ENTRY.heartbeat_s:g} s).
  {_QUIET} alone are no news. It takes some 6 kB, a result 3 kB: on a thin line raise
  `state_every_s`.
- **Never use a value without its quality.** `trust` is good, uncertain or bad; with bad there is no
  value: it is null. `quality` is the name of the status as in the
  [quality table](points.md#quality).
- **Never use a state after its `valid_until`** ({_ENTRY.state_valid_s:g} s after its instant, by
  `state_valid_s`), **nor any while the status is offline**, or online and past its own
  `valid_until`: a broker that died with the gateway and comes back alone has kept the "online" of
  its last day. A retained message outlives its gateway. With MQTT 5 the broker withdraws both
  then; with 3.1.1 a clean end withdraws the states by an empty message, and nothing else does.
- An analyzer that `analyzers` of the status does not name is no longer of this gateway, whatever
  is still retained of it.
- Whoever subscribes later gets the last state and status at once.\
"""

_POINTS = """\
Each point is an object with `value`, `quality`, `trust` and `time`; `unit` where it is a quantity,
`text` where it is a code, `bits` (the names of those set) where it is a word of bits. Its name is
the title of the [published point](points.md), which is also its name in OPC UA. Times are UTC, to
the microsecond.\
"""

_DELIVERY = f"""\
- Results and events are read from the journal, in its order. What was sent is noted there only
  after the broker has acknowledged it. So each arrives **at least once**: after a break or a power
  cut some come again. **Drop what has an `id` that came before.**
- While the broker is away they wait in the journal, on disk. When it returns they go out in order,
  with `is_late` true: a message that waited is history, not news, and so is a result that was
  fetched later from the analyzer's own memory. States go beside them and are not
  held up: at most {MOST_UNDER_WAY} messages are under way, late ones have half of that, and no more
  than {BATCH} are read ahead, however many wait.
- The journal keeps what an outlet is owed, however long that takes; the disk alarm tells when room
  is short. An entry that is taken out of the site file is owed nothing any more: its place is given
  up at the next start, and the log says how much was let go. So keep its `id`.
- An outlet that is new to the journal begins with what comes from then on. `start_from = "journal"`
  begins with all that the journal holds.
- A message that the broker does not take (MQTT 5 tells it) is said once, shown as a fault, and
  offered again in growing intervals; what is behind it waits, states go on. So it stays for reasons
  that concern every message: not authorized, quota exceeded, busy, unspecified.
- A message refused for a reason of its own ({_OWN_REASONS}) is **set aside** after {TRIES} tries
  and `set_aside_after_s` ({_ENTRY.set_aside_after_s:g} s), and those after it go on; of the next
  ones on its topic with the same reason (but the last) each after one try. It is not delivered, and
  nothing calls it so: alarm [mqtt_set_aside](alarms.md#mqtt_set_aside), an event with the result's
  id, the point `messages_set_aside`. `edgeflash mqtt list SITE` shows why; the journal keeps it.
  `edgeflash mqtt retry SITE OUTLET` and every start of the gateway offer it again, so that it comes
  **after** newer ones, with `is_late` true; `edgeflash mqtt give-up SITE OUTLET` lets it go. With
  {MOST_ASIDE} set aside of one stream the next one waits.
- A broker that hangs is given up after `timeout_s` without an acknowledgement, or by the
  keep-alive. Nothing else of the gateway waits for it.
- A clean end publishes the status offline before it disconnects; after any other end, and where
  the broker did not take that, the broker publishes it, as the last will: at once when the
  connection is closed, after one and a half times `keepalive_s` (30 s of 20 s) when it only went
  silent. Until then `valid_until` alone protects.
- How the connections fare: the nodes MqttFault and MqttWaiting in the diagnostics of the OPC UA
  server, and the log at every change.\
"""


def mqtt_page() -> str:
    """The whole page, in Markdown."""
    return "\n\n".join(_parts()) + "\n"


def _parts() -> Iterator[str]:
    yield _INTRODUCTION
    yield "## Site file"
    yield _SITE_FILE
    yield "## Topics"
    yield _WHERE
    yield markdown_table(
        ("topic", "what", "retained"),
        (
            (f"`{_TOPICS.status}`", "whether the gateway is connected; its last will", "yes"),
            (f"`{_TOPICS.state('ANALYZER')}`", "every published point, now", "yes"),
            (f"`{_TOPICS.results('ANALYZER')}`", "each judged cycle", "no"),
            (f"`{_TOPICS.events('ANALYZER')}`", "each line of the event record, alarms too", "no"),
            (f"`{_TOPICS.events('')}`", "those about the gateway itself", "no"),
        ),
    )
    yield "## State"
    yield _STATE_RULES
    yield _members(STATE)
    yield _POINTS
    yield "## Result"
    yield _members(RESULT)
    titles = ", ".join(f"`{point.title}`" for point in HISTORIC)
    yield (
        f"Points of a result: {titles}. Their quality is that of the cycle itself: a rejected "
        "cycle has no `FlashPoint`, and its other figures are uncertain."
    )
    yield "## Event"
    yield _members(EVENT)
    yield "## Status"
    yield _members(STATUS)
    yield "## Delivery"
    yield _DELIVERY
    yield "## What may change"
    yield (
        "Later versions only add members: ignore what you do not know. A document whose members "
        "mean something else will have another `schema`."
    )


def _members(members: tuple[Member[Of], ...]) -> str:
    rows = [(f"`{member.name}`", member.description) for member in members]
    return markdown_table(("member", "meaning"), rows)


if __name__ == "__main__":
    sys.stdout.write(mqtt_page())

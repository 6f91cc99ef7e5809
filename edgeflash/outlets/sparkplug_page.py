"""The Sparkplug outlet as a page of the documentation, its tables from the catalogue. Pure.

To refresh the page: `python -m edgeflash.outlets.sparkplug_page > docs/sparkplug.md`.
"""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.outlets.sparkplug_catalogue import (
    ALIASES_EACH,
    DATA_TYPES,
    NODE_METRICS,
    RECORD_POINTS,
    RECORD_SUFFIX,
    RESULT_METRICS,
    RESULT_POINTS,
    record_alias,
    result_alias,
    result_point_alias,
)
from edgeflash.outlets.sparkplug_metrics import QUALITY_CODES
from edgeflash.outlets.sparkplug_payload import DataType
from edgeflash.outlets.sparkplug_speech import BIRTHS_EVERY_S, PROOF_EVERY_S, TURN_RESULTS, TURN_S
from edgeflash.points import CATALOGUE, Point
from edgeflash.rules.page import markdown_table
from edgeflash.trust import Quality, Trust
from edgeflash.units import INSIDE, Quantity

_INTRODUCTION = """\
# Sparkplug

Made from the point catalogue in the code; do not edit by hand. Refresh with
`python -m edgeflash.outlets.sparkplug_page > docs/sparkplug.md`.

The gateway is an edge node after the Eclipse Sparkplug Specification 3.0.0 (Sparkplug B), an open
standard on MQTT: hosts find every analyzer and every metric by themselves, know at once when one is
gone, and get every judged result. Plain JSON is the other form of an `[[mqtt]]` entry. What is
checked against the specification: [Sparkplug conformance](sparkplug-conformance.md).\
"""

_OVERLAP_S = MqttEntry.model_fields["host_overlap_s"].default

_SITE_FILE = f"""\
An entry of the site file. Broker, TLS, user and password are as for plain JSON.

```toml
[[mqtt]]
id = "plant"
form = "sparkplug"
host = "broker.depot.example"
ca_file = "plant-ca.pem"
user = "flash-gateway"
password_file = "mqtt-password"
group_id = "Windmill Quay"         # group and node: no other node of the plant has both
node_id = "flash-gateway"
primary_host = "control-room"      # default: it waits for nobody
host_overlap_s = {_OVERLAP_S:g}                # default; see below
```

The client id is made of group and node, unless `client_id` gives another: of two gateways that
were given the same names by mistake the broker throws one out, again and again, and both say so.
Nodes of others it does not see; that group and node are unique in the plant is for whoever
names them.

`topic_root`, `state_every_s`, `heartbeat_s` and `state_valid_s` are for plain JSON and change
nothing here. `edgeflash check SITE` tells what does not fit together.\
"""

_TOPICS = f"""\
Everything is below `spBv1.0/GROUP/+/NODE`. Values, births and deaths of devices have QoS 0, the
death of the node QoS 1, nothing is retained.

| Message | When |
| --- | --- |
| `NDEATH` | the will of the connection; published by the node itself before a clean end |
| `NBIRTH` | after connecting, when the primary host is online; again on the command for a rebirth |
| `DBIRTH` | right after `NBIRTH`, of each record and analyzer; of an analyzer that is back |
| `NDATA`, `DDATA` | what has changed, by alias; and each judged result |
| `DDEATH` | an analyzer cannot be reached |

Every analyzer is two devices. `kestrel-1` has all of its points, and dies with its link.
`kestrel-1{RECORD_SUFFIX}` has what the gateway itself knows and keeps: the judged results, and
those points that must be told while the analyzer cannot be reached, so that a possible low
flash point is an alarm on the host also then.

A node takes one command, `Node Control/Rebirth`. Nothing else can be written: devices do not
listen for commands. Malformed commands, and such as a broker has retained, are refused and
logged once; births come at most once in {BIRTHS_EVERY_S:g} s, and data goes on until the next may.

The birth of an analyzer takes some 16 kB, a result 2 kB. A broker must take packets of 64 kB, or
the node is never wholly born, and the outlet's fault says which birth was too large.

A host that hears nothing learns of a lost gateway by `NDEATH`: at once when its connection is
closed, after one and a half times `keepalive_s` (30 s of 20 s) when it only went silent.

**Primary host.** With `primary_host` nothing is sent before its STATE says that it is online.
When it goes offline, the node publishes `NDEATH`, disconnects, connects again and waits. A
STATE that is older than the one before is not believed, so the clock of the host must be right;
until it is, or the node connects anew, the outlet has a fault, and no result counts as arrived.
The node believes the broker: a STATE that a broker has kept of a host that died while the broker
was down says "online" until the host is back.\
"""

_RESULTS = f"""\
Each judged cycle is one `DDATA` of the record with all metrics `result/…`, whose timestamp is
the time when the sample passed the tap. `result/id` names it for ever: **drop a result whose id
you have seen**. Results go out in the order of the journal. Those that were in the journal
before the births have `is_historical`; a birth tells the newest one of each analyzer, its
figures as stale unless it is what the analyzer shows as good at that moment.

**A result is a record, not a value to control on.** Between two results nothing of it changes,
however long the second takes: a host shows the quality of its day. The judged flash point of now
is `flash_point_c` of the analyzer's own device, which ages, and dies with its link.

What waits in the journal goes out after the births, at most {TURN_RESULTS} results each
{TURN_S:g} s, and live values go before each such turn. `results_waiting` of the node tells how
many are left.

Sparkplug data has QoS 0, so nobody acknowledges it. The gateway asks for evidence every
{PROOF_EVERY_S:g} s: it subscribes again, which the broker answers after all that it got before
and, with a primary host, by its present STATE. What was sent at least `host_overlap_s` before
such an answer is done with; everything else is sent again, as history, after the next births.
So:

- with a primary host, a result is given up only when the host was there well after it was sent;
  a host that vanishes is noticed by the broker after one and a half times its keep-alive, which
  is what `host_overlap_s` must cover;
- a host that notices a gap of the sequence numbers asks for a rebirth, and gets what was not
  yet done with again: at once, or after all that still waited; one that asks more often than
  `host_overlap_s` keeps results from ever being done with, which loses none, and is an alarm;
- without a primary host the answer of the broker is all the evidence there is: what no
  subscriber heard is lost to subscribers, though not to the history.

Results of an analyzer that the site file no longer has are passed over, and logged.\
"""

_QUALITY = """\
The property `Quality` is on every metric. The specification has three values; `status` beside
it is the exact quality, spelt as in OPC UA. A bad quality has no value (`is_null`). Whatever is
usable with care counts as stale, so that it is never taken for good.\
"""

_PROPERTIES = """\
Births also have the properties `description`, `engUnit`, `low` and `high` (the range, in that
unit) and `codes` (what each code or bit means), where there is one. Times are `DateTime`, in
whole milliseconds. `UInt32` is not used, because programs disagree on how it is carried.\
"""

_ALIASES = f"""\
Aliases never change: a point of analyzer `number` n has n × {ALIASES_EACH} + the alias below.
Units here are the inside units; `temperature_unit` and `pressure_unit` of the entry change
them, with value and range.\
"""


def sparkplug_page() -> str:
    """The whole page, with a line feed at its end."""
    return "\n\n".join(_parts()) + "\n"


def _parts() -> Iterator[str]:
    yield _INTRODUCTION
    yield "## Site file"
    yield _SITE_FILE
    yield "## What is sent when"
    yield _TOPICS
    yield "## Results, and what is promised"
    yield _RESULTS
    yield "## Quality"
    yield _QUALITY
    yield _quality_table()
    yield "## Metrics"
    yield _PROPERTIES
    yield _ALIASES
    yield "### The node"
    yield markdown_table(("Metric", "Alias", "Type", "Meaning"), _node_rows())
    yield "### An analyzer"
    yield markdown_table(
        ("Metric", "Alias", "Type", "Unit", "Meaning"),
        (_point_row(p, p.name, p.register, p.description) for p in CATALOGUE),
    )
    yield "### Its record"
    yield markdown_table(("Metric", "Alias", "Type", "Unit", "Meaning"), _record_rows())


def _node_rows() -> Iterator[tuple[str, str, str, str]]:
    yield "`bdSeq`", "", "Int64", "Number of the connection; that of the will."
    yield "`Node Control/Rebirth`", "", "Boolean", "Written true: all births again."
    for each in NODE_METRICS:
        yield f"`{each.name}`", str(each.alias), _type_name(each.datatype), each.description


def _record_rows() -> Iterator[tuple[str, ...]]:
    for point in RECORD_POINTS:
        yield _point_row(point, point.name, record_alias(0, point), point.description)
    for each in RESULT_METRICS:
        alias = str(result_alias(0, each))
        kind, unit = _type_name(each.datatype), _unit(each.quantity)
        yield f"`result/{each.name}`", alias, kind, unit, each.description
    for point in RESULT_POINTS:
        name, alias_number = f"result/{point.name}", result_point_alias(0, point)
        yield _point_row(point, name, alias_number, point.column_description)


def _point_row(point: Point, name: str, alias: int, meaning: str) -> tuple[str, ...]:
    kind = _type_name(DATA_TYPES[point.type])
    return f"`{name}`", str(alias), kind, _unit(point.quantity), meaning


def _unit(quantity: Quantity) -> str:
    return "" if quantity is Quantity.NONE else INSIDE[quantity].label


def _type_name(datatype: DataType) -> str:
    names = {"INT": "Int", "UINT": "UInt", "DATETIME": "DateTime"}
    base = datatype.name.rstrip("0123456789")
    return names.get(base, base.capitalize()) + datatype.name[len(base) :]


def _quality_table() -> str:
    words = {Trust.GOOD: "good", Trust.UNCERTAIN: "stale", Trust.BAD: "bad"}
    return markdown_table(
        ("`Quality`", "`status`", "Meaning"),
        (
            (
                f"{QUALITY_CODES[quality.trust]} {words[quality.trust]}",
                f"`{quality.value.opcua_name}`",
                quality.value.meaning,
            )
            for quality in sorted(Quality, key=lambda q: q.value.modbus)
        ),
    )


if __name__ == "__main__":
    print(sparkplug_page(), end="")

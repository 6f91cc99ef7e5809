"""The point catalogue: every published point, declared once.

From a Point follow its OPC UA node, its Modbus registers, its column in the `results` table, its
row in the point list and its documentation. To publish one more, append one Point at the end of
CATALOGUE with the next free register offset. Offsets, names and the order are never changed or used
again: a DCS is built on them.
"""

from __future__ import annotations

from edgeflash.alarms.catalogue import ALARMS, Declaration
from edgeflash.points.codes import ALARM_TEXTS, CLOCK_TEXTS, HEALTH_TEXTS
from edgeflash.points.judged import JUDGED
from edgeflash.points.live import COUNTED, LIVE
from edgeflash.points.of_cycle import ASSESSED, FIGURES
from edgeflash.points.point import STATUS_WORD, TEST_ACTIVE, Point, PointType, PointValue
from edgeflash.points.reading import (
    alarm_word,
    clock_error,
    health_code,
    onward,
    round_trip,
    state,
)
from edgeflash.publication import View
from edgeflash.status_bits import (
    ALARM_BITS,
    STATUS_BITS,
    active_word,
    bits_text,
    status_word,
    unacknowledged_word,
)
from edgeflash.trust import Quality
from edgeflash.units import Quantity

FIRST_ALARM_REGISTER = 112
FIRST_ALARMS = 6
"""Alarms with a code below stand in a row from there; four registers after them are others'."""

LATER_ALARM_REGISTER = 116


def alarm_point(alarm: Declaration) -> Point:
    """The state of one alarm; no value where the alarm is off or the analyzer cannot have it."""

    def read(v: View) -> PointValue:
        state = v.standing.alarms.get(alarm.name)
        if state is None:
            return PointValue(None, Quality.NO_DATA, v.at)
        return PointValue(ALARM_TEXTS.index(state.value), Quality.GOOD, v.at)

    return Point(
        f"alarm_{alarm.name}",
        alarm.title,
        f"Alarm, priority {alarm.priority.value}: {alarm.meaning[0].lower()}{alarm.meaning[1:]}",
        PointType.CODE,
        (FIRST_ALARM_REGISTER if alarm.code < FIRST_ALARMS else LATER_ALARM_REGISTER) + alarm.code,
        read,
        texts=ALARM_TEXTS,
    )


CATALOGUE: tuple[Point, ...] = (
    *JUDGED,
    *FIGURES,
    *LIVE,
    *COUNTED,
    *ASSESSED,
    *(alarm_point(alarm) for alarm in ALARMS if alarm.code < FIRST_ALARMS),
    Point(
        "device_health",
        "DeviceHealth",
        "Health of the analyzer after NAMUR NE 107, from the latest cycle and the present.",
        PointType.CODE,
        192,
        health_code,
        texts=HEALTH_TEXTS,
    ),
    Point(
        "link_timeouts",
        "LinkTimeouts",
        "Requests to the analyzer without an answer in time, since the gateway started. A rising "
        "count on a link that is up is a cable, a converter or a busy device that wants a look.",
        PointType.INT,
        140,
        state(lambda v: v.standing.link_figures.timeouts),
    ),
    Point(
        "round_trip_s",
        "RoundTrip",
        "Time from request to answer that 95 % of the analyzer's latest answers kept: the last "
        "1024 at most, none older than an hour; no value until it has answered.",
        PointType.FLOAT,
        142,
        round_trip,
        Quantity.TIME,
        0.0,
        30.0,
        scale=-3,
    ),
    Point(
        STATUS_WORD,
        "StatusBits",
        f"The state of the analyzer in bits: {bits_text(STATUS_BITS)}.",
        PointType.CODE,
        119,
        state(status_word),
        bits=STATUS_BITS,
        bits_at=144,
    ),
    Point(
        "alarms_active",
        "AlarmsActive",
        "Alarms whose condition stands, acknowledged or not; the bit of an alarm has the place of "
        f"its code: {bits_text(ALARM_BITS)}.",
        PointType.CODE,
        120,
        alarm_word(active_word),
        bits=ALARM_BITS,
        bits_at=160,
    ),
    Point(
        "alarms_unacknowledged",
        "AlarmsUnacknowledged",
        "Alarms that nobody has acknowledged, standing or not; bits as in `alarms_active`.",
        PointType.CODE,
        121,
        alarm_word(unacknowledged_word),
        bits=ALARM_BITS,
        bits_at=176,
    ),
    Point(
        TEST_ACTIVE,
        "TestActive",
        "A person has a test value shown in place of at least one point of this analyzer. Such a "
        "value has the quality UncertainSubstituteValue unless another was asked for.",
        PointType.FLAG,
        118,
        state(lambda v: bool(v.standing.tests)),
    ),
    *(alarm_point(alarm) for alarm in ALARMS if alarm.code >= FIRST_ALARMS),
    Point(
        "clock_synchronisation",
        "ClockSynchronisation",
        "Whether a time service keeps the wall clock of the gateway right, as the system says. No "
        "age and no quality depends on it; times in records do.",
        PointType.CODE,
        144,
        state(lambda v: int(v.standing.clock.synchronisation)),
        texts=CLOCK_TEXTS,
    ),
    Point(
        "clock_error_s",
        "ClockError",
        "How wrong the wall clock of the gateway may be at most, as its time service says; "
        "no value unless it is synchronised.",
        PointType.FLOAT,
        145,
        clock_error,
        Quantity.TIME,
        0.0,
        16.0,
        scale=-2,
    ),
    Point(
        "results_waiting",
        "ResultsWaiting",
        "Results that an MQTT outlet owes to its broker, of the outlet with the most, as counted "
        "every ten seconds; they wait in the journal. No value without such an outlet. The same "
        "for every analyzer, as are the two that follow.",
        PointType.INT,
        148,
        onward(lambda o: o.results_waiting),
    ),
    Point(
        "messages_set_aside",
        "MessagesSetAside",
        "Messages that a broker refused again and again for a reason of their own, set aside so "
        "that those after them go on; no value without an MQTT outlet.",
        PointType.INT,
        150,
        onward(lambda o: o.messages_set_aside),
    ),
    Point(
        "days_not_shipped",
        "DaysNotShipped",
        "UTC days that are past and not wholly in the store; no value where nothing is shipped, "
        "and until a pass has told.",
        PointType.INT,
        152,
        onward(lambda o: o.days_not_shipped),
    ),
)

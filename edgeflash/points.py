"""The point catalogue: every published point, declared once.

From a Point follow its OPC UA node, its Modbus registers, its column in the `results` table, its
row in the point list and its documentation. To publish one more, append one Point with the next
free register offset. Offsets and names are never changed or used again: a DCS is built on them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from edgeflash.alarms.catalogue import ALARMS, Declaration
from edgeflash.clock_state import Synchronisation
from edgeflash.model import AlarmState, Phase, Result, Role, Verdict
from edgeflash.publication import LinkState, View
from edgeflash.rules.catalogue import RULES
from edgeflash.rules.health import health
from edgeflash.status_bits import (
    ALARM_BITS,
    STATUS_BITS,
    Bit,
    active_word,
    bits_text,
    status_word,
    unacknowledged_word,
)
from edgeflash.trust import Category, Quality, Trust
from edgeflash.units import Quantity

LATEST = "Latest cycle: "
"""Begins the description of every figure of the latest cycle."""

PointScalar = float | int | bool | str | datetime | None


class PointType(StrEnum):
    """How a point is held. Registers: float 2, int 2 (uint32), code 1 (uint16), flag 1, time 4
    (uint64, microseconds since 1970 UTC), text 16 (32 UTF-8 bytes, zero filled)."""

    FLOAT = "float"
    INT = "int"
    CODE = "code"
    FLAG = "flag"
    TIME = "time"
    TEXT = "text"


REGISTERS_OF: dict[PointType, int] = {
    PointType.FLOAT: 2,
    PointType.INT: 2,
    PointType.CODE: 1,
    PointType.FLAG: 1,
    PointType.TIME: 4,
    PointType.TEXT: 16,
}

BLOCK_REGISTERS = 200
"""Registers of one analyzer's block; analyzer `number` n starts at (n - 1) × this."""


@dataclass(frozen=True, slots=True)
class PointValue:
    """One value with its quality and the time it belongs to (UTC)."""

    value: PointScalar
    quality: Quality
    source_time: datetime


@dataclass(frozen=True, slots=True)
class CodeMeaning:
    """What one code means: a name, and a sentence."""

    code: int
    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Point:
    """One published point. low/high: range in the inside unit of `quantity`.

    register: offset in the analyzer's block. texts: meaning of each code. of_result: gives the
    column of `results`, where the point is one. in_history: the column's description, where it
    differs by more than the row being a cycle of its own. scale: powers of ten by which the step
    of its int16 is coarser than is usual for its unit (outlets.modbus_integers); below 0 finer.
    bits: what the bits of a code are; as discrete inputs they begin at offset bits_at.
    """

    name: str
    title: str
    description: str
    type: PointType
    register: int
    read: Callable[[View], PointValue]
    quantity: Quantity = Quantity.NONE
    low: float | None = None
    high: float | None = None
    texts: tuple[str, ...] = ()
    meanings: tuple[CodeMeaning, ...] = ()
    of_result: Callable[[Result], PointScalar] | None = None
    in_history: str = ""
    scale: int = 0
    bits: tuple[Bit, ...] = ()
    bits_at: int = 0

    @property
    def registers(self) -> int:
        """Registers this point takes in the block."""
        return REGISTERS_OF[self.type]

    @property
    def column_description(self) -> str:
        """The description of the column: there every row is a cycle of its own."""
        text = self.in_history or self.description.removeprefix(LATEST).replace(
            "latest judged cycle", "cycle"
        )
        return text[0].upper() + text[1:]


def _judged(v: View) -> PointValue:
    return PointValue(v.value_c, v.quality, v.sampled_at or v.at)


def _of_shown(get: Callable[[View], PointScalar]) -> Callable[[View], PointValue]:
    """A property of the last usable value: there as long as one is known, as good as the value.

    It outlives the value's quality: when the value has gone bad, its age still grows.
    """

    def read(v: View) -> PointValue:
        value = get(v)
        if value is None:
            return PointValue(None, Quality.NO_DATA, v.at)
        is_bad = v.quality.trust is Trust.BAD
        return PointValue(value, Quality.LAST_USABLE if is_bad else v.quality, v.at)

    return read


def _state(get: Callable[[View], PointScalar]) -> Callable[[View], PointValue]:
    """A statement of the gateway about itself: always good, as of now."""
    return lambda v: PointValue(get(v), Quality.GOOD, v.at)


def _latest(get: Callable[[Result], PointScalar]) -> Callable[[View], PointValue]:
    """A figure of the latest cycle, believed or not: no better than the cycle's verdict."""

    def read(v: View) -> PointValue:
        latest = v.standing.latest
        if latest is None:
            return PointValue(None, Quality.WAITING_FOR_INITIAL_DATA, v.at)
        value = get(latest)
        if value is None:
            return PointValue(None, Quality.NO_DATA, latest.sampled_at)
        quality = Quality.SUB_NORMAL
        if latest.verdict is Verdict.ACCEPTED:
            up = v.standing.link is LinkState.UP
            quality = Quality.GOOD if up else Quality.LAST_USABLE_NO_LINK
        return PointValue(value, quality, latest.sampled_at)

    return read


def _live(role: Role) -> Callable[[View], PointValue]:
    """A live, unjudged reading: good only while the link is up."""

    def read(v: View) -> PointValue:
        at = v.standing.live_at or v.at
        if v.standing.link is not LinkState.UP:
            return PointValue(None, Quality.NO_COMMUNICATION, at)
        value = v.standing.live.get(role)
        if value is None or isinstance(value, tuple):
            return PointValue(None, Quality.NO_DATA, at)
        return PointValue(value, Quality.GOOD, at)

    return read


def _phase(v: View) -> PointValue:
    p = _live(Role.PHASE)(v)
    if isinstance(p.value, Phase):
        return PointValue(list(Phase).index(p.value), p.quality, p.source_time)
    return PointValue(None, p.quality if p.value is None else Quality.NO_DATA, p.source_time)


def _health(v: View) -> PointValue:
    category = health(v.standing)
    if category is None:
        return PointValue(None, Quality.WAITING_FOR_INITIAL_DATA, v.at)
    return PointValue(HEALTH_TEXTS.index(category.value), Quality.GOOD, v.at)


def _round_trip(v: View) -> PointValue:
    trip_ms = v.standing.link_figures.round_trip_p95_ms
    if trip_ms is None:
        return PointValue(None, Quality.NO_DATA, v.at)
    return PointValue(trip_ms / 1000.0, Quality.GOOD, v.at)


def _clock_error(v: View) -> PointValue:
    error_s = v.standing.clock.largest_error_s
    return PointValue(error_s, Quality.NO_DATA if error_s is None else Quality.GOOD, v.at)


VERDICT_TEXTS = ("none", *(v.value for v in Verdict))
LINK_TEXTS = tuple(s.name.lower() for s in LinkState)
PHASE_TEXTS = tuple(p.value for p in Phase)
CLOCK_TEXTS = tuple(s.name.lower() for s in Synchronisation)
HEALTH_TEXTS = tuple(c.value for c in Category)

_QUALITIES = tuple(
    CodeMeaning(e.modbus, e.opcua_name, e.meaning)
    for e in sorted((q.value for q in Quality), key=lambda e: e.modbus)
)
_REASONS = (
    CodeMeaning(0, "none", "nothing to explain: the quality is good"),
    *(CodeMeaning(rule.code, rule.name, rule.sentence) for rule in RULES),
)
_VERDICT_CODES: dict[Verdict, int] = {v: i for i, v in enumerate(Verdict, start=1)}

_T, _D, _P = Quantity.TEMPERATURE, Quantity.TEMPERATURE_DIFFERENCE, Quantity.PRESSURE
_F = PointType.FLOAT


def _result_float(
    name: str,
    title: str,
    description: str,
    register: int,
    get: Callable[[Result], float | None],
    quantity: Quantity,
    low: float,
    high: float,
    scale: int = 0,
) -> Point:
    """A figure of the latest cycle that is also a column of `results`."""
    about, read = LATEST + description, _latest(get)
    return Point(
        name, title, about, _F, register, read, quantity, low, high, of_result=get, scale=scale
    )


STATUS_WORD = "status_bits"
TEST_ACTIVE = "test_active"
"""The one point that no test can be shown of."""

FIRST_ALARM_REGISTER = 112
FIRST_ALARMS = 6
"""Alarms with a code below stand in a row from there; four registers after them are others'."""

LATER_ALARM_REGISTER = 116
ALARM_TEXTS = tuple(state.value for state in AlarmState)


def _alarm_point(alarm: Declaration) -> Point:
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


def _alarm_word(get: Callable[[View], int | None]) -> Callable[[View], PointValue]:
    """A word of the alarms' bits; no value while no alarm's state is known."""

    def read(v: View) -> PointValue:
        word = get(v)
        return PointValue(word, Quality.NO_DATA if word is None else Quality.GOOD, v.at)

    return read


CATALOGUE: tuple[Point, ...] = (
    Point(
        "flash_point_c",
        "FlashPoint",
        "Judged flash point at standard pressure. The value to control on, with its quality.",
        _F,
        0,
        _judged,
        _T,
        -50.0,
        400.0,
    ),
    Point(
        "quality",
        "Quality",
        "Quality of the judged flash point; see the quality table. Below 10 there is a value.",
        PointType.CODE,
        2,
        _state(lambda v: v.quality.value.modbus),
        meanings=_QUALITIES,
    ),
    Point(
        "reason_code",
        "ReasonCode",
        "Rule that explains the quality; 0 when good. The rule catalogue lists the codes.",
        PointType.CODE,
        3,
        _state(lambda v: v.reason_code),
        meanings=_REASONS,
    ),
    Point(
        "verdict",
        "Verdict",
        "Verdict on the latest cycle.",
        PointType.CODE,
        4,
        _state(lambda v: _VERDICT_CODES[r.verdict] if (r := v.standing.latest) else 0),
        texts=VERDICT_TEXTS,
    ),
    Point(
        "possible_low_flash",
        "PossibleLowFlash",
        "ALARM: evidence of a flash point below the product's limit or the start temperature, "
        "even from a rejected cycle. Stands until a later accepted cycle clears it.",
        PointType.FLAG,
        5,
        _state(lambda v: v.standing.low_flash_alarm),
        of_result=lambda r: r.low_flash_alarm,
    ),
    Point(
        "cycle_number",
        "CycleNumber",
        "The analyzer's number of the latest judged cycle.",
        PointType.INT,
        6,
        _latest(lambda r: r.cycle.cycle_number),
        of_result=lambda r: r.cycle.cycle_number,
    ),
    Point(
        "epoch",
        "Epoch",
        "How often the analyzer's counter began again; with the cycle number it names a cycle.",
        PointType.INT,
        8,
        _latest(lambda r: r.cycle.epoch),
        of_result=lambda r: r.cycle.epoch,
    ),
    Point(
        "age_s",
        "Age",
        "Age of the judged value: time since its sample passed the tap.",
        _F,
        10,
        _of_shown(lambda v: v.age_s),
        Quantity.TIME,
        0.0,
        86_400.0,
        scale=1,
    ),
    Point(
        "sampled_at",
        "SampledAt",
        "When the sample behind the judged value passed the tap.",
        PointType.TIME,
        12,
        _of_shown(lambda v: v.sampled_at),
        of_result=lambda r: r.sampled_at,
        in_history="When this cycle's sample passed the tap; as finished_at where nothing was seen "
        "to light.",
    ),
    Point(
        "heartbeat",
        "Heartbeat",
        "Counts up once a second while the gateway is alive; wraps at 65535.",
        PointType.CODE,
        16,
        _state(lambda v: v.heartbeat),
    ),
    Point(
        "link_state",
        "LinkState",
        "The link to the analyzer.",
        PointType.CODE,
        17,
        _state(lambda v: int(v.standing.link)),
        texts=LINK_TEXTS,
    ),
    Point(
        "phase",
        "Phase",
        "What the analyzer is doing now.",
        PointType.CODE,
        18,
        _phase,
        texts=PHASE_TEXTS,
    ),
    Point(
        "shown_cycle_number",
        "ShownCycleNumber",
        "The analyzer's number of the cycle whose value is shown as the judged flash point.",
        PointType.INT,
        20,
        _of_shown(lambda v: v.shown.cycle.cycle_number if v.shown else None),
    ),
    _result_float(
        "reported_c",
        "Reported",
        "flash point as the analyzer reports it. Not judged.",
        22,
        lambda r: r.computed.reported_c,
        _T,
        -50.0,
        400.0,
    ),
    _result_float(
        "recomputed_c",
        "Recomputed",
        "sample temperature at the ignition, recomputed from the trace. Not judged.",
        24,
        lambda r: r.computed.recomputed_c,
        _T,
        -50.0,
        400.0,
    ),
    _result_float(
        "corrected_c",
        "Corrected",
        "the chosen basis corrected to standard pressure. Not judged.",
        26,
        lambda r: r.computed.corrected_c,
        _T,
        -50.0,
        400.0,
    ),
    _result_float(
        "uncertainty_c",
        "Uncertainty",
        "one standard deviation of the recomputed temperature.",
        28,
        lambda r: r.computed.uncertainty_c,
        _D,
        0.0,
        10.0,
    ),
    _result_float(
        "resolution_c",
        "Resolution",
        "temperature step between two sparks.",
        30,
        lambda r: r.computed.resolution_c,
        _D,
        0.0,
        10.0,
    ),
    _result_float(
        "heating_rate_c_per_min",
        "HeatingRate",
        "heating rate before the ignition, from the trace.",
        32,
        lambda r: r.computed.heating_rate_c_per_min,
        Quantity.HEATING_RATE,
        0.0,
        30.0,
    ),
    _result_float(
        "peak_kpa",
        "IgnitionPeak",
        "highest cell pressure of the ignition above its baseline.",
        34,
        lambda r: r.computed.peak_kpa,
        _P,
        0.0,
        1000.0,
    ),
    _result_float(
        "barometer_kpa",
        "Barometer",
        "absolute pressure used for the correction.",
        36,
        lambda r: r.computed.barometer_kpa,
        _P,
        50.0,
        110.0,
        scale=-1,
    ),
    _result_float(
        "correction_c",
        "PressureCorrection",
        "correction to standard pressure that was added.",
        38,
        lambda r: r.computed.correction_c,
        _D,
        -10.0,
        15.0,
    ),
    Point(
        "live_flash_point_c",
        "LiveFlashPoint",
        "What the analyzer shows as flash point now. Not judged: do not control on it.",
        _F,
        40,
        _live(Role.FLASH_POINT),
        _T,
        -50.0,
        400.0,
    ),
    Point(
        "live_sample_temperature_c",
        "LiveSampleTemperature",
        "Sample temperature in the cup now.",
        _F,
        42,
        _live(Role.SAMPLE_TEMPERATURE),
        _T,
        -50.0,
        400.0,
    ),
    Point(
        "live_cell_pressure_kpa",
        "LiveCellPressure",
        "Cell pressure above ambient now.",
        _F,
        44,
        _live(Role.CELL_PRESSURE),
        _P,
        -100.0,
        1000.0,
    ),
    Point(
        "live_sample_flow_ml_per_min",
        "LiveSampleFlow",
        "Sample flow now.",
        _F,
        46,
        _live(Role.SAMPLE_FLOW),
        Quantity.FLOW,
        0.0,
        1000.0,
    ),
    Point(
        "accepted_count",
        "AcceptedCount",
        "Cycles accepted since the gateway started.",
        PointType.INT,
        48,
        _state(lambda v: v.standing.counts.accepted),
    ),
    Point(
        "doubtful_count",
        "DoubtfulCount",
        "Cycles doubted since the gateway started.",
        PointType.INT,
        50,
        _state(lambda v: v.standing.counts.doubtful),
    ),
    Point(
        "rejected_count",
        "RejectedCount",
        "Cycles rejected since the gateway started.",
        PointType.INT,
        52,
        _state(lambda v: v.standing.counts.rejected),
    ),
    Point(
        "reason_text",
        "ReasonText",
        "The reason in words; Modbus carries the first 32 bytes.",
        PointType.TEXT,
        54,
        _state(lambda v: v.reason_text),
    ),
    _result_float(
        "margin_c",
        "Margin",
        "flash point minus the product's limit; below 0 it fails. Not judged.",
        70,
        lambda r: r.assessment.margin_c,
        _D,
        -200.0,
        200.0,
        scale=1,
    ),
    _result_float(
        "meets_limit_percent",
        "MeetsLimit",
        "probability that the true flash point meets the product's limit. Not judged.",
        72,
        lambda r: None if (p := r.assessment.probability) is None else 100.0 * p,
        Quantity.PERCENT,
        0.0,
        100.0,
    ),
    _result_float(
        "minimum_c",
        "Minimum",
        "the product's lowest flash point, in force for it.",
        74,
        lambda r: r.assessment.minimum_c,
        _T,
        -50.0,
        400.0,
    ),
    _result_float(
        "predicted_c",
        "Predicted",
        "flash point predicted from the blend or the distillation. A cross-check only.",
        76,
        lambda r: r.assessment.predicted_c,
        _T,
        -50.0,
        400.0,
    ),
    Point(
        "stream",
        "Stream",
        LATEST + "number of the stream that was measured.",
        PointType.INT,
        78,
        _latest(lambda r: r.assessment.stream),
        of_result=lambda r: r.assessment.stream,
    ),
    Point(
        "product",
        "Product",
        LATEST + "product it was judged as.",
        PointType.TEXT,
        80,
        _latest(lambda r: r.product or None),
    ),
    Point(
        "hazard_class",
        "HazardClass",
        LATEST + "hazard class by flash point under the site's scheme, as information only: local "
        "codes and licensed practice decide.",
        PointType.TEXT,
        96,
        _latest(lambda r: r.assessment.hazard_class or None),
        of_result=lambda r: r.assessment.hazard_class or None,
    ),
    *(_alarm_point(alarm) for alarm in ALARMS if alarm.code < FIRST_ALARMS),
    Point(
        "device_health",
        "DeviceHealth",
        "Health of the analyzer after NAMUR NE 107, from the latest cycle and the present.",
        PointType.CODE,
        192,
        _health,
        texts=HEALTH_TEXTS,
    ),
    Point(
        "link_timeouts",
        "LinkTimeouts",
        "Requests to the analyzer without an answer in time, since the gateway started. A rising "
        "count on a link that is up is a cable, a converter or a busy device that wants a look.",
        PointType.INT,
        140,
        _state(lambda v: v.standing.link_figures.timeouts),
    ),
    Point(
        "round_trip_s",
        "RoundTrip",
        "Time from request to answer that 95 % of the analyzer's answers of the last hour kept; no "
        "value until it has answered.",
        PointType.FLOAT,
        142,
        _round_trip,
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
        _state(status_word),
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
        _alarm_word(active_word),
        bits=ALARM_BITS,
        bits_at=160,
    ),
    Point(
        "alarms_unacknowledged",
        "AlarmsUnacknowledged",
        "Alarms that nobody has acknowledged, standing or not; bits as in `alarms_active`.",
        PointType.CODE,
        121,
        _alarm_word(unacknowledged_word),
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
        _state(lambda v: bool(v.standing.tests)),
    ),
    *(_alarm_point(alarm) for alarm in ALARMS if alarm.code >= FIRST_ALARMS),
    Point(
        "clock_synchronisation",
        "ClockSynchronisation",
        "Whether a time service keeps the wall clock of the gateway right, as the system says. No "
        "age and no quality depends on it; times in records do.",
        PointType.CODE,
        144,
        _state(lambda v: int(v.standing.clock.synchronisation)),
        texts=CLOCK_TEXTS,
    ),
    Point(
        "clock_error_s",
        "ClockError",
        "How wrong the wall clock of the gateway may be at most, as its time service says; "
        "no value unless it is synchronised.",
        PointType.FLOAT,
        145,
        _clock_error,
        Quantity.TIME,
        0.0,
        16.0,
        scale=-2,
    ),
)

"""What people on the gateway's machine may ask of it over the operator's socket."""

from __future__ import annotations

from datetime import datetime

from edgeflash.access import Who
from edgeflash.alarms.acknowledging import Reply, Request
from edgeflash.errors import EdgeflashError
from edgeflash.gateway import history_desk, mqtt_desk
from edgeflash.gateway.history_desk import HistoryDesk
from edgeflash.gateway.mqtt_desk import MqttDesk
from edgeflash.gateway.operations import LONGEST_TEXT, GatewayOperations
from edgeflash.points import CATALOGUE, PointScalar, PointType
from edgeflash.publication import TestSignal
from edgeflash.trust import Quality

WISHES = (
    "list",
    "acknowledge",
    "maintenance",
    "check_sample",
    "test_signal",
    "renew_test",
    "end_test",
)

_TIMES = frozenset(p.name for p in CATALOGUE if p.type is PointType.TIME)
_FLOATS = frozenset(p.name for p in CATALOGUE if p.type is PointType.FLOAT)


class RequestError(EdgeflashError):
    """A request cannot be understood, or names what is not there."""


class OperatorRequests:
    """Answers one request at a time."""

    def __init__(
        self,
        operations: GatewayOperations,
        history: HistoryDesk | None = None,
        mqtt: MqttDesk | None = None,
    ) -> None:
        self._operations = operations
        self._mqtt = mqtt
        self._history = history

    async def answer(self, request: Request, who: Who) -> Reply:
        """The reply. Raises EdgeflashError to refuse; its words go to the user."""
        wish = request.get("do")
        if wish == "list":
            return self._operations.rows()
        if self._history is not None and wish in history_desk.WISHES:
            return self._history.answer(str(wish), who)
        if self._mqtt is not None and wish in mqtt_desk.WISHES:
            return await self._mqtt.answer(str(wish), request, who)
        if wish not in WISHES:
            known = (*WISHES, *history_desk.WISHES, *mqtt_desk.WISHES)
            raise RequestError(f"`do` must be one of {', '.join(known)}")
        analyzer = _text(request, "analyzer")
        more = await self._done(str(wish), request, analyzer, who)
        recorded = self._operations.is_recorded(analyzer)
        return {"by": who.name, "recorded": recorded, **more}

    async def _done(self, wish: str, request: Request, analyzer: str, who: Who) -> Reply:
        operations = self._operations
        because = _text(request, "because") if "because" in request else ""
        match wish:
            case "acknowledge":
                alarm = _text(request, "alarm")
                state = await operations.acknowledge(analyzer, alarm, who, because)
                return {"state": state.value}
            case "maintenance":
                minutes = _number_or_none(request, "minutes")
                await operations.maintenance(analyzer, minutes, who, because)
            case "check_sample":
                minutes = _number_or_none(request, "minutes")
                await operations.check_sample(analyzer, minutes, who, because)
            case "test_signal":
                point, seconds = _text(request, "point"), _number(request, "seconds")
                lease_s = _number_or_none(request, "lease_s")
                signal = TestSignal(_value(request, point), _quality(request))
                await operations.test_signal(analyzer, point, signal, seconds, who, lease_s)
            case "renew_test":
                wanted = _text(request, "point") if request.get("point") else None
                return {"points": await operations.renew_tests(analyzer, who, wanted)}
            case "end_test":
                wanted = _text(request, "point") if request.get("point") else None
                only_own = request.get("only_own", False)
                if not isinstance(only_own, bool):
                    raise RequestError("`only_own` must be true or false")
                await operations.end_test(analyzer, wanted, who, only_own)
        return {}


def _text(request: Request, key: str) -> str:
    value = request.get(key)
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        raise RequestError(f"`{key}` must be a text of at most {LONGEST_TEXT} characters")
    if not value.isprintable():
        raise RequestError(f"`{key}` must be one line without control characters")
    return value


def _number(request: Request, key: str) -> float:
    value = request.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise RequestError(f"`{key}` must be a number")
    try:
        return float(value)
    except OverflowError as error:
        raise RequestError(f"`{key}` is far too large") from error


def _number_or_none(request: Request, key: str) -> float | None:
    return None if request.get(key) is None else _number(request, key)


def _value(request: Request, point: str) -> PointScalar:
    """A test value as JSON has it: a time as ISO 8601 text."""
    value = request.get("value")
    if value is not None and not isinstance(value, bool | int | float | str):
        raise RequestError("`value` must be a number, a text, true, false or null")
    if isinstance(value, int) and not isinstance(value, bool) and point in _FLOATS:
        return _number(request, "value")
    if point not in _TIMES or not isinstance(value, str):
        return value
    try:
        return datetime.fromisoformat(value)
    except ValueError as error:
        raise RequestError(f"`value`: {value!r} is no time") from error


def _quality(request: Request) -> Quality:
    """A quality by its name here, such as "last_usable"; that of a test unless given."""
    name = _text(request, "quality") if "quality" in request else Quality.TEST.name
    try:
        return Quality[name.upper()]
    except KeyError as error:
        known = ", ".join(q.name.lower() for q in Quality)
        raise RequestError(f"there is no quality '{name}'; there are: {known}") from error

"""Calls of methods: which there are, whether a call is sound, who may make it, what it answers.

A call reaches the methods registered here and nothing else: the standard's other methods, which
the address space shows, are refused. Status codes: OPC 10000-4, 5.12.2 (from memory).
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import structlog
from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.server.address_space import AddressSpace
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.access import NEEDED_ROLE, NotAllowedError, Operation, Who
from edgeflash.errors import EdgeflashError
from edgeflash.outlets.bucket import Bucket

MAX_CALLS = 32
"""Calls in one request; more are refused with BadTooManyOperations."""

CALL_TIMEOUT_S = 10.0
"""A method that takes longer is answered with BadTimeout; whether it was done is not known then."""

LONGEST_TEXT = 500
"""Characters of a text argument; the operator's socket takes as many."""

BURST, EVERY_S = 32, 1.0
"""Refused calls told of in the log at once, then one in so many seconds: anybody can be refused."""

log = structlog.get_logger("edgeflash.opcua.methods")


@dataclass(frozen=True, slots=True)
class Caller:
    """Who calls, and in which session (its NodeId)."""

    who: Who
    session: ua.NodeId


@dataclass(frozen=True, slots=True)
class Argument:
    """One input or output argument. type: a built-in type; Null takes any scalar.

    check: the status of a value of the right type, Good when it can be used.
    """

    name: str
    type: ua.VariantType
    description: str
    check: Callable[[Any], int] = lambda value: StatusCodes.Good
    is_array: bool = False


class CallRefusedError(EdgeflashError):
    """A call is not done. status: the code for the client. arguments: status of each argument."""

    def __init__(self, status: int, why: str, arguments: Sequence[int] = ()) -> None:
        super().__init__(why)
        self.status = status
        self.arguments = tuple(arguments)


Run = Callable[[list[Any], Caller], Awaitable[list[ua.Variant]]]
"""Does it: takes the arguments' values, gives the output arguments, raises EdgeflashError."""


@dataclass(frozen=True, slots=True)
class Method:
    """A method that clients may call. needs: the operation it is; None: reading is enough."""

    name: str
    arguments: tuple[Argument, ...]
    run: Run
    needs: Operation | None = None


class Calls:
    """The methods of one server, by object and method NodeId."""

    def __init__(self) -> None:
        self._methods: dict[tuple[ua.NodeId, ua.NodeId], Method] = {}
        self._needs: dict[ua.NodeId, Operation | None] = {}
        self._may_tell = Bucket(BURST, EVERY_S)
        self._untold = 0

    def add(self, node: ua.NodeId, method_id: ua.NodeId, method: Method) -> None:
        """Lets a method be called on an object."""
        self._methods[node, method_id] = method
        self._needs[method_id] = method.needs

    async def answer(
        self, requests: Sequence[ua.CallMethodRequest], caller: Caller, space: AddressSpace
    ) -> list[ua.CallMethodResult]:
        """The results, in order. Raises ServiceError when the request as a whole is refused."""
        if not requests:
            raise ServiceError(StatusCodes.BadNothingToDo)
        if len(requests) > MAX_CALLS:
            raise ServiceError(StatusCodes.BadTooManyOperations)
        answers = []
        for request in requests:
            answers.append(await self._answer(request, caller, space))
            await asyncio.sleep(0)  # a method may not wait at all: others have their turn
        return answers

    async def _answer(
        self, request: ua.CallMethodRequest, caller: Caller, space: AddressSpace
    ) -> ua.CallMethodResult:
        method = self._methods.get((request.ObjectId, request.MethodId))
        told = log.bind(who=caller.who.name, via=caller.who.via)
        result = ua.CallMethodResult()
        try:
            if method is None:
                raise CallRefusedError(
                    _unknown(request, space), f"there is no such method: {request.MethodId}"
                )
            told = told.bind(method=method.name)
            values = sound_values(method.arguments, request.InputArguments or [])
            async with asyncio.timeout(CALL_TIMEOUT_S):
                result.OutputArguments = await method.run(values, caller)
            result.InputArgumentResults = [ua.StatusCode() for _ in values]
            told.info("method called")
        except CallRefusedError as error:
            result.StatusCode = _status(error.status)
            result.InputArgumentResults = [_status(code) for code in error.arguments]
            self._tell_refused(told, str(error), result.StatusCode.name)
        except NotAllowedError as error:
            result.StatusCode = _status(StatusCodes.BadUserAccessDenied)
            self._tell_refused(told, str(error), result.StatusCode.name)
        except EdgeflashError as error:
            result.StatusCode = _status(StatusCodes.BadInvalidState)
            self._tell_refused(told, str(error), result.StatusCode.name)
        except TimeoutError:
            result.StatusCode = _status(StatusCodes.BadTimeout)
            told.error("method took too long", limit_s=CALL_TIMEOUT_S)
        except Exception:
            result.StatusCode = _status(StatusCodes.BadUnexpectedError)
            told.exception("method failed inside the gateway")
        return result

    def _tell_refused(self, told: Any, why: str, status: str) -> None:
        if not self._may_tell.take():
            self._untold += 1
            return
        told.warning("method refused", why=why, status=status, untold_before=self._untold)
        self._untold = 0

    def show_executable(
        self, asked: Sequence[ua.ReadValueId], results: list[ua.DataValue], who: Who
    ) -> None:
        """Makes UserExecutable tell what this user may call, in the results of a reading."""
        for place, item in enumerate(asked):
            is_method = item.AttributeId == AttributeIds.UserExecutable
            if not is_method or results[place].Value is None:
                continue
            needed = self._needs.get(item.NodeId)
            lacks_role = needed is not None and who.role < NEEDED_ROLE[needed]
            if item.NodeId not in self._needs or lacks_role:
                results[place] = ua.DataValue(ua.Variant(False, ua.VariantType.Boolean))


def sound_values(arguments: Sequence[Argument], given: Sequence[ua.Variant]) -> list[Any]:
    """The values of a call's arguments. Raises CallRefusedError, with a status for each."""
    if len(given) < len(arguments):
        raise CallRefusedError(StatusCodes.BadArgumentsMissing, "arguments are missing")
    if len(given) > len(arguments):
        raise CallRefusedError(StatusCodes.BadTooManyArguments, "there are too many arguments")
    codes = [_argument_status(wanted, one) for wanted, one in zip(arguments, given, strict=True)]
    if any(codes):
        wrong = ", ".join(a.name for a, code in zip(arguments, codes, strict=True) if code)
        raise CallRefusedError(
            StatusCodes.BadInvalidArgument, f"not a value for it: {wrong}", codes
        )
    return [one.Value for one in given]


def _argument_status(wanted: Argument, given: ua.Variant) -> int:
    is_any = wanted.type is ua.VariantType.Null
    if given.is_array or not (is_any or given.VariantType is wanted.type):
        return StatusCodes.BadTypeMismatch
    return wanted.check(given.Value)


def one_line(value: Any) -> int:
    """The status of a text: BadOutOfRange when too long or not one line of print."""
    words = value.Text if isinstance(value, ua.LocalizedText) else value
    is_sound = words is None or (len(words) <= LONGEST_TEXT and words.isprintable())
    return StatusCodes.Good if is_sound else StatusCodes.BadOutOfRange


def within(above: float, most: float) -> Callable[[Any], int]:
    """Checks that above < value <= most; NaN is not."""
    return lambda value: StatusCodes.Good if above < value <= most else StatusCodes.BadOutOfRange


def _unknown(request: ua.CallMethodRequest, space: AddressSpace) -> int:
    """Why no registered method is meant."""
    if request.ObjectId not in space or request.MethodId not in space:
        return StatusCodes.BadNodeIdUnknown
    is_method = space.read_attribute_value(request.MethodId, AttributeIds.NodeClass).Value
    if is_method is None or is_method.Value != ua.NodeClass.Method:
        return StatusCodes.BadMethodInvalid
    parts: Mapping[ua.NodeId, object] = {r.NodeId: r for r in space[request.ObjectId].references}
    if request.MethodId not in parts:
        return StatusCodes.BadMethodInvalid
    return StatusCodes.BadUserAccessDenied


def _status(code: int) -> ua.StatusCode:
    return ua.StatusCode(ua.UInt32(code))

"""HistoryRead as a client sees it, over files and the journal's tail.

Rows are compared with the results that went in; the Parquet files and the journal are the real
ones. Status codes: OPC 10000-6, A.2; what they say when: OPC 10000-11, 6.5 and 7 (from memory).
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua

from edgeflash.gateway.history_source import HistorySource
from edgeflash.history import HistoryWriter
from edgeflash.journal import Journal
from edgeflash.model import Result, Verdict
from edgeflash.outlets import OpcUaOutlet
from edgeflash.outlets.history_rows import HISTORIC
from edgeflash.outlets.opcua_history import MAX_NODES, MAX_VALUES
from edgeflash.outlets.opcua_history_tasks import MAX_TIMES
from edgeflash.points import CATALOGUE
from tests.unit.outlets.builders import analyzer, opcua, result

pytestmark = pytest.mark.asyncio(loop_scope="module")
MODULE = {"scope": "module", "loop_scope": "module"}

FIRST = datetime(2024, 4, 29, 0, 0, tzinfo=UTC)
EVERY = timedelta(minutes=5)
COUNT, FLUSHED = 2500, 2100
"""More than one page, over the end of a month; the last 400 stand in the journal only."""
ANALYZERS = (analyzer("fp-101", 1, hold_s=900.0), analyzer("fp-102", 2))


def made(number: int) -> Result:
    """Every 7th is doubtful, every 11th rejected."""
    verdict = Verdict.ACCEPTED
    if number % 7 == 3:
        verdict = Verdict.DOUBTFUL
    if number % 11 == 5:
        verdict = Verdict.REJECTED
    value_c = 60.0 + number % 50 / 10
    return result("fp-101", number, value_c, verdict, FIRST + number * EVERY)


RESULTS = [made(number) for number in range(COUNT)]


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(**MODULE)
async def client(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Client]:
    """A client of an outlet in °F with a history of COUNT cycles."""
    folder = tmp_path_factory.mktemp("history")
    journal = await asyncio.to_thread(Journal.open, folder / "journal.db")
    await _fill(journal, folder)
    source = HistorySource(folder / "history", journal, ANALYZERS)
    outlet = OpcUaOutlet(opcua(temperature_unit="degF"), ANALYZERS, "Invented Bend", history=source)
    await outlet.start()
    try:
        async with Client(outlet.endpoint, timeout=30) as one:
            yield one
    finally:
        await outlet.stop()
        await asyncio.to_thread(journal.close)


async def _fill(journal: Journal, folder: Path) -> None:
    futures = [journal.append(r) for r in RESULTS[:FLUSHED]]
    await asyncio.gather(*map(asyncio.wrap_future, futures))
    await asyncio.to_thread(HistoryWriter(journal, folder / "history").flush)
    futures = [journal.append(r) for r in RESULTS[FLUSHED:]]
    await asyncio.gather(*map(asyncio.wrap_future, futures))


def node(name: str, of: str = "fp-101") -> ua.NodeId:
    return ua.NodeId(f"{of}.{name}", 2)


async def read(
    client: Client,
    details: Any,
    *nodes: ua.NodeId,
    token: bytes | None = None,
    release: bool = False,
    timestamps: ua.TimestampsToReturn = ua.TimestampsToReturn.Both,
    **more: Any,
) -> list[ua.HistoryReadResult]:
    """One HistoryRead request."""
    params = ua.HistoryReadParameters()
    params.HistoryReadDetails = details
    params.TimestampsToReturn = timestamps
    params.ReleaseContinuationPoints = release
    params.NodesToRead = [
        ua.HistoryReadValueId(NodeId=one, ContinuationPoint=token, **more) for one in nodes
    ]
    return await client.uaclient.session.history_read(params)


def raw(
    start: datetime | None, end: datetime | None, count: int = 0, bounds: bool = False
) -> ua.ReadRawModifiedDetails:
    none = ua.get_win_epoch()
    return ua.ReadRawModifiedDetails(
        IsReadModified=False,
        StartTime=start or none,
        EndTime=end or none,
        NumValuesPerNode=count,
        ReturnBounds=bounds,
    )


def processed(
    function: int, start: datetime, end: datetime, interval_ms: float, times: int = 1
) -> ua.ReadProcessedDetails:
    return ua.ReadProcessedDetails(
        StartTime=start,
        EndTime=end,
        ProcessingInterval=interval_ms,
        AggregateType=[ua.NodeId(function)] * times,
    )


async def whole(client: Client, details: Any, one: ua.NodeId) -> list[ua.DataValue]:
    """Every page."""
    values: list[ua.DataValue] = []
    token = None
    while True:
        (answer,) = await read(client, details, one, token=token)
        assert answer.StatusCode.is_good()
        assert len(answer.HistoryData.DataValues) <= MAX_VALUES
        values += answer.HistoryData.DataValues
        token = answer.ContinuationPoint
        if not token:
            return values


def status(answer: ua.HistoryReadResult) -> str:
    return str(answer.StatusCode.name)


def times(values: list[ua.DataValue]) -> list[datetime]:
    return [v.SourceTimestamp for v in values]


LAST = RESULTS[-1].sampled_at


async def test_every_cycle_is_there_with_its_own_quality(client: Client) -> None:
    """Accepted is good, doubtful uncertain with its value, rejected bad without one; in °F."""
    values = await whole(client, raw(FIRST, LAST + EVERY), node("flash_point_c"))
    assert times(values) == [r.sampled_at for r in RESULTS]
    for value, made_of in zip(values, RESULTS, strict=True):
        assert value.ServerTimestamp == made_of.judged_at
        if made_of.verdict is Verdict.REJECTED:
            assert value.StatusCode.is_bad()
            assert value.Value is None or value.Value.Value is None
            continue
        assert made_of.published_c is not None
        assert value.Value.Value == pytest.approx(made_of.published_c * 1.8 + 32.0)
        assert value.StatusCode.is_good() == (made_of.verdict is Verdict.ACCEPTED)
        assert value.StatusCode.is_uncertain() == (made_of.verdict is Verdict.DOUBTFUL)


async def test_reported_is_there_for_rejected_cycles_too(client: Client) -> None:
    """What the analyzer said is never good then, and never lost."""
    values = await whole(client, raw(FIRST, FIRST + 20 * EVERY), node("reported_c"))
    assert [v.Value.Value for v in values] == pytest.approx(
        [(r.computed.reported_c or 0.0) * 1.8 + 32.0 for r in RESULTS[:20]]
    )
    assert [v.StatusCode.is_good() for v in values] == [
        r.verdict is Verdict.ACCEPTED for r in RESULTS[:20]
    ]


async def test_backward_is_the_reverse(client: Client) -> None:
    """From the later time, which is included, to the earlier, which is not."""
    start, end = FIRST + 1500 * EVERY, FIRST + 100 * EVERY
    values = await whole(client, raw(start, end), node("flash_point_c"))
    assert times(values) == [RESULTS[n].sampled_at for n in range(1500, 100, -1)]


async def test_the_library_s_own_client_reads_all_pages(client: Client) -> None:
    values = await client.get_node(node("cycle_number")).read_raw_history(
        FIRST, LAST + EVERY, return_bounds=False
    )
    assert [v.Value.Value for v in values] == list(range(COUNT))


async def test_number_of_values(client: Client) -> None:
    """With a range: more by continuation. With one time only: that many, and no more."""
    (answer,) = await read(client, raw(FIRST, LAST, 10), node("flash_point_c"))
    assert len(answer.HistoryData.DataValues) == 10
    assert answer.ContinuationPoint
    forward = await whole(client, raw(FIRST + 5 * EVERY, None, 1700), node("flash_point_c"))
    assert times(forward) == [r.sampled_at for r in RESULTS[5:1705]]
    backward = await whole(client, raw(None, FIRST + 5 * EVERY, 3), node("flash_point_c"))
    assert times(backward) == [RESULTS[n].sampled_at for n in (5, 4, 3)]


async def test_bounds(client: Client) -> None:
    """The rows around the time asked; BadBoundNotFound where there is none."""
    inside = timedelta(minutes=1)
    details = raw(FIRST + inside, FIRST + 2 * EVERY + inside, bounds=True)
    values = await whole(client, details, node("flash_point_c"))
    assert times(values) == [r.sampled_at for r in RESULTS[0:4]]
    exact = await whole(
        client, raw(FIRST + EVERY, FIRST + 3 * EVERY, bounds=True), node("flash_point_c")
    )
    assert times(exact) == [r.sampled_at for r in RESULTS[1:4]]
    early = FIRST - timedelta(days=1)
    values = await whole(client, raw(early, FIRST + inside, bounds=True), node("flash_point_c"))
    assert values[0].StatusCode.name == "BadBoundNotFound"
    assert times(values) == [early, *(r.sampled_at for r in RESULTS[:2])]


async def test_an_empty_time_is_no_data(client: Client) -> None:
    early = FIRST - timedelta(days=400)
    (answer,) = await read(client, raw(early, early + EVERY), node("flash_point_c"))
    assert status(answer) == "GoodNoData"
    (answer,) = await read(client, raw(FIRST, LAST), node("flash_point_c", "fp-102"))
    assert status(answer) == "GoodNoData"


async def test_at_time(client: Client) -> None:
    """The row itself; the one before, interpolated (0x402); none after a rejected cycle."""
    numbers = [1, 2, 5, 3]
    asked = [RESULTS[1].sampled_at, *(RESULTS[n].sampled_at + EVERY / 2 for n in numbers[1:])]
    details = ua.ReadAtTimeDetails(ReqTimes=asked, UseSimpleBounds=True)
    values = await whole(client, details, node("flash_point_c"))
    assert times(values) == asked
    assert [v.StatusCode.value for v in values] == [0, 0x402, 0x809B0000, 0x40A40402]
    assert values[1].Value.Value == pytest.approx((RESULTS[2].published_c or 0.0) * 1.8 + 32)
    details.UseSimpleBounds = False
    values = await whole(client, details, node("flash_point_c"))
    assert values[2].StatusCode.value == 0x40A40402
    assert values[2].Value.Value == pytest.approx((RESULTS[4].published_c or 0.0) * 1.8 + 32)


async def test_a_value_does_not_stand_longer_than_it_may(client: Client) -> None:
    """After hold_s without a result nothing is known, as nothing is shown live."""
    asked = [LAST + timedelta(seconds=s) for s in (899.0, 901.0)]
    details = ua.ReadAtTimeDetails(ReqTimes=asked, UseSimpleBounds=True)
    values = await whole(client, details, node("reported_c"))
    # Uncertain, for none has followed; then BadNoData.
    assert [v.StatusCode.value for v in values] == [0x40A40402, 0x809B0000]


async def test_open_readings_keep_few_times(client: Client) -> None:
    """Two of the longest requests; the nodes of one share its times. Else 100 of them were kept."""
    nodes = (node("flash_point_c"), node("reported_c"))
    opened: list[tuple[ua.NodeId, bytes]] = []
    details = ua.ReadAtTimeDetails(ReqTimes=[FIRST] * MAX_TIMES, UseSimpleBounds=True)
    for expected in ("Good", "Good", "BadNoContinuationPoints"):
        answers = await read(client, details, *nodes)
        assert [status(answer) for answer in answers] == [expected] * len(nodes)
        opened += zip(nodes, [answer.ContinuationPoint for answer in answers], strict=True)
    for one, token in opened[:4]:
        (released,) = await read(client, details, one, token=token, release=True)
        assert status(released) == "Good"


async def test_processed(client: Client) -> None:
    """Hours of twelve cycles, against plain arithmetic over what went in."""
    hours = 48
    end = FIRST + timedelta(hours=hours)
    seen = {}
    for function in ("Average", "Minimum", "Maximum", "Count", "PercentGood"):
        number = getattr(ua.ObjectIds, f"AggregateFunction_{function}")
        details = processed(number, FIRST, end, 3_600_000.0)
        seen[function] = await whole(client, details, node("flash_point_c"))
        assert times(seen[function]) == [FIRST + timedelta(hours=h) for h in range(hours)]
    for hour in range(hours):
        twelve = RESULTS[12 * hour : 12 * hour + 12]
        good = [
            (r.published_c or 0.0) * 1.8 + 32.0 for r in twelve if r.verdict is Verdict.ACCEPTED
        ]
        assert seen["Average"][hour].Value.Value == pytest.approx(sum(good) / len(good))
        assert seen["Minimum"][hour].Value.Value == pytest.approx(min(good))
        assert seen["Maximum"][hour].Value.Value == pytest.approx(max(good))
        assert seen["Count"][hour].Value.Value == len(good)
        assert seen["Count"][hour].Value.VariantType is ua.VariantType.Int32
        assert len(good) < 12
        assert seen["Average"][hour].StatusCode.is_uncertain()
        assert seen["PercentGood"][hour].StatusCode.is_good()


async def test_a_long_processed_reading_comes_in_pages(client: Client) -> None:
    """Each cycle's own interval: 2,500 of them, backward."""
    number = ua.ObjectIds.AggregateFunction_Count
    details = processed(number, LAST, FIRST - EVERY, EVERY.total_seconds() * 1000)
    values = await whole(client, details, node("flash_point_c"))
    assert times(values) == [r.sampled_at for r in reversed(RESULTS)]
    whole_time = await whole(
        client, processed(number, FIRST, LAST + EVERY, 0.0), node("flash_point_c")
    )
    accepted = sum(r.verdict is Verdict.ACCEPTED for r in RESULTS)
    assert [v.Value.Value for v in whole_time if v.Value] in ([accepted], [])


@pytest.mark.parametrize(
    ("details", "name", "wanted"),
    [
        (raw(FIRST, LAST), "age_s", "BadHistoryOperationUnsupported"),
        (raw(FIRST, LAST), "nothing", "BadNodeIdUnknown"),
        (raw(FIRST, None), "flash_point_c", "BadHistoryOperationInvalid"),
        (raw(None, None, 5), "flash_point_c", "BadHistoryOperationInvalid"),
        (
            ua.ReadRawModifiedDetails(IsReadModified=True, StartTime=FIRST, EndTime=LAST),
            "flash_point_c",
            "BadHistoryOperationUnsupported",
        ),
        (
            ua.ReadEventDetails(StartTime=FIRST, EndTime=LAST),
            "flash_point_c",
            "BadHistoryOperationUnsupported",
        ),
        (ua.ReadAtTimeDetails(ReqTimes=[]), "flash_point_c", "BadHistoryOperationInvalid"),
        (
            processed(ua.ObjectIds.AggregateFunction_Total, FIRST, LAST, 1000.0),
            "flash_point_c",
            "BadAggregateNotSupported",
        ),
        (
            processed(ua.ObjectIds.AggregateFunction_Average, FIRST, LAST, -1.0),
            "flash_point_c",
            "BadInvalidArgument",
        ),
        (
            processed(ua.ObjectIds.AggregateFunction_Average, FIRST, LAST, 1000.0),
            "hazard_class",
            "BadAggregateInvalidInputs",
        ),
    ],
)
async def test_refusals(client: Client, details: Any, name: str, wanted: str) -> None:
    (answer,) = await read(client, details, node(name))
    assert status(answer) == wanted


async def test_refused_requests(client: Client) -> None:
    """What is wrong with the whole request is said once."""
    details = raw(FIRST, LAST)
    for nodes, timestamps, wanted in (
        ([], ua.TimestampsToReturn.Both, "BadNothingToDo"),
        (
            [node("flash_point_c")] * (MAX_NODES + 1),
            ua.TimestampsToReturn.Both,
            "BadTooManyOperations",
        ),
        (
            [node("flash_point_c")],
            ua.TimestampsToReturn.Neither,
            "BadTimestampsToReturnInvalid",
        ),
    ):
        with pytest.raises(ua.UaStatusCodeError) as refusal:
            await read(client, details, *nodes, timestamps=timestamps)
        assert refusal.value.code == getattr(ua.StatusCodes, wanted)
    number = ua.ObjectIds.AggregateFunction_Count
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await read(client, processed(number, FIRST, LAST, 1e6, 2), node("flash_point_c"))
    assert refusal.value.code == ua.StatusCodes.BadAggregateListMismatch


async def test_index_ranges_encodings_and_server_time_are_refused(client: Client) -> None:
    details = raw(FIRST, LAST)
    (answer,) = await read(client, details, node("flash_point_c"), IndexRange="0:1")
    assert status(answer) == "BadIndexRangeNoData"
    encoding = ua.QualifiedName("Default XML", 0)
    (answer,) = await read(client, details, node("flash_point_c"), DataEncoding=encoding)
    assert status(answer) == "BadDataEncodingUnsupported"
    (answer,) = await read(
        client, details, node("flash_point_c"), timestamps=ua.TimestampsToReturn.Server
    )
    assert status(answer) == "BadTimestampNotSupported"
    (answer,) = await read(
        client, details, node("flash_point_c"), timestamps=ua.TimestampsToReturn.Source
    )
    assert answer.HistoryData.DataValues[0].ServerTimestamp is None


async def test_continuation_points_end_with_their_use(client: Client) -> None:
    """Used once, released, of another node, or invented: not valid."""
    details, one = raw(FIRST, LAST, 3), node("flash_point_c")
    (answer,) = await read(client, details, one)
    token = answer.ContinuationPoint
    (answer,) = await read(client, details, node("reported_c"), token=token)
    assert status(answer) == "BadContinuationPointInvalid"
    (answer,) = await read(client, details, one, token=token)
    assert times(answer.HistoryData.DataValues) == [r.sampled_at for r in RESULTS[3:6]]
    (again,) = await read(client, details, one, token=token)
    assert status(again) == "BadContinuationPointInvalid"
    (done,) = await read(client, details, one, token=answer.ContinuationPoint, release=True)
    assert done.StatusCode.is_good()
    (answer,) = await read(client, details, one, token=answer.ContinuationPoint)
    assert status(answer) == "BadContinuationPointInvalid"
    (answer,) = await read(client, details, one, token=b"invented")
    assert status(answer) == "BadContinuationPointInvalid"


async def test_continuation_points_are_bounded(client: Client) -> None:
    """More open readings than are kept are refused; released, there is room again."""
    details, one = raw(FIRST, LAST, 1), node("flash_point_c")
    tokens = []
    for _ in range(200):
        (answer,) = await read(client, details, one)
        if not answer.StatusCode.is_good():
            break
        tokens.append(answer.ContinuationPoint)
    assert status(answer) == "BadNoContinuationPoints"
    assert 1 <= len(tokens) <= 100
    for token in tokens:
        await read(client, details, one, token=token, release=True)
    (answer,) = await read(client, details, one)
    assert answer.StatusCode.is_good()
    await read(client, details, one, token=answer.ContinuationPoint, release=True)


async def test_several_nodes_share_an_answer(client: Client) -> None:
    nodes = [node(p.name) for p in HISTORIC]
    answers = await read(client, raw(FIRST, LAST), *nodes)
    assert sum(len(a.HistoryData.DataValues) for a in answers) <= MAX_VALUES
    for answer, one in zip(answers, nodes, strict=True):
        assert answer.StatusCode.is_good()
        if answer.ContinuationPoint:
            await read(client, raw(FIRST, LAST), one, token=answer.ContinuationPoint, release=True)


async def test_history_cannot_be_changed(client: Client) -> None:
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await client.get_node(node("flash_point_c")).history_update(ua.UpdateDataDetails())
    assert refusal.value.code in (
        ua.StatusCodes.BadUserAccessDenied,
        ua.StatusCodes.BadServiceUnsupported,
    )


async def test_what_nodes_and_server_say_of_it(client: Client) -> None:
    """Attributes, the configuration that says stepped, and the capabilities."""
    historic = {p.name for p in HISTORIC}
    assert {"flash_point_c", "reported_c", "recomputed_c", "corrected_c"} <= historic
    for point in CATALOGUE:
        one = client.get_node(node(point.name))
        level = await one.read_attribute(ua.AttributeIds.UserAccessLevel)
        historizing = await one.read_attribute(ua.AttributeIds.Historizing)
        assert level.Value.Value == (5 if point.name in historic else 1), point.name
        assert historizing.Value.Value is (point.name in historic)
        configurations = await one.get_referenced_nodes(
            refs=ua.ObjectIds.HasHistoricalConfiguration
        )
        assert len(configurations) == (point.name in historic)
        if configurations:
            (configuration,) = configurations
            assert (await configuration.read_browse_name()).to_string() == "0:HA Configuration"
            assert await (await configuration.get_child("0:Stepped")).read_value() is True
            treatment = await configuration.get_child("0:AggregateConfiguration")
            strict = [await one.read_value() for one in await treatment.get_children()]
            assert strict == [True, 100, 100, False]
    said = client.get_node(ua.ObjectIds.HistoryServerCapabilities)
    assert await (await said.get_child("0:AccessHistoryDataCapability")).read_value() is True
    assert await (await said.get_child("0:AccessHistoryEventsCapability")).read_value() is False
    assert await (await said.get_child("0:InsertDataCapability")).read_value() is False
    assert await (await said.get_child("0:MaxReturnDataValues")).read_value() == MAX_VALUES
    for folder in (
        await said.get_child("0:AggregateFunctions"),
        client.get_node(ua.ObjectIds.Server_ServerCapabilities_AggregateFunctions),
    ):
        names = {(await f.read_browse_name()).Name for f in await folder.get_children()}
        assert names == {"Average", "Minimum", "Maximum", "Count", "PercentGood"}

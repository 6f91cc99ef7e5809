"""What spans keys, analyzers and maps: the cases that are right beside those that are not."""

from __future__ import annotations

import pytest

from edgeflash.config.hosts import collide, host_problem, is_loopback, network_problem
from edgeflash.config.roles import has_trace
from edgeflash.config.site import (
    Analyzer,
    Basis,
    History,
    ModbusServer,
    OpcUaServer,
    SiteFile,
    SiteHeader,
)
from edgeflash.config.site_checks import site_problems
from edgeflash.model import Role

ALL = frozenset(Role)
NO_BAROMETER = ALL - {Role.BAROMETRIC_PRESSURE}
LIVE = frozenset({Role.SAMPLE_TEMPERATURE, Role.CELL_PRESSURE})
BLOCK = frozenset({Role.TRACE_TEMPERATURE, Role.TRACE_PRESSURE, Role.TRACE_INTERVAL})


def problems(roles: frozenset[Role] = ALL, site: dict[str, object] | None = None, **of: object):
    """Key and sentence of what is wrong with one analyzer, and with the rest of a site."""
    one = {"id": "kestrel-1", "number": 1, "map": "cup.toml", "host": "10.20.0.21"} | of
    analyzer = Analyzer.model_validate({"analyzer_corrects_barometer": False} | one)
    rest = {"opcua": OpcUaServer()} | (site or {})
    file = SiteFile(site=SiteHeader(name="depot"), analyzers=(analyzer,), **rest)
    return [(".".join(map(str, p.path)), p.problem) for p in site_problems(file, [roles])]


@pytest.mark.parametrize(
    ("roles", "given", "key"),
    [
        (ALL, {}, None),
        (NO_BAROMETER, {}, "analyzers.0.barometer_kpa"),
        (NO_BAROMETER, {"barometer_kpa": 98.0}, None),
        (NO_BAROMETER, {"correction": "none"}, None),
        (NO_BAROMETER, {"analyzer_corrects_barometer": True}, None),
        (ALL, {"analyzer_corrects_barometer": True, "correction": "none"}, None),
        (
            ALL,
            {"analyzer_corrects_barometer": True, "correction": "celsius_kpa"},
            "analyzers.0.correction",
        ),
        # What the gateway recomputes from the trace, the analyzer has not corrected.
        (
            ALL,
            {
                "analyzer_corrects_barometer": True,
                "correction": "celsius_mmhg",
                "basis": "recomputed",
            },
            None,
        ),
        (
            NO_BAROMETER,
            {"analyzer_corrects_barometer": True, "basis": "recomputed"},
            "analyzers.0.barometer_kpa",
        ),
    ],
)
def test_the_pressure_correction_is_made_once_and_can_be_made(
    roles: frozenset[Role], given: dict[str, object], key: str | None
) -> None:
    """A correction that is due needs a barometer; one that was made already must not come again."""
    assert [k for k, _ in problems(roles, **given)] == ([key] if key else [])


@pytest.mark.parametrize("roles", [frozenset(), LIVE, BLOCK, BLOCK - {Role.TRACE_INTERVAL}])
def test_a_recomputed_basis_needs_a_trace(roles: frozenset[Role]) -> None:
    """From the block or from polling both live values."""
    found = problems(roles | {Role.BAROMETRIC_PRESSURE}, basis="recomputed")
    assert ([k for k, _ in found] == []) is (roles in (LIVE, BLOCK)) is has_trace(roles)


def test_limits_that_meet_are_right() -> None:
    """The edges themselves: expected at the end of the range, equal backoffs, hold of one poll."""
    edges = {"expected_c": 125.0, "backoff_first_s": 30.0, "hold_s": 2.0, "poll_s": 2.0}
    assert problems(**edges) == []
    assert [k for k, _ in problems(range_low_c=60.0, range_high_c=60.0)] == [
        "analyzers.0.range_low_c"
    ]


@pytest.mark.parametrize("host", ["localhost", "127.9.9.9", "::1", "0.0.0.0", "10.20.0.5", "::"])
@pytest.mark.parametrize("is_open", [False, True])
def test_a_secured_server_may_listen_anywhere(host: str, is_open: bool) -> None:
    """So may one with the open endpoint, which the site file asks for in so many words."""
    server = OpcUaServer(host=host, allow_open_endpoint=is_open)
    assert problems(site={"opcua": server}) == []


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.9.9.9", "::1"])
def test_loopback_is_told_from_other_addresses(host: str) -> None:
    """All of 127.0.0.0/8 (RFC 1122, 3.2.1.3) and ::1 (RFC 4291, 2.5.3)."""
    assert is_loopback(host)
    assert not is_loopback("192.0.2.1")


def test_an_open_endpoint_for_nobody_is_a_mistake() -> None:
    """There no password is taken, so without anonymous clients nobody could use it."""
    server = OpcUaServer(allow_open_endpoint=True, anonymous=False)
    assert [k for k, _ in problems(site={"opcua": server})] == ["opcua.anonymous"]
    assert problems(site={"opcua": OpcUaServer(anonymous=False)}) == []


def test_names_for_the_certificate_are_names() -> None:
    """A mistake there would make a certificate that no client accepts."""
    server = OpcUaServer(host_names=("gateway-1", "opc.tcp://gateway-1"))
    assert [k for k, _ in problems(site={"opcua": server})] == ["opcua.host_names.1"]


def test_free_ports_never_collide() -> None:
    """Port 0 is a different port each time."""
    free = (ModbusServer(port=0), ModbusServer(port=0))
    assert problems(site={"opcua": OpcUaServer(port=0), "modbus": free}) == []


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        ("10.0.0.1", "10.0.0.1", True),
        ("10.0.0.1", "10.0.0.2", False),
        ("0.0.0.0", "10.0.0.2", True),
        ("localhost", "127.0.0.1", True),
        ("127.0.0.1", "0.0.0.0", True),
        ("::", "10.0.0.1", False),
        ("::", "::1", True),
        ("fe80::1", "FE80:0::1", True),
        ("Gate.example", "gate.example", True),
    ],
)
def test_which_hosts_share_a_port(one: str, other: str, expected: bool) -> None:
    """The same address in any spelling, and the wildcard of its family."""
    assert collide(one, other) is collide(other, one) is expected


def test_hosts_and_networks() -> None:
    """Names by RFC 1123, 2.1 (63 characters a label, 253 in all); networks by their own address."""
    for good in ("10.20.0.21", "::1", "fe80::1", "a", "cup-3.depot.example", "cup_3", "x.", "3com"):
        assert host_problem(good) is None, good
    bad_hosts = ("", "a b", "-a", "a-", "a..b", "1.2.3", "1.2.3.400", "a/b", "a:1", "x" * 64)
    for bad in (*bad_hosts, ".".join(["x" * 50] * 6)):
        assert host_problem(bad), bad
    for good in ("10.20.0.11", "10.20.0.0/24", "2001:db8::/32", "0.0.0.0/0"):
        assert network_problem(good) is None, good
    for bad in ("", "10.20.0", "10.20.0.1/24", "10.20.0.0/33", "panel"):
        assert network_problem(bad), bad


def test_basis_words_are_the_models() -> None:
    """The sentence on the basis names values the model takes."""
    (found,) = problems(frozenset({Role.BAROMETRIC_PRESSURE}), basis="recomputed")
    assert all(f'"{basis.value}"' in found[1] for basis in Basis)


@pytest.mark.parametrize(
    ("results", "traces", "is_wrong"),
    [
        ({}, {}, False),
        ({}, {"keep_days": 400}, False),
        ({"keep_mb": 500}, {}, False),
        ({"keep_days": 400}, {"keep_days": 400}, False),
        ({"keep_days": 400}, {"keep_days": 401}, True),
        ({"keep_days": 400}, {"keep_mb": 10_000}, True),
    ],
)
def test_a_trace_does_not_outlive_its_result(
    results: dict[str, float], traces: dict[str, float], is_wrong: bool
) -> None:
    """Without it, it says neither what was found nor what it was judged to be."""
    history = History.model_validate({"results": results, "traces": traces})
    found = [key for key, _ in problems(site={"history": history})]
    assert found == (["history.traces.keep_days"] if is_wrong else [])

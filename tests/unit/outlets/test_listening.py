"""Who may connect, and to what."""

from __future__ import annotations

import pytest

from edgeflash.outlets import OpcUaOutlet, OutletError
from edgeflash.outlets.listening import AllowList
from edgeflash.outlets.opcua import WRITING_ORDER
from edgeflash.points import CATALOGUE
from tests.unit.outlets.builders import analyzer, opcua


def test_without_keys_there_is_the_open_endpoint_or_nothing() -> None:
    """What would offer no endpoint at all is a mistake; the message names both ways out."""
    with pytest.raises(OutletError, match="allow_open_endpoint"):
        OpcUaOutlet(opcua(allow_open_endpoint=False), [analyzer()], "x")


@pytest.mark.parametrize(
    ("entries", "peer", "admitted"),
    [
        ((), "203.0.113.9", True),
        (("192.0.2.7",), "192.0.2.7", True),
        (("192.0.2.7",), "192.0.2.8", False),
        (("192.0.2.0/24", "198.51.100.1"), "192.0.2.255", True),
        (("192.0.2.0/24", "198.51.100.1"), "198.51.100.1", True),
        (("192.0.2.0/24", "198.51.100.1"), "198.51.100.2", False),
        (("192.0.2.7",), "::ffff:192.0.2.7", True),
        (("192.0.2.7",), "2001:db8::1", False),
        (("2001:db8::/32",), "2001:db8::1", True),
        (("fe80::/10",), "fe80::1%eth0", True),
        (("192.0.2.7",), "", False),
    ],
)
def test_allow_list(entries: tuple[str, ...], peer: str, admitted: bool) -> None:
    """Addresses and networks of both families; IPv4 inside IPv6 is the IPv4 address."""
    assert AllowList.of(entries).admits(peer) is admitted


@pytest.mark.parametrize("entry", ["192.0.2.300", "192.0.2.7/24", "dcs-1", ""])
def test_a_wrong_entry_is_an_error(entry: str) -> None:
    """A typing error must not silently admit everyone or no one."""
    with pytest.raises(OutletError, match="allow"):
        AllowList.of((entry,))


def test_the_cycle_number_is_written_last() -> None:
    """All points, once each, the cycle number after all others."""
    assert WRITING_ORDER[-1].name == "cycle_number"
    assert sorted(p.name for p in WRITING_ORDER) == sorted(p.name for p in CATALOGUE)


@pytest.mark.parametrize(
    ("host", "endpoint"),
    [
        ("127.0.0.1", "opc.tcp://127.0.0.1:4840/edgeflash"),
        ("::1", "opc.tcp://[::1]:4840/edgeflash"),
        ("localhost", "opc.tcp://localhost:4840/edgeflash"),
    ],
)
def test_endpoint_urls(host: str, endpoint: str) -> None:
    """An IPv6 address stands in brackets (RFC 3986, 3.2.2)."""
    assert OpcUaOutlet(opcua(host=host, port=4840), [analyzer()], "x").endpoint == endpoint

"""What counts as one client, its share, and which channels may be opened."""

from __future__ import annotations

import pytest
from asyncua import ua

from edgeflash.config.site import OpcUaServer, SecurityMode, SecurityPolicy
from edgeflash.outlets.listening import client_key
from edgeflash.outlets.opcua_limits import Limits
from edgeflash.outlets.opcua_security import POLICY_PREFIX, Policies

NONE, SIGN, ENCRYPT = (
    ua.MessageSecurityMode.None_,
    ua.MessageSecurityMode.Sign,
    ua.MessageSecurityMode.SignAndEncrypt,
)
NONE_URI = POLICY_PREFIX + "None"


@pytest.mark.parametrize(
    ("peer", "key"),
    [
        (("192.0.2.7", 50_000), "192.0.2.7"),
        (("::ffff:192.0.2.7", 50_000, 0, 0), "192.0.2.7"),
        (("2001:db8:1:2:3:4:5:6", 1, 0, 0), "2001:db8:1:2::/64"),
        (("2001:db8:1:2:ffff::1", 2, 0, 0), "2001:db8:1:2::/64"),
        (("fe80::1%eth0", 2, 0, 2), "fe80::/64"),
        (None, "?"),
    ],
)
def test_one_client(peer: object, key: str) -> None:
    """An IPv4 address; of IPv6 the network that one host can pick addresses from (RFC 4291)."""
    assert client_key(peer) == key


def test_shares() -> None:
    """The defaults, a half each; never nothing."""
    config = OpcUaServer()
    assert Limits.of_all(config) == Limits(32, 128, 20_000)
    assert Limits.of_each(config) == Limits(16, 64, 10_000)
    tiny = OpcUaServer(client_share=0.001)
    assert Limits.of_each(tiny) == Limits(1, 1, 20)
    assert Limits.of_each(tiny).event_items == 1


def test_what_the_site_file_grants_is_what_one_client_gets() -> None:
    """No other figure stands in the way of who raises it; the rest grows along."""
    large = OpcUaServer(max_subscriptions=1000, max_monitored_items=100_000, client_share=0.9)
    share = Limits.of_each(large)
    assert (share.subscriptions, share.monitored_items) == (900, 90_000)
    assert (share.places, share.event_items) == (450_000, 900)


def test_every_combination_by_default_and_none_only_when_asked() -> None:
    """Three policies with two modes each; the strongest is offered first."""
    names = [kind.name for kind in Policies(OpcUaServer(), True).types()]
    assert len(names) == 6
    assert names[0] == "Aes256Sha256RsaPss_SignAndEncrypt"
    assert not any("NoSecurity" in name or "Rsa15" in name for name in names)
    opened = Policies(OpcUaServer(allow_open_endpoint=True), True)
    assert opened.types()[-1] is ua.SecurityPolicyType.NoSecurity
    assert Policies(OpcUaServer(), False).types() == []


def test_which_channels_may_be_opened() -> None:
    """Policy and mode together; none for discovery at any time, and never with a mode."""
    some = Policies(
        OpcUaServer(policies=(SecurityPolicy.BASIC256_SHA256,), modes=(SecurityMode.SIGN,)), True
    )
    uri = POLICY_PREFIX + "Basic256Sha256"
    assert some.allows(uri, SIGN)
    assert not some.allows(uri, ENCRYPT)
    assert not some.allows(uri, NONE)
    assert not some.allows(POLICY_PREFIX + "Aes256_Sha256_RsaPss", SIGN)
    assert not some.allows(POLICY_PREFIX + "Basic256", SIGN)
    assert some.allows(NONE_URI, NONE)
    assert not some.allows(NONE_URI, SIGN)


@pytest.mark.parametrize(
    ("is_open", "anonymous", "at_none", "at_secured"),
    [
        (False, None, False, False),
        (False, True, False, True),
        (False, False, False, False),
        (True, None, True, False),
        (True, True, True, True),
        (True, False, False, False),
    ],
)
def test_where_nobody_needs_a_name(
    is_open: bool, anonymous: bool | None, at_none: bool, at_secured: bool
) -> None:
    """Not given: at the open endpoint only."""
    policies = Policies(OpcUaServer(allow_open_endpoint=is_open, anonymous=anonymous), True)
    assert policies.anonymous_on(NONE) is at_none
    assert policies.anonymous_on(SIGN) is at_secured
    assert policies.anonymous_on(ENCRYPT) is at_secured

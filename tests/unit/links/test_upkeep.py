"""What a link tells of its state, and when it comes back."""

from __future__ import annotations

from edgeflash.links.errors import LinkFault
from edgeflash.links.upkeep import Upkeep
from edgeflash.publication import LinkState
from tests.simulated_line import bench_analyzer

DOWN, MISCONFIGURED, UP = LinkState.DOWN, LinkState.MISCONFIGURED, LinkState.UP


def test_each_cause_is_told_once_while_it_does_not_work() -> None:
    """Who trusts the certificate reads that the password is wrong; who fails now so, now otherwise,
    is not told of with every attempt."""
    told: list[tuple[LinkState, str]] = []
    upkeep = Upkeep(bench_analyzer())

    def show(state: LinkState, sentence: str, cause: LinkFault | None = None) -> None:
        upkeep.show(lambda *state: told.append(state), state, sentence, cause)

    show(LinkState.CONNECTING, "connecting")
    show(MISCONFIGURED, "not trusted", LinkFault.NOT_TRUSTED)
    show(MISCONFIGURED, "not trusted, 2", LinkFault.NOT_TRUSTED)
    show(MISCONFIGURED, "wrong password", LinkFault.NOT_ADMITTED)
    show(MISCONFIGURED, "not trusted, 3", LinkFault.NOT_TRUSTED)
    upkeep.works(lambda *state: told.append(state), "reading")
    upkeep.works(lambda *state: told.append(state), "reading")
    show(DOWN, "no answer", LinkFault.NO_RESPONSE)
    show(DOWN, "refused", LinkFault.NOT_CONNECTED)
    show(DOWN, "no answer, 2", LinkFault.NO_RESPONSE)
    assert told == [
        (LinkState.CONNECTING, "connecting"),
        (MISCONFIGURED, "not trusted"),
        (MISCONFIGURED, "wrong password"),
        (UP, "reading"),
        (DOWN, "no answer"),
        (DOWN, "refused"),
    ]


def test_the_wait_grows_until_it_works_again() -> None:
    """Between half the ceiling and the ceiling, which doubles from backoff_first_s to the most."""
    upkeep = Upkeep(bench_analyzer(backoff_first_s=1.0, backoff_max_s=4.0))
    for ceiling_s in (1.0, 2.0, 4.0, 4.0):
        assert ceiling_s / 2 <= upkeep.next_backoff_s() <= ceiling_s
    upkeep.works(lambda *state: None, "reading")
    assert 0.5 <= upkeep.next_backoff_s() <= 1.0

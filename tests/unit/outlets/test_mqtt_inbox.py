"""What waits to be read of a broker: bounded, in order, and a flood hides nothing. Ours."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.mqtt_inbox import MOST_OF_A_TOPIC, MOST_TOPICS, Inbox
from edgeflash.outlets.mqtt_message import Message


def message(topic: str, number: int) -> Message:
    """One that can be told from the others."""
    return Message(topic, str(number).encode())


def test_a_flood_in_one_topic_hides_nothing_in_another() -> None:
    """And is shortened to its newest."""
    inbox = Inbox()
    for number in range(1000):
        inbox.put(message("loud", number))
    inbox.put(message("quiet", 1))
    got = [inbox.get() for _ in range(2)]
    assert got == [message("loud", 1000 - MOST_OF_A_TOPIC), message("quiet", 1)]
    assert inbox.dropped == 1000 - MOST_OF_A_TOPIC


def test_topics_without_end_take_no_room_without_end() -> None:
    """A broker that sends what nobody asked for."""
    inbox = Inbox()
    for number in range(1000):
        inbox.put(message(f"topic {number}", 0))
    assert inbox.dropped == 1000 - MOST_TOPICS
    assert [one for _ in range(100) if (one := inbox.get()) is not None][-1].topic == "topic 15"


@given(st.lists(st.one_of(st.none(), st.sampled_from("ab")), max_size=200))
def test_within_a_topic_nothing_changes_places(steps: list[str | None]) -> None:
    """None reads; a letter writes to that topic. Few enough that none is dropped."""
    inbox, written, read = Inbox(), dict[str, list[bytes]](), dict[str, list[bytes]]()
    for number, topic in enumerate(steps):
        if topic is not None and len(written.get(topic, ())) < MOST_OF_A_TOPIC:
            inbox.put(message(topic, number))
            written.setdefault(topic, []).append(str(number).encode())
        elif (got := inbox.get()) is not None:
            read.setdefault(got.topic, []).append(got.payload)
    while (got := inbox.get()) is not None:
        read.setdefault(got.topic, []).append(got.payload)
    assert read == written
    assert inbox.dropped == 0

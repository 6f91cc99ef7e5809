"""What a broker has sent and nobody has read yet: bounded, and fair between topics. Pure."""

from __future__ import annotations

from collections import deque

from edgeflash.outlets.mqtt_message import Message

MOST_OF_A_TOPIC = 64
"""Messages of one topic that wait to be read; the newest are kept."""

MOST_TOPICS = 16
"""Topics that may wait; we subscribe to two."""


class Inbox:
    """Messages in their order within a topic; topics take turns, so that a flood in one hides
    nothing in another. dropped: how many were too many."""

    def __init__(self) -> None:
        self._waiting: dict[str, deque[Message]] = {}
        self.dropped = 0

    def put(self, message: Message) -> None:
        """Takes a message, in place of the oldest of its topic where too many wait."""
        if message.topic not in self._waiting and len(self._waiting) >= MOST_TOPICS:
            self.dropped += 1
            return
        of_topic = self._waiting.setdefault(message.topic, deque(maxlen=MOST_OF_A_TOPIC))
        self.dropped += len(of_topic) == MOST_OF_A_TOPIC
        of_topic.append(message)

    def get(self) -> Message | None:
        """The next message; None where none waits."""
        if not self._waiting:
            return None
        topic = next(iter(self._waiting))
        of_topic = self._waiting.pop(topic)
        message = of_topic.popleft()
        if of_topic:
            self._waiting[topic] = of_topic  # behind the others
        return message

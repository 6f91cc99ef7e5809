"""Whether a subscription still tells what it should. Pure: the caller gives the time.

Two things can stop without a word: the whole subscription (no notification and no keep-alive), and
the watching of single nodes (keep-alives come, changes do not). The second shows only by reading:
a value that is read and differs from the one last notified, and does so still a good while later
with no notification between, was missed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from edgeflash.links.opcua_values import NodeValue
from edgeflash.model import Role


@dataclass(slots=True)
class SilenceWatch:
    """Watches one subscription. limit_s: how long it may say nothing at all.

    notice_s: how long after a change of a value its notification must have come.
    """

    limit_s: float
    notice_s: float
    heard_mono_s: float
    _missing: dict[Role, float] = field(default_factory=dict)
    _missed: str = ""

    def note_heard(self, now_mono_s: float) -> None:
        """Something came: a notification or a keep-alive."""
        self.heard_mono_s = now_mono_s

    def note_notified(self, role: Role) -> None:
        """A value of this role came."""
        self._missing.pop(role, None)

    def note_read(
        self, role: Role, read: NodeValue, notified: NodeValue, now_mono_s: float
    ) -> None:
        """The role was read beside the subscription."""
        if _same(read.value, notified.value) and read.status == notified.status:
            self._missing.pop(role, None)
            return
        waited_s = now_mono_s - self._missing.setdefault(role, now_mono_s)
        if waited_s > self.notice_s:
            self._missed = f"a change of {role} was not notified for {waited_s:.1f} s"

    def why_lost(self, now_mono_s: float) -> str:
        """Why the subscription counts as lost; empty while it does not."""
        silent_s = now_mono_s - self.heard_mono_s
        if silent_s > self.limit_s:
            return f"nothing was heard of the subscription for {silent_s:.1f} s"
        return self._missed


def _same(a: object, b: object) -> bool:
    """Equal, or both not a number."""
    return a == b or (a != a and b != b)

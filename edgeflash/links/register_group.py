"""A group of roles in registers: the blocks that hold them, and each role's decoder. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from edgeflash.links.encodings import Decoder
from edgeflash.links.errors import DecodeError
from edgeflash.links.groups import Arrays, Scalars, Steps
from edgeflash.links.plan import Plan
from edgeflash.model import Role, Scalar


@dataclass(frozen=True, slots=True)
class RegisterGroup:
    """Its steps yield the Block they want next and are sent that block's words."""

    plan: Plan
    decoders: Mapping[Role, Decoder]

    def scalars(self) -> Steps[Scalars]:
        """The values of a group of scalars. Words that are no value read as "not available"."""
        words = yield from self._words()
        values: dict[Role, Scalar] = {}
        for role, decode in self.decoders.items():
            try:
                value = decode(words[role])
            except DecodeError:
                value = None
            values[role] = None if isinstance(value, list) else value
        return Scalars(values)

    def arrays(self, elements: int | None = None) -> Steps[Arrays]:
        """The elements of a group of arrays; an array that cannot be decoded is empty.

        elements: how many of each are wanted, all by default; those after them mean nothing.
        """
        words = yield from self._words(elements)
        arrays: dict[Role, list[Scalar]] = {}
        for role, decode in self.decoders.items():
            try:
                value = decode(words[role])
            except DecodeError:
                value = []
            arrays[role] = value if isinstance(value, list) else [value]
        return Arrays(arrays)

    def _words(self, elements: int | None = None) -> Steps[Mapping[Role, Sequence[int]]]:
        """The words of every role.

        elements: read only the blocks that hold the first so many of every array; the rest is 0.
        """
        plan = self.plan
        wanted = range(len(plan.blocks)) if elements is None else plan.blocks_for(elements)
        replies: list[list[int]] = []
        for number, block in enumerate(plan.blocks):
            replies.append((yield block) if number in wanted else [0] * block.count)
        return plan.gather(replies)

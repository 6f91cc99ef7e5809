"""Names of OPC UA nodes as a map writes them: by namespace URI, never by namespace index.

The position of a namespace in a server's list moves when the server's configuration changes, its
URI does not. Text forms after OPC UA Part 6, 5.1.12 and 5.1.13 (from memory): `nsu=URI;s=NAME`
for a node, `nsu=URI;NAME` for a step of a browse path; `%3B` and `%25` in a URI stand for `;` and
`%`. In place of a URI, a name of the map's own table of namespaces may stand.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from edgeflash.errors import EdgeflashError

STANDARD_NAMESPACE = "http://opcfoundation.org/UA/"
"""The namespace of the standard's own nodes: always the first of a server's list (Part 3)."""

RIGHT_NODE = '"nsu=urn:example:analyzer;s=Result.FlashPoint"'
RIGHT_STEP = '"nsu=urn:example:analyzer;FlashPoint"'
MOST_NUMERIC = 2**32 - 1

_INDEX = re.compile(r"ns=\s*(\d+)\s*;(.*)", re.DOTALL)
_INDEXED_STEP = re.compile(r"(\d+):(.*)", re.DOTALL)


class NodeNameError(EdgeflashError):
    """A text is no name of a node; says why and what would be right."""


@dataclass(frozen=True, slots=True)
class NodeName:
    """A node by its namespace URI and its identifier within it."""

    namespace: str
    identifier: int | str | UUID | bytes

    def __str__(self) -> str:
        kind, text = _identifier_text(self.identifier)
        if self.namespace == STANDARD_NAMESPACE:
            return f"{kind}={text}"
        return f"nsu={self.namespace};{kind}={text}"


@dataclass(frozen=True, slots=True)
class StepName:
    """One step of a browse path: a browse name and the URI of its namespace."""

    namespace: str
    name: str

    def __str__(self) -> str:
        return self.name


def parsed_node(text: str, namespaces: Mapping[str, str]) -> NodeName:
    """The node a map means. Raises NodeNameError."""
    if found := _INDEX.fullmatch(text):
        raise NodeNameError(
            f'"ns={found[1]}" is a bare namespace index, which moves when the server\'s '
            f'configuration changes: write "nsu=" and the namespace\'s URI, as in {RIGHT_NODE}'
        )
    namespace, rest = _namespace_and_rest(text, namespaces)
    kind, equals, value = rest.partition("=")
    if not equals or kind not in ("i", "s", "g", "b"):
        raise NodeNameError(
            f'"{text}" is no node: after the namespace comes i=NUMBER, s=TEXT, g=GUID or '
            f"b=BASE64, as in {RIGHT_NODE}"
        )
    return NodeName(namespace, _identifier(kind, value))


def parsed_path(steps: Sequence[str], namespaces: Mapping[str, str]) -> tuple[StepName, ...]:
    """The browse path a map means. Raises NodeNameError."""
    return tuple(_parsed_step(step, namespaces) for step in steps)


def _parsed_step(text: str, namespaces: Mapping[str, str]) -> StepName:
    found = _INDEX.fullmatch(text) or _INDEXED_STEP.fullmatch(text)
    if found:
        raise NodeNameError(
            f'"{text}" begins with a bare namespace index ({found[1]}), which moves when the '
            f"server's configuration changes: name the namespace by its URI, as in {RIGHT_STEP}"
        )
    namespace, name = _namespace_and_rest(text, namespaces)
    if not name:
        raise NodeNameError(f'"{text}" names nothing; a step is like {RIGHT_STEP}')
    return StepName(namespace, name)


def _namespace_and_rest(text: str, namespaces: Mapping[str, str]) -> tuple[str, str]:
    if not text.startswith("nsu="):
        return STANDARD_NAMESPACE, text
    written, semicolon, rest = text.removeprefix("nsu=").partition(";")
    if not semicolon:
        raise NodeNameError(f'"{text}" ends with its namespace; the node follows it after ";"')
    if written in namespaces:
        return namespaces[written], rest
    if ":" not in written:
        known = f" (there are: {', '.join(namespaces)})" if namespaces else ""
        raise NodeNameError(
            f'"{written}" is neither a namespace URI, like "urn:example:analyzer", nor a name of '
            f"[map.namespaces]{known}"
        )
    return written.replace("%3B", ";").replace("%3b", ";").replace("%25", "%"), rest


def _identifier(kind: str, value: str) -> int | str | UUID | bytes:
    if kind == "s":
        if not value or len(value) > 4096:
            raise NodeNameError("the text after s= must have 1 to 4096 characters")
        return value
    if kind == "i":
        if not value.isascii() or not value.isdecimal() or int(value) > MOST_NUMERIC:
            raise NodeNameError(f'"i={value}" must be a whole number from 0 to {MOST_NUMERIC}')
        return int(value)
    try:
        return UUID(value) if kind == "g" else base64.b64decode(value, validate=True)
    except (ValueError, binascii.Error):
        form = "a GUID" if kind == "g" else "Base64"
        raise NodeNameError(f'"{kind}={value}" is not {form}') from None


def _identifier_text(identifier: int | str | UUID | bytes) -> tuple[str, str]:
    match identifier:
        case int():
            return "i", str(identifier)
        case str():
            return "s", identifier
        case UUID():
            return "g", str(identifier)
        case bytes():
            return "b", base64.b64encode(identifier).decode("ascii")

"""The information model as a NodeSet2 file (OPC 10000-6, annex F). Pure, without asyncua.

Element and attribute names, their order and the XML encoding of values (OPC 10000-6, 5.3) are from
memory; the tests hold the file against the published schema and load it into other servers.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from edgeflash.outlets.opcua_members import (
    Argument,
    Interval,
    Meaning,
    Member,
    ModelNode,
    NodeClass,
    Ref,
    Single,
    Space,
    Text,
    UnitInfo,
)

NODESET = "http://opcfoundation.org/UA/2011/03/UANodeSet.xsd"
TYPES_SCHEMA = "http://opcfoundation.org/UA/2008/02/Types.xsd"
LOCALE = "en"

_INDEX = {Space.STANDARD: 0, Space.TYPES: 1, Space.POINTS: 2}
"""The file's own namespace table; a server that loads it gives its own indexes."""

_BUILT_IN = {"UtcTime": "DateTime", "NumericRange": "String", "IdType": "Int32"}
_ILLEGAL = re.compile("[^\\t\\n\\r\\x20-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")
_READ_WRITE = 1 | 2 | 32 | 64
"""CurrentRead, CurrentWrite, StatusWrite, TimestampWrite (OPC 10000-3, 8.57)."""


@dataclass(frozen=True, slots=True)
class Model:
    """A namespace with its version. A date of None is left out."""

    uri: str
    version: str
    date: datetime | None
    requires: tuple[Model, ...] = ()


def nodeset(
    nodes: Iterable[ModelNode], models: Sequence[Model], standard_ids: Mapping[str, int]
) -> str:
    """The file's text. standard_ids: number of each of the standard's nodes by its name.

    A value that only a running server knows is left out.
    """
    return _Writer(standard_ids).text(list(nodes), models)


class _Writer:
    def __init__(self, standard_ids: Mapping[str, int]) -> None:
        self._ids = standard_ids
        self._aliases: dict[str, str] = {}

    def text(self, nodes: list[ModelNode], models: Sequence[Model]) -> str:
        children = _by_parent(nodes)
        elements = [self._node(node, children.get(node.id, ())) for node in nodes]
        root = ET.Element("UANodeSet", {"xmlns": NODESET, "xmlns:uax": TYPES_SCHEMA})
        uris = ET.SubElement(root, "NamespaceUris")
        for space in sorted(_INDEX, key=lambda s: _INDEX[s])[1:]:
            ET.SubElement(uris, "Uri").text = space.value
        table = ET.SubElement(root, "Models")
        for model in models:
            table.append(_model("Model", model))
        aliases = ET.SubElement(root, "Aliases")
        for name in sorted(self._aliases):
            ET.SubElement(aliases, "Alias", {"Alias": name}).text = self._aliases[name]
        root.extend(elements)
        ET.indent(root, " ")
        return '<?xml version="1.0" encoding="utf-8"?>\n' + ET.tostring(root, "unicode") + "\n"

    def _id(self, ref: Ref) -> str:
        if ref.space is Space.STANDARD:
            return f"i={self._ids[ref.id]}"
        return f"ns={_INDEX[ref.space]};s={ref.id}"

    def _alias(self, ref: Ref) -> str:
        """The name of a node of the standard, put into the table of aliases."""
        if ref.space is not Space.STANDARD:
            return self._id(ref)
        self._aliases[ref.id] = self._id(ref)
        return ref.id

    def _node(self, node: ModelNode, children: Iterable[ModelNode]) -> ET.Element:
        member = node.member
        space = _INDEX[member.space]
        attributes = {
            "NodeId": self._id(node.id),
            "BrowseName": f"{space}:{member.name}" if space else member.name,
        }
        # Only an instance has a parent; a type has a supertype.
        if not member.is_type:
            attributes["ParentNodeId"] = self._id(node.parent)
        if not member.is_executable:
            attributes |= {"Executable": "false", "UserExecutable": "false"}
        if member.data_type is not None:
            attributes["DataType"] = self._alias(member.data_type)
            if member.is_array:
                attributes |= {"ValueRank": "1", "ArrayDimensions": "0"}
            if member.is_writable:
                access = str(_READ_WRITE)
                attributes |= {"AccessLevel": access, "UserAccessLevel": access}
        element = ET.Element(member.node_class.value, attributes)
        _localized(element, "DisplayName", member.name)
        _localized(element, "Description", member.description or member.name)
        self._references(ET.SubElement(element, "References"), node, children)
        if member.value is not None:
            self._value(ET.SubElement(element, "Value"), member)
        if member.node_class is NodeClass.DATA_TYPE:
            element.append(_definition(member))
        return element

    def _references(
        self, element: ET.Element, node: ModelNode, children: Iterable[ModelNode]
    ) -> None:
        member = node.member
        if member.type is not None:
            self._reference(element, "HasTypeDefinition", member.type)
        if node.rule is not None:
            self._reference(element, "HasModellingRule", Ref(Space.STANDARD, node.rule.value))
        self._reference(element, member.reference, node.parent, is_forward=False)
        for child in children:
            self._reference(element, child.member.reference, child.id)

    def _reference(
        self, element: ET.Element, kind: str, target: Ref, is_forward: bool = True
    ) -> None:
        attributes = {"ReferenceType": self._alias(Ref(Space.STANDARD, kind))}
        if not is_forward:
            attributes["IsForward"] = "false"
        ET.SubElement(element, "Reference", attributes).text = self._id(target)

    def _value(self, element: ET.Element, member: Member) -> None:
        assert member.data_type is not None
        of = member.data_type
        name = "Int32" if of.space is not Space.STANDARD else _BUILT_IN.get(of.id, of.id)
        value = member.value
        if isinstance(value, tuple):
            is_structure = bool(value) and isinstance(
                value[0], Interval | UnitInfo | Meaning | Argument
            )
            list_name = "ListOfExtensionObject" if is_structure else f"ListOf{name}"
            holder = _uax(element, list_name)
            for one in value:
                self._single(holder, name, one)
        elif value is not None:
            self._single(element, name, value)

    def _single(self, holder: ET.Element, name: str, value: Single) -> None:
        match value:
            case Text():
                _text(_uax(holder, "LocalizedText"), value.text)
            case Interval():
                body = self._structure(holder, "Range")
                _uax(body, "Low", repr(value.low))
                _uax(body, "High", repr(value.high))
            case UnitInfo():
                body = self._structure(holder, "EUInformation")
                _uax(body, "NamespaceUri", value.namespace)
                _uax(body, "UnitId", str(value.unit_id))
                _text(_uax(body, "DisplayName"), value.label)
                _text(_uax(body, "Description"), value.label)
            case Meaning():
                body = self._structure(holder, "EnumValueType")
                _uax(body, "Value", str(value.code))
                _text(_uax(body, "DisplayName"), value.name)
                _text(_uax(body, "Description"), value.description)
            case Argument():
                body = self._structure(holder, "Argument")
                _uax(body, "Name", value.name)
                of = self._id(Ref(Space.STANDARD, value.data_type))
                _uax(_uax(body, "DataType"), "Identifier", of)
                _uax(body, "ValueRank", "-1")
                _uax(body, "ArrayDimensions")
                _text(_uax(body, "Description"), value.description)
            case _:
                _uax(holder, name, _plain(value))

    def _structure(self, holder: ET.Element, name: str) -> ET.Element:
        extension = _uax(holder, "ExtensionObject")
        encoding = Ref(Space.STANDARD, f"{name}_Encoding_DefaultXml")
        _uax(_uax(extension, "TypeId"), "Identifier", self._id(encoding))
        return _uax(_uax(extension, "Body"), name)


def _by_parent(nodes: Iterable[ModelNode]) -> dict[Ref, list[ModelNode]]:
    found: dict[Ref, list[ModelNode]] = {}
    for node in nodes:
        found.setdefault(node.parent, []).append(node)
    return found


def _model(name: str, model: Model) -> ET.Element:
    attributes = {"ModelUri": model.uri}
    if model.version:
        attributes["Version"] = model.version
    if model.date is not None:
        attributes["PublicationDate"] = _time(model.date)
    element = ET.Element(name, attributes)
    element.extend(_model("RequiredModel", one) for one in model.requires)
    return element


def _definition(member: Member) -> ET.Element:
    """The fields of an enumeration."""
    element = ET.Element("Definition", {"Name": f"{_INDEX[member.space]}:{member.name}"})
    for code, name in enumerate(member.fields):
        ET.SubElement(element, "Field", {"Name": name, "Value": str(code)})
    return element


def _uax(holder: ET.Element, name: str, text: str | None = None) -> ET.Element:
    element = ET.SubElement(holder, f"uax:{name}")
    element.text = None if text is None else _legal(text)
    return element


def _text(element: ET.Element, text: str) -> None:
    _uax(element, "Locale", LOCALE)
    _uax(element, "Text", text)


def _localized(element: ET.Element, name: str, text: str) -> None:
    ET.SubElement(element, name, {"Locale": LOCALE}).text = _legal(text)


def _legal(text: str) -> str:
    """The text with a question mark for each character that XML 1.0 (2.2) has no room for."""
    return _ILLEGAL.sub("?", text)


def _plain(value: bool | int | float | str | datetime) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return _time(value)
    return repr(value) if isinstance(value, float) else str(value)


def _time(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

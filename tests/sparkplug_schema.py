"""The Sparkplug B payload as a protobuf schema, built when it is asked for.

Messages, fields and their numbers are those of the open specification (Eclipse Sparkplug 3.0.0,
6.4, proto2), from memory; tests/peers compares them with the source of an independent program,
which needs no google.protobuf. The wire form is that of google.protobuf, and of nothing of ours.
"""

from __future__ import annotations

from functools import cache
from typing import Any

PACKAGE = "sparkplug_b"

Fields = tuple[tuple[str, int, str], ...]
"""Name, number and type; a type that begins with * is repeated, one with a capital is a message."""

VALUES = ("int uint32", "long uint64", "float float", "double double", "boolean bool")


def _values(first: int, *more: str) -> Fields:
    """Members of a oneof `value`, in the order that every message with values has."""
    named = (one.split() for one in (*VALUES, "string string", *more))
    return tuple((f"{name}_value", first + place, kind) for place, (name, kind) in enumerate(named))


MESSAGES: dict[str, Fields] = {
    "Payload": (
        ("timestamp", 1, "uint64"),
        ("metrics", 2, "*Payload.Metric"),
        ("seq", 3, "uint64"),
        ("uuid", 4, "string"),
        ("body", 5, "bytes"),
    ),
    "Payload.Metric": (
        ("name", 1, "string"),
        ("alias", 2, "uint64"),
        ("timestamp", 3, "uint64"),
        ("datatype", 4, "uint32"),
        ("is_historical", 5, "bool"),
        ("is_transient", 6, "bool"),
        ("is_null", 7, "bool"),
        ("metadata", 8, "Payload.MetaData"),
        ("properties", 9, "Payload.PropertySet"),
        *_values(10, "bytes bytes", "dataset Payload.DataSet", "template Payload.Template"),
    ),
    "Payload.MetaData": (
        ("is_multi_part", 1, "bool"),
        ("content_type", 2, "string"),
        ("size", 3, "uint64"),
        ("seq", 4, "uint64"),
        ("file_name", 5, "string"),
        ("file_type", 6, "string"),
        ("md5", 7, "string"),
        ("description", 8, "string"),
    ),
    "Payload.PropertySet": (
        ("keys", 1, "*string"),
        ("values", 2, "*Payload.PropertyValue"),
    ),
    "Payload.PropertyValue": (
        ("type", 1, "uint32"),
        ("is_null", 2, "bool"),
        *_values(3, "propertyset Payload.PropertySet", "propertysets Payload.PropertySetList"),
    ),
    "Payload.PropertySetList": (("propertyset", 1, "*Payload.PropertySet"),),
    "Payload.DataSet": (
        ("num_of_columns", 1, "uint64"),
        ("columns", 2, "*string"),
        ("types", 3, "*uint32"),
        ("rows", 4, "*Payload.DataSet.Row"),
    ),
    "Payload.DataSet.Row": (("elements", 1, "*Payload.DataSet.DataSetValue"),),
    "Payload.DataSet.DataSetValue": _values(1),
    "Payload.Template": (
        ("version", 1, "string"),
        ("metrics", 2, "*Payload.Metric"),
        ("parameters", 3, "*Payload.Template.Parameter"),
        ("template_ref", 4, "string"),
        ("is_definition", 5, "bool"),
    ),
    "Payload.Template.Parameter": (
        ("name", 1, "string"),
        ("type", 2, "uint32"),
        *_values(3),
    ),
}


@cache
def message(name: str = "Payload") -> Any:
    """The class of a message, which google.protobuf makes of the schema."""
    from google.protobuf import message_factory

    return message_factory.GetMessageClass(_pool().FindMessageTypeByName(f"{PACKAGE}.{name}"))


@cache
def _pool() -> Any:
    from google.protobuf import descriptor_pb2, descriptor_pool

    file = descriptor_pb2.FileDescriptorProto(
        name="sparkplug_b.proto", package=PACKAGE, syntax="proto2"
    )
    made: dict[str, Any] = {}
    for full, fields in MESSAGES.items():
        outer, _, name = full.rpartition(".")
        one = made[outer].nested_type.add() if outer else file.message_type.add()
        one.name, made[full] = name, one
        for field in fields:
            _declare(one, *field)
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return pool


def _declare(one: Any, name: str, number: int, kind: str) -> None:
    from google.protobuf.descriptor_pb2 import FieldDescriptorProto as proto  # noqa: N813

    field = one.field.add(name=name, number=number)
    base = kind.removeprefix("*")
    field.label = proto.LABEL_REPEATED if kind != base else proto.LABEL_OPTIONAL
    if base[0].isupper():
        field.type, field.type_name = proto.TYPE_MESSAGE, f".{PACKAGE}.{base}"
    else:
        field.type = getattr(proto, f"TYPE_{base.upper()}")
    if name.endswith("_value"):
        if not one.oneof_decl:
            one.oneof_decl.add(name="value")
        field.oneof_index = 0

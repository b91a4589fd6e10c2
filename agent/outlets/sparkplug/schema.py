"""The Sparkplug B payload as protocol buffers know it: the part of the specification's schema that we speak.

Names, numbers and types are those of the schema in the Eclipse Sparkplug 3.0 specification, chapter 6.4
(proto2: a member that was set is sent, also where it is 0). Members we do not speak (data sets, templates)
are kept as unknown fields by the library when a command is read, and do no harm.

The schema lies in a pool of its own, so that it meets no other copy of it in the same process.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

_PACKAGE = "org.eclipse.tahu.protobuf"
_TYPES = descriptor_pb2.FieldDescriptorProto
_SCALARS = {
    "uint32": _TYPES.TYPE_UINT32,
    "uint64": _TYPES.TYPE_UINT64,
    "float": _TYPES.TYPE_FLOAT,
    "double": _TYPES.TYPE_DOUBLE,
    "bool": _TYPES.TYPE_BOOL,
    "string": _TYPES.TYPE_STRING,
    "bytes": _TYPES.TYPE_BYTES,
}
_VALUE = "value"
_MESSAGES: dict[str, tuple[tuple[int, str, str, str], ...]] = {
    "Payload": (
        (1, "timestamp", "uint64", ""),
        (2, "metrics", "Metric", "repeated"),
        (3, "seq", "uint64", ""),
        (4, "uuid", "string", ""),
        (5, "body", "bytes", ""),
    ),
    "Metric": (
        (1, "name", "string", ""),
        (2, "alias", "uint64", ""),
        (3, "timestamp", "uint64", ""),
        (4, "datatype", "uint32", ""),
        (5, "is_historical", "bool", ""),
        (6, "is_transient", "bool", ""),
        (7, "is_null", "bool", ""),
        (9, "properties", "PropertySet", ""),
        (10, "int_value", "uint32", _VALUE),
        (11, "long_value", "uint64", _VALUE),
        (12, "float_value", "float", _VALUE),
        (13, "double_value", "double", _VALUE),
        (14, "boolean_value", "bool", _VALUE),
        (15, "string_value", "string", _VALUE),
    ),
    "PropertySet": (
        (1, "keys", "string", "repeated"),
        (2, "values", "PropertyValue", "repeated"),
    ),
    "PropertyValue": (
        (1, "type", "uint32", ""),
        (2, "is_null", "bool", ""),
        (8, "string_value", "string", _VALUE),
    ),
}
"""Message: (number, name, type, `repeated` or the oneof it is in)."""


def payload() -> Any:
    """A new, empty Payload."""
    return _payload_class()()


@cache
def _payload_class() -> Any:
    file = descriptor_pb2.FileDescriptorProto(
        name="sparkplug_b_as_spoken.proto", package=_PACKAGE, syntax="proto2"
    )
    outer = file.message_type.add(name="Payload")
    for name, members in _MESSAGES.items():
        _describe(outer if name == "Payload" else outer.nested_type.add(name=name), members)
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.Payload"))


def _describe(
    message: descriptor_pb2.DescriptorProto, members: tuple[tuple[int, str, str, str], ...]
) -> None:
    if any(kind == _VALUE for _, _, _, kind in members):
        message.oneof_decl.add(name=_VALUE)
    for number, name, of, kind in members:
        member = message.field.add(
            name=name,
            number=number,
            label=_TYPES.LABEL_REPEATED if kind == "repeated" else _TYPES.LABEL_OPTIONAL,
        )
        if of in _SCALARS:
            member.type = _SCALARS[of]
        else:
            member.type = _TYPES.TYPE_MESSAGE
            member.type_name = f".{_PACKAGE}.Payload.{of}"
        if kind == _VALUE:
            member.oneof_index = 0

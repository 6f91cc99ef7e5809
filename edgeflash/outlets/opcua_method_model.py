"""The methods of analyzers as members of their type, from their declarations. Pure."""

from __future__ import annotations

from asyncua import ua

from edgeflash.outlets.opcua_calls import Argument as Taken
from edgeflash.outlets.opcua_members import Argument, Member, NodeClass, property_of
from edgeflash.outlets.opcua_methods import METHODS


def analyzer_methods(is_executable: bool = True) -> tuple[Member, ...]:
    """Every method. A method without arguments has no InputArguments (OPC 10000-3, 5.7)."""
    return tuple(
        Member(
            key=f"method.{declared.name}",
            name=declared.title,
            description=declared.description,
            node_class=NodeClass.METHOD,
            is_executable=is_executable,
            members=_arguments(declared.arguments),
        )
        for declared in METHODS
    )


def _arguments(taken: tuple[Taken, ...]) -> tuple[Member, ...]:
    if not taken:
        return ()
    arguments = tuple(Argument(one.name, _data_type(one), one.description) for one in taken)
    described = "What the method takes."
    return (property_of("InputArguments", "Argument", arguments, description=described),)


def _data_type(argument: Taken) -> str:
    """The DataType of a built-in type has its name (OPC 10000-6, 5.1.2)."""
    is_any = argument.type is ua.VariantType.Null
    return "BaseDataType" if is_any else str(argument.type.name)

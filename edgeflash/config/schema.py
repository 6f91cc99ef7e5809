"""JSON Schema of the site file and of the register map, for editors and for our own sentences."""

from __future__ import annotations

from enum import StrEnum
from functools import cache
from typing import Any

from pydantic import BaseModel

from edgeflash.config.map_models import MODELS
from edgeflash.config.site import SiteFile

DIALECT = "https://json-schema.org/draft/2020-12/schema"


class SchemaName(StrEnum):
    """The kinds of configuration file."""

    SITE = "site"
    MAP = "map"


def json_schema(which: SchemaName) -> dict[str, Any]:
    """The JSON Schema (2020-12) of one kind of file. What spans several keys is not in it."""
    if which is SchemaName.SITE:
        return {**schema_of(SiteFile), "$schema": DIALECT, "title": "edgeflash site file"}
    return {**_map_schema(), "$schema": DIALECT, "title": "edgeflash register map"}


def _map_schema() -> dict[str, Any]:
    """One schema for maps of every protocol: the first unless `map.protocol` names another."""
    (_, first), *others = MODELS.items()
    joined = dict(schema_of(first))
    definitions = dict(joined.pop("$defs"))
    branch: dict[str, Any] = joined
    for protocol, model in others:
        schema = dict(schema_of(model))
        definitions = {**schema.pop("$defs"), **definitions}
        named = {"properties": {"protocol": {"const": protocol}}, "required": ["protocol"]}
        is_named = {"properties": {"map": named}, "required": ["map"]}
        branch = {"if": is_named, "then": schema, "else": branch}
    return {"type": "object", "$defs": definitions, **branch}


@cache
def schema_of(model: type[BaseModel]) -> dict[str, Any]:
    """The schema of one model; not to be changed by the caller."""
    cleaned = _without_null(model.model_json_schema())
    assert isinstance(cleaned, dict)
    return cleaned


def _without_null(node: Any) -> Any:
    """The schema without `null`: TOML has none, a key that is not wanted is left out."""
    if isinstance(node, list):
        return [_without_null(item) for item in node]
    if not isinstance(node, dict):
        return node
    cleaned = {key: _without_null(value) for key, value in node.items()}
    if "default" in cleaned and cleaned["default"] is None:
        del cleaned["default"]
    if "anyOf" in cleaned:
        kinds = [kind for kind in cleaned.pop("anyOf") if kind != {"type": "null"}]
        cleaned |= kinds[0] if len(kinds) == 1 else {"anyOf": kinds}
    return cleaned

"""JSON Schema of the site file and of the register map, for editors and for our own sentences."""

from __future__ import annotations

from enum import StrEnum
from functools import cache
from typing import Any

from pydantic import BaseModel

from edgeflash.config.register_map import RegisterMap
from edgeflash.config.site import SiteFile

DIALECT = "https://json-schema.org/draft/2020-12/schema"


class SchemaName(StrEnum):
    """The kinds of configuration file."""

    SITE = "site"
    MAP = "map"


_MODELS: dict[SchemaName, tuple[type[BaseModel], str]] = {
    SchemaName.SITE: (SiteFile, "edgeflash site file"),
    SchemaName.MAP: (RegisterMap, "edgeflash register map"),
}


def json_schema(which: SchemaName) -> dict[str, Any]:
    """The JSON Schema (2020-12) of one kind of file. What spans several keys is not in it."""
    model, title = _MODELS[which]
    return {**schema_of(model), "$schema": DIALECT, "title": title}


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

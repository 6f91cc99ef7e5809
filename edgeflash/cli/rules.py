"""`edgeflash rules`: the rule catalogue prints itself."""

from __future__ import annotations

import json as json_module
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from edgeflash.rules.catalogue import RULES, VERSION
from edgeflash.rules.rule import Rule


def _as_dict(rule: Rule) -> dict[str, object]:
    return {
        "code": rule.code,
        "name": rule.name,
        "family": rule.family.value,
        "sentence": rule.sentence,
        "worst": rule.severity.value,
        "category": rule.category.value,
        "shown_as": rule.shown_as.value.opcua_name,
        "without_value": rule.without_value.value.opcua_name,
        "needs": [role.value for role in rule.needs],
        "trace": rule.trace.value,
        "parameters": [
            {
                "name": p.name,
                "default": p.default,
                "unit": p.unit,
                "meaning": p.meaning,
                "origin": p.origin,
            }
            for p in rule.parameters
        ],
    }


def rules(
    json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Print the rule catalogue: codes, meanings, parameters and their defaults."""
    if json:
        catalogue = {"version": VERSION, "rules": [_as_dict(rule) for rule in RULES]}
        typer.echo(json_module.dumps(catalogue, ensure_ascii=False, indent=2))
        return
    table = Table(title=f"Rules, catalogue version {VERSION}", show_lines=True)
    for heading in ("code", "rule", "what it says", "worst", "parameters (default)"):
        table.add_column(heading, overflow="fold")
    for rule in RULES:
        parameters = "\n".join(f"{p.name} = {p.default:g} {p.unit}" for p in rule.parameters)
        table.add_row(str(rule.code), rule.name, rule.sentence, rule.severity.value, parameters)
    Console().print(table)

"""What the commands about blends have in common: options, caution, output."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Any

import typer

from edgeflash.cli.lines import say_line
from edgeflash.flash.blending import Index

NOT_FINE = 1
BLEND_CAUTION = (
    "an estimate from an index, not a test: prove the blend by a measurement before it is released"
)

IndexOption = Annotated[Index, typer.Option(help="The blending index to go by.")]
JsonOption = Annotated[bool, typer.Option("--json", help="For machines.")]


def say(document: Mapping[str, Any]) -> None:
    """The document as JSON, with the caution."""
    whole = {**document, "caution": BLEND_CAUTION}
    typer.echo(json.dumps(whole, ensure_ascii=False, indent=2))


def say_note(note: str) -> None:
    """The last lines for people: what to know, and the caution."""
    if note:
        say_line(f"  note    {note}")
    say_line(BLEND_CAUTION)

"""`edgeflash blend`: how much of a light component, what a blend gives, what a batch had."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Annotated

import typer

from edgeflash.cli.blend_batch import batch
from edgeflash.cli.blend_output import (
    BLEND_CAUTION,
    NOT_FINE,
    IndexOption,
    JsonOption,
    say,
    say_note,
)
from edgeflash.cli.lines import say_line
from edgeflash.errors import UsageError
from edgeflash.flash.blending import (
    Index,
    Part,
    blend_flash_c,
    blend_sd_c,
    extrapolation_note,
    most_light_share,
)

blend_app = typer.Typer(
    help="Flash point of blends by a blending index. An estimate, never a test result.",
    no_args_is_help=True,
)
blend_app.command("batch")(batch)


@blend_app.command("limit")
def limit(
    base: Annotated[float, typer.Option(metavar="C", help="Flash point of the base, °C.")],
    light: Annotated[
        float, typer.Option(metavar="C", help="Flash point of the light component, °C.")
    ],
    minimum: Annotated[float, typer.Option(metavar="C", help="The limit of the blend, °C.")],
    base_sd: Annotated[
        float, typer.Option(metavar="C", min=0.0, help="One standard deviation of the base, °C.")
    ] = 0.0,
    light_sd: Annotated[
        float, typer.Option(metavar="C", min=0.0, help="One standard deviation of the light, °C.")
    ] = 0.0,
    index: IndexOption = Index.LOGARITHMIC,
    json: JsonOption = False,
) -> None:
    """How much of a light component a base takes until the blend is at its limit.

    Ends with 1 when the base has no room for it.

    Example: edgeflash blend limit --base 66 --light 40 --minimum 55 --base-sd 1 --light-sd 1
    """
    found = most_light_share(base, light, minimum, index, base_sd, light_sd)
    note = extrapolation_note((base, light, minimum))
    if json:
        say({**asdict(found), "index": index.value, "note": note, "caution": BLEND_CAUTION})
    elif not found.share:
        say_line(f"no room: the base has {base:g} °C, the limit is {minimum:g} °C")
        say_note(note)
    else:
        say_line(
            f"at most {_percent(found.share)} by volume of {light:g} °C in {base:g} °C keeps "
            f"{minimum:g} °C ({index.value} index; {index.other.value}: "
            f"{_percent(found.share_other)})"
        )
        given = f"base ± {base_sd:g} °C, light ± {light_sd:g} °C, and the two indices' difference"
        say_line(f"  one standard deviation  {_percent(found.sd)} ({given})")
        sure = "both indices, 95 %"
        if not base_sd and not light_sd:  # nothing is known of the two flash points' own errors
            sure = "the lower of both indices; give --base-sd and --light-sd for 95 %"
        say_line(f"  cautious                {_percent(found.cautious)} ({sure})")
        say_note(note)
    raise typer.Exit(0 if found.share > 0.0 else NOT_FINE)


@blend_app.command("mix")
def mix(
    parts: Annotated[
        list[str],
        typer.Argument(metavar="SHARE:FLASH[:SD]...", help="Volume fraction, °C, and its sd."),
    ],
    minimum: Annotated[
        float | None, typer.Option(metavar="C", help="A limit to hold the blend against, °C.")
    ] = None,
    index: IndexOption = Index.LOGARITHMIC,
    json: JsonOption = False,
) -> None:
    """The flash point of a blend; the fractions must add up to 1.

    Ends with 1 when it is below --minimum by the index or by the other one.

    Example: edgeflash blend mix 0.6:75 0.3:52 0.1:40
    """
    blend = [_part(text) for text in parts]
    flash_c, other_c = (blend_flash_c(blend, each) for each in (index, index.other))
    note = extrapolation_note([*(p.flash_c for p in blend if p.share > 0.0), flash_c, other_c])
    sd_c = blend_sd_c(blend, index)
    is_low = minimum is not None and min(flash_c, other_c) < minimum
    if json:
        document = {
            "flash_point_c": flash_c,
            "index": index.value,
            "sd_c": sd_c,
            "other_index_c": other_c,
            "minimum_c": minimum,
            "below_minimum": is_low if minimum is not None else None,
            "note": note,
            "caution": BLEND_CAUTION,
        }
        say(document)
    else:
        say_line(
            f"{flash_c:.2f} °C by the {index.value} index, {other_c:.2f} °C by the "
            f"{index.other.value} index"
        )
        if sd_c:
            say_line(f"  one standard deviation  {sd_c:.2f} °C, from the components")
        if is_low:
            say_line(f"  below the limit of {minimum:g} °C")
        say_note(note)
    raise typer.Exit(NOT_FINE if is_low else 0)


def _part(text: str) -> Part:
    words = text.split(":")
    try:
        if len(words) not in (2, 3):
            raise ValueError("two or three figures")
        share, flash_c, sd_c = float(words[0]), float(words[1]), float((*words, "0")[2])
        if not 0.0 <= sd_c < math.inf:
            raise ValueError("a standard deviation is 0 or more")
    except ValueError as error:
        raise UsageError(
            f"'{text}' is no component; write fraction:flash point in °C, as in 0.6:75, and its "
            "standard deviation behind if it is known, as in 0.6:75:1"
        ) from error
    return Part(share, flash_c, sd_c)


def _percent(share: float) -> str:
    return f"{100.0 * share:.2f} %"

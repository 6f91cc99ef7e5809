"""`edgeflash signal-check`: proves the way of each point to the control system."""

from __future__ import annotations

import signal
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from edgeflash.cli.lines import say_line
from edgeflash.errors import UsageError

if TYPE_CHECKING:
    from edgeflash.signal_check.answers import Answers
    from edgeflash.signal_check.keeping import Keeper
    from edgeflash.signal_check.plan import Step
    from edgeflash.signal_check.record import Signed
    from edgeflash.trust import Quality


def signal_check(
    site: Annotated[Path, typer.Argument(help="The site file (TOML) of the running gateway.")],
    analyzer: Annotated[str, typer.Argument(help="The analyzer's id.")],
    points: Annotated[str, typer.Option(help="Only these points, separated by commas.")] = "",
    outlet: Annotated[
        str, typer.Option(help="What is read: opcua, modbus-1, ...; the first there is.")
    ] = "",
    seconds: Annotated[float, typer.Option(help="How long a value is shown at most.")] = 120.0,
    tolerance: Annotated[
        float, typer.Option(help="What a number may be off, in the outlet's unit.")
    ] = 0.05,
    quality: Annotated[str, typer.Option(help="Quality of the test values.")] = "test",
    answers: Annotated[
        Path | None,
        typer.Option(help="A CSV file with point, step, value, quality; it may grow meanwhile."),
    ] = None,
    record: Annotated[
        Path | None, typer.Option(help="Where the record goes, without a suffix.")
    ] = None,
    checked_by: Annotated[str, typer.Option(help="Your name, for the record.")] = "",
    witnessed_by: Annotated[str, typer.Option(help="Who looked on, for the record.")] = "",
    anew: Annotated[bool, typer.Option("--anew", help="Begin again; else it resumes.")] = False,
    tell: Annotated[bool, typer.Option("--tell", help="Tell each value that is sent.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="The cautions are met; do not ask.")] = False,
    plan: Annotated[bool, typer.Option("--plan", help="Print the steps as CSV and end.")] = False,
) -> None:
    """Drive a test value to each point of ANALYZER and compare what the control system shows.

    Loops may act on test values: put them in manual first; the site's procedures decide. Each
    value is shown in every outlet for a limited time, as UncertainSubstituteValue, and is taken
    back at the end, at Ctrl-C, and by the gateway itself when this command dies. It needs root or
    the gateway's own user. The record (CSV and Markdown) is kept after each answer; started again,
    the check goes on where it was. Exit code 0: all passed.

    Example: edgeflash signal-check site.toml kestrel-1 --points flash_point_c,quality
    """
    from edgeflash.alarms.acknowledging import SOCKET_NAME
    from edgeflash.gateway.site import checked_site
    from edgeflash.operations import LONGEST_TEST_S
    from edgeflash.signal_check.driving import Driver
    from edgeflash.signal_check.keeping import Keeper
    from edgeflash.signal_check.plan import CAUTIONS, outlets_of
    from edgeflash.signal_check.plan import plan as planned
    from edgeflash.signal_check.walk import walk

    checked = checked_site(site)
    known = [a.id for a in checked.file.analyzers]
    if analyzer not in known:
        raise UsageError(f"{site} has no analyzer '{analyzer}'; there are: {', '.join(known)}")
    if not 0.0 < seconds <= LONGEST_TEST_S:
        raise UsageError(f"--seconds must be above 0 and at most {LONGEST_TEST_S:g}")
    if not tolerance >= 0.0:
        raise UsageError("--tolerance must not be below 0")
    outlets = outlets_of(checked.file)
    outlet = outlet or next(iter(outlets), "")
    if outlet not in outlets:
        raise UsageError(f"there is no outlet '{outlet}'; there are: {', '.join(outlets)}")
    wanted = [name.strip() for name in points.split(",") if name.strip()]
    steps = planned(outlets[outlet], wanted, _quality(quality))
    if plan:
        _print_plan(steps)
        return
    base = record or Path(f"signal-check-{analyzer}")
    keeper = Keeper(base, checked.file.site.name, analyzer, outlet, steps, anew=anew)
    if keeper.all_passed:
        _nothing_left(keeper, checked_by, witnessed_by)
        typer.echo(f"record: {base}.csv, {base}.md")
        return
    for caution in CAUTIONS:
        say_line(f"CAUTION. {caution}")
    left = len({step.key for step in steps} - keeper.done)
    say_line(f"{left} test values for {analyzer}, as outlet {outlet} shows them, one at a time.")
    if not yes and _ask("Type yes when all of the above is done: ").strip().lower() != "yes":
        raise UsageError("nothing was driven: it was not answered with yes")
    _end_as_by_ctrl_c()
    driver = Driver(checked.state_dir / SOCKET_NAME, analyzer, seconds)
    driver.demand()
    problem: BaseException | None = None
    try:
        with driver:
            walk(
                steps,
                keeper.done,
                driver,
                _answers(answers, tell),
                keeper.keep,
                typer.echo,
                analyzer=analyzer,
                outlet=outlet,
                seconds=seconds,
                display=tolerance,
                now=lambda: datetime.now(UTC),
            )
    except (Exception, KeyboardInterrupt) as error:
        problem = error
    keeper.write(None, driver.restored)
    typer.echo(f"\n{driver.restored}")
    if problem is None and not keeper.is_signed:
        by = _signed(checked_by, witnessed_by)
        keeper.write(by, driver.restored)
    typer.echo(f"record: {base}.csv, {base}.md")
    if problem is not None:
        raise problem
    if not keeper.all_passed:
        say_line("Not every step has passed. Started again, the command shows those that have not.")
        raise typer.Exit(1)


def _ask(prompt: str) -> str:
    try:
        return input(prompt)
    except EOFError:
        return ""


def _nothing_left(keeper: Keeper, checked_by: str, witnessed_by: str) -> None:
    """Drives nothing; a record that nobody has signed yet may be signed."""
    typer.echo("every step has passed already: nothing is driven; --anew begins again")
    if keeper.is_signed:
        return
    by = _signed(checked_by, witnessed_by)
    if by is not None:
        keeper.write(by, "Signed later: every step had passed before, and none was driven then.")


def _signed(checked_by: str, witnessed_by: str) -> Signed | None:
    """Who signs; nobody when no name is given."""
    from edgeflash.signal_check.record import Signed

    checked_by = checked_by or _ask("Checked by (your name; empty: not signed off): ").strip()
    if not checked_by:
        return None
    witnessed_by = witnessed_by or _ask("Witnessed by (empty: nobody): ").strip()
    return Signed(checked_by, witnessed_by, datetime.now(UTC))


def _quality(name: str) -> Quality:
    from edgeflash.trust import Quality, Trust

    found = Quality.__members__.get(name.upper())
    if found is None or found.trust is Trust.BAD:
        usable = (q.name.lower() for q in Quality if q.trust is not Trust.BAD)
        raise UsageError(f"--quality must be one of {', '.join(usable)}")
    return found


def _answers(path: Path | None, tell: bool) -> Answers:
    from edgeflash.signal_check.answers import AnswersFile, Person

    return Person(input, typer.echo, tells=tell) if path is None else AnswersFile(path)


def _print_plan(steps: tuple[Step, ...]) -> None:
    import csv
    import sys

    from edgeflash.signal_check.record import text_of

    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(("point", "step", "title", "unit", "sent", "sent_quality"))
    for s in steps:
        sent, name = text_of(s.expected), s.quality.value.opcua_name
        writer.writerow((s.point, s.number, s.title, s.unit, sent, name))


def _end_as_by_ctrl_c() -> None:
    """A signal to end takes the test values back, as Ctrl-C does."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, interrupt)

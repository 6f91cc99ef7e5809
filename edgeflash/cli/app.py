"""The `edgeflash` command and its exit codes: 0 fine, 1 not fine, 2 wrong use or configuration."""

from __future__ import annotations

import sys

import typer

from edgeflash import __version__
from edgeflash.cli.alarms import alarms_app
from edgeflash.cli.blend import blend_app
from edgeflash.cli.check import check
from edgeflash.cli.collect import collect
from edgeflash.cli.declare import check_sample_app, maintenance_app
from edgeflash.cli.demo import demo
from edgeflash.cli.events import events
from edgeflash.cli.fleet import fleet
from edgeflash.cli.history import history_app
from edgeflash.cli.keys import keys_app
from edgeflash.cli.lines import say_error, unfold_help
from edgeflash.cli.mqtt import mqtt_app
from edgeflash.cli.peek import peek_app
from edgeflash.cli.peek_opcua import peek_opcua
from edgeflash.cli.plan import plan
from edgeflash.cli.points import points
from edgeflash.cli.products import products
from edgeflash.cli.replay import replay
from edgeflash.cli.rules import rules
from edgeflash.cli.run import run
from edgeflash.cli.ship import ship
from edgeflash.cli.signal_check import signal_check
from edgeflash.cli.users import users_app
from edgeflash.errors import ConfigurationError, EdgeflashError, UsageError

app = typer.Typer(
    help="Gateway between online flash point analyzers and the control system.\n\n"
    "It is not a safety function: local codes and licensed practice decide how a product may be "
    "handled.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.command()(run)
app.command()(check)
app.command()(demo)
app.command()(points)
app.command()(products)
app.command()(rules)
app.command()(plan)
app.command()(replay)
app.command()(events)
app.command("signal-check")(signal_check)
app.command()(ship)
app.command()(collect)
app.command()(fleet)
peek_app.command("opcua")(peek_opcua)
app.add_typer(peek_app, name="peek")
app.add_typer(history_app, name="history")
app.add_typer(alarms_app, name="alarms")
app.add_typer(mqtt_app, name="mqtt")
app.add_typer(maintenance_app, name="maintenance")
app.add_typer(check_sample_app, name="check-sample")
app.add_typer(blend_app, name="blend")
app.add_typer(keys_app, name="keys")
app.add_typer(users_app, name="users")
unfold_help(app)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"edgeflash {__version__}")
        raise typer.Exit


@app.callback()
def root(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Print the version and end."
    ),
) -> None:
    """Gateway between online flash point analyzers and the control system."""


def main() -> None:
    """Runs the command line; every error of ours ends as one sentence and an exit code."""
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(130)  # before the gateway was up; from then on Ctrl-C ends it in order
    except EdgeflashError as error:
        say_error(f"edgeflash: {error}")
        sys.exit(2 if isinstance(error, ConfigurationError | UsageError) else 1)

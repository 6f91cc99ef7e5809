"""`edgeflash users`: who may log in to the OPC UA server, and as what."""

from __future__ import annotations

import getpass
import json as json_module
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from edgeflash.access import UserRole
from edgeflash.cli.state_folder import state_folder
from edgeflash.errors import UsageError
from edgeflash.gateway.site import checked_site
from edgeflash.service.users import (
    FILE_NAME,
    MOST_PASSWORD_BYTES,
    UserFile,
    checked_name,
    checked_password,
)

users_app = typer.Typer(
    help="List, add and remove users of the OPC UA server; change passwords and roles.",
    no_args_is_help=True,
)


class RoleName(StrEnum):
    """Each may do what the one before may."""

    OBSERVER = "observer"
    OPERATOR = "operator"
    ENGINEER = "engineer"


SiteFile = Annotated[Path, typer.Argument(help="The site file (TOML).")]
Name = Annotated[str, typer.Argument(help="The user's name.")]
PasswordFile = Annotated[
    Path | None,
    typer.Option(help='A file with the password in its first line; "-": standard input.'),
]
ForMachines = Annotated[bool, typer.Option("--json", help="For machines.")]


def _users_of(site: Path) -> UserFile:
    return UserFile(state_folder(checked_site(site)) / FILE_NAME)


@users_app.command("list")
def list_users(site: SiteFile, json: ForMachines = False) -> None:
    """Print every user and role.

    Example: edgeflash users list /etc/edgeflash/site.toml
    """
    found = sorted(_users_of(site).users().values(), key=lambda user: user.name)
    rows = [{"name": user.name, "role": user.role.name.lower()} for user in found]
    if json:
        typer.echo(json_module.dumps(rows, ensure_ascii=False, indent=2))
        return
    if not rows:
        typer.echo("no users yet: nobody can log in")
    width = max((len(row["name"]) for row in rows), default=0)
    for row in rows:
        typer.echo(f"{row['name']:<{width}}  {row['role']}")


@users_app.command("add")
def add_user(
    site: SiteFile,
    name: Name,
    role: Annotated[RoleName, typer.Option(help="What the user may do.")] = RoleName.OBSERVER,
    password_file: PasswordFile = None,
) -> None:
    """Add a user. The password is asked for, twice and unseen, unless it comes from a file.

    An observer reads; an operator also acknowledges, sets maintenance and check sample and writes
    inputs; an engineer also drives test signals.

    Example: edgeflash users add site.toml control-system --role operator
    """
    users = _users_of(site)
    checked_name(name)
    users.add(name, UserRole[role.name], _password(name, password_file))
    typer.echo(f"{name} added as {role.value}; counts from the next log-in")


@users_app.command("remove")
def remove_user(site: SiteFile, name: Name) -> None:
    """Remove a user. Sessions of the user end within seconds.

    Example: edgeflash users remove site.toml control-system
    """
    _users_of(site).remove(name)
    typer.echo(f"{name} removed")


@users_app.command("password")
def change_password(site: SiteFile, name: Name, password_file: PasswordFile = None) -> None:
    """Give a user another password. Sessions of the user end within seconds.

    Example: edgeflash users password site.toml control-system
    """
    users = _users_of(site)
    if name not in users.users():
        raise UsageError(f"there is no user '{name}'")
    users.set_password(name, _password(name, password_file))
    typer.echo(f"{name} has another password; counts from the next log-in")


@users_app.command("role")
def change_role(
    site: SiteFile, name: Name, role: Annotated[RoleName, typer.Argument(help="The new role.")]
) -> None:
    """Give a user another role. Sessions of the user end within seconds.

    Example: edgeflash users role site.toml control-system engineer
    """
    _users_of(site).set_role(name, UserRole[role.name])
    typer.echo(f"{name} is {role.value} now; counts from the next log-in")


def _password(name: str, file: Path | None) -> str:
    """From the terminal without echo, or the first line of a file. Never an argument: those can be
    seen by everybody on the machine."""
    if file is not None:
        return checked_password(_first_line(file), name)
    if not sys.stdin.isatty():
        raise UsageError('there is no terminal to ask at: give --password-file, or "-" for stdin')
    password = checked_password(getpass.getpass(f"password of {name}: "), name)
    if getpass.getpass("once more: ") != password:
        raise UsageError("the two are not the same; nothing has been changed")
    return password


def _first_line(file: Path) -> str:
    try:
        if str(file) == "-":
            data = sys.stdin.buffer.readline(4 * MOST_PASSWORD_BYTES)
        else:
            with file.open("rb") as opened:
                data = opened.readline(4 * MOST_PASSWORD_BYTES)
        return data.decode().rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{file}: the password cannot be read from it ({error})") from error

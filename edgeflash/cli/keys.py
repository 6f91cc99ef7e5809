"""`edgeflash keys`: the gateway's own certificate, and whom it trusts."""

from __future__ import annotations

import json as json_module
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from edgeflash.cli.lines import say_line
from edgeflash.cli.state_folder import state_folder
from edgeflash.config.site import Site
from edgeflash.errors import UsageError
from edgeflash.gateway.site import checked_site
from edgeflash.service import keys
from edgeflash.service.certificates import CertificateFacts, CertificateUnreadableError
from edgeflash.service.expiry import Stage, days_left, stage_of, state_text
from edgeflash.service.machine import application_uri, host_names

keys_app = typer.Typer(
    help="Show and renew the gateway's own certificate; list, trust and reject those of others.",
    no_args_is_help=True,
)


class Peers(StrEnum):
    """Whose certificates."""

    CLIENTS = "clients"
    ANALYZERS = "analyzers"


SiteFile = Annotated[Path, typer.Argument(help="The site file (TOML).")]
ForWhom = Annotated[
    Peers,
    typer.Option(
        "--for", help="clients: who may connect to us; analyzers: the servers we connect to."
    ),
]
Thumbprint = Annotated[
    str, typer.Argument(help="SHA-1 or SHA-256 thumbprint, as `keys list` shows it.")
]
ForMachines = Annotated[bool, typer.Option("--json", help="For machines.")]


def _list_of(site: Site, peers: Peers) -> keys.TrustList:
    state = state_folder(site)
    if peers is Peers.ANALYZERS:
        return keys.TrustList(keys.analyzers_folder(state), peer_is_server=True)
    return keys.TrustList(keys.clients_folder(state))


@keys_app.command("list")
def list_keys(site: SiteFile, peers: ForWhom = Peers.CLIENTS, json: ForMachines = False) -> None:
    """Print the certificates that are trusted, and those that were refused and kept.

    Example: edgeflash keys list /etc/edgeflash/site.toml --for clients
    """
    found, now = _list_of(checked_site(site), peers), datetime.now(UTC)
    rows = [
        {"standing": listed.standing.value, **_row(listed.facts, now), "file": str(listed.path)}
        for listed in found.list()
    ]
    if json:
        typer.echo(json_module.dumps(rows, ensure_ascii=False, indent=2))
        return
    if not rows:
        say_line(
            f"{peers.value}: no certificate yet. Let the other side try once: it is refused and "
            "kept here as rejected; then it can be trusted by its thumbprint."
        )
    for row in rows:
        say_line(f"{row['standing']}: {row['subject']}")
        _say(row)
    found.check(b"", now)  # reads every file
    for path in found.unreadable:
        typer.echo(f"{path}: is neither a certificate nor a revocation list", err=True)


@keys_app.command("trust")
def trust_key(
    site: SiteFile,
    thumbprint: Annotated[str, typer.Argument(help="Thumbprint of a rejected one.")] = "",
    file: Annotated[
        Path | None, typer.Option(help="A certificate (DER or PEM) that somebody brought you.")
    ] = None,
    peers: ForWhom = Peers.CLIENTS,
    json: ForMachines = False,
) -> None:
    """Trust a certificate: a rejected one by its thumbprint, or one from a file.

    Compare the thumbprint with the one at the other end, by telephone or on its own screen, before
    you trust it. It counts at once; nothing is restarted.

    Example: edgeflash keys trust site.toml 3F0A…
    """
    if bool(thumbprint) == (file is not None):
        raise UsageError("give either a thumbprint or --file")
    found = _list_of(checked_site(site), peers)
    facts = _added(found, file) if file is not None else found.trust(thumbprint)
    _done("trusted", facts, json)


@keys_app.command("reject")
def reject_key(
    site: SiteFile,
    thumbprint: Thumbprint,
    peers: ForWhom = Peers.CLIENTS,
    json: ForMachines = False,
) -> None:
    """Trust a certificate no longer. Connections that use it end within seconds.

    Example: edgeflash keys reject site.toml 3F0A…
    """
    _done("rejected", _list_of(checked_site(site), peers).reject(thumbprint), json)


@keys_app.command("show")
def show_own(site: SiteFile, json: ForMachines = False) -> None:
    """Print the gateway's own certificate. Exit code 1 when it ends within 30 days, or has.

    Example: edgeflash keys show site.toml
    """
    own, now = keys.read_own(keys.own_folder(state_folder(checked_site(site)))), datetime.now(UTC)
    row = {**_row(own.facts, now), "file": str(own.certificate_path)}
    if json:
        typer.echo(json_module.dumps(row, ensure_ascii=False, indent=2))
    else:
        say_line(f"own: {row['subject']}")
        _say(row)
    if stage_of(own.facts.not_before, own.facts.not_after, now) >= Stage.WITHIN_30_DAYS:
        raise typer.Exit(1)


@keys_app.command("renew")
def renew_own(site: SiteFile, json: ForMachines = False) -> None:
    """Make a new key and certificate for the gateway; the old ones are kept beside them.

    A running gateway offers it to new connections within seconds; those that are open go on. Every
    client must then trust the new one: plan it with who looks after the control system.

    Example: edgeflash keys renew site.toml
    """
    checked = checked_site(site)
    folder = keys.own_folder(state_folder(checked))
    server = checked.file.opcua
    given = server.certified_names if server is not None else ()
    uri = application_uri(checked.file.site.name)
    made = keys.renew_own(folder, uri, host_names(given), datetime.now(UTC))
    _done("made", made.facts, json)


def _done(what: str, facts: CertificateFacts, json: bool) -> None:
    row = {"done": what, **_row(facts, datetime.now(UTC))}
    if json:
        typer.echo(json_module.dumps(row, ensure_ascii=False, indent=2))
        return
    say_line(f"{what}: {row['subject']}")
    _say(row)


def _row(facts: CertificateFacts, now: datetime) -> dict[str, Any]:
    return {
        "subject": facts.subject,
        "issuer": facts.issuer,
        "application_uri": facts.application_uri,
        "host_names": list(facts.host_names),
        "sha1": facts.thumbprint,
        "sha256": facts.sha256,
        "not_before": facts.not_before.isoformat(),
        "not_after": facts.not_after.isoformat(),
        "days_left": round(days_left(facts.not_after, now), 1),
        "state": state_text(facts.not_before, facts.not_after, now),
        "key_bits": facts.key_bits,
    }


def _say(row: dict[str, Any]) -> None:
    say_line(f"  application  {row['application_uri'] or 'not stated'}")
    if row["issuer"] != row["subject"]:
        say_line(f"  issued by    {row['issuer']}")
    typer.echo(f"  SHA-1        {row['sha1']}")
    typer.echo(f"  SHA-256      {row['sha256']}")
    say_line(f"  validity     {row['state']}")


def _added(found: keys.TrustList, file: Path) -> CertificateFacts:
    try:
        return found.add(file.read_bytes())
    except OSError as error:
        raise UsageError(f"{file}: cannot be read ({error.strerror})") from error
    except CertificateUnreadableError as error:
        raise UsageError(f"{file}: {error}") from error

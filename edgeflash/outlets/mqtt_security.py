"""Who a broker must prove to be, and who we are towards it. Read anew for every connection."""

from __future__ import annotations

import os
import ssl
from pathlib import Path

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.outlets.mqtt_errors import BrokerNotTrustedError, BrokerRefusedError

CREDENTIALS = "CREDENTIALS_DIRECTORY"
"""Where the service manager puts credentials (systemd.exec(5), "Credentials")."""


def tls_context(entry: MqttEntry, site_dir: Path) -> ssl.SSLContext | None:
    """What a connection is protected with; None without TLS. The host's name is always checked.

    site_dir: what relative paths start from. Raises BrokerNotTrustedError.
    """
    if not entry.tls:
        return None
    ca_file = None if entry.ca_file is None else site_dir / entry.ca_file
    reading = ca_file
    try:
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if entry.certificate_file is not None and entry.key_file is not None:
            reading = site_dir / entry.certificate_file
            # An encrypted key would ask at the terminal; a service has none.
            context.load_cert_chain(reading, site_dir / entry.key_file, password=_no_password)
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise BrokerNotTrustedError(
            f"{reading or 'the trusted certificates of this machine'}: cannot be used for "
            f"{entry.broker}: {error}"
        ) from error
    return context


def _no_password() -> str:
    raise ValueError("the key is encrypted; give one that is not, readable by edgeflash alone")


def password_of(entry: MqttEntry, site_dir: Path) -> str | None:
    """The password of the user; None where none is given. Raises BrokerRefusedError."""
    if entry.password_credential is not None:
        folder = os.environ.get(CREDENTIALS)
        if folder is None:
            raise BrokerRefusedError(
                "the service manager gives no credentials, so the password "
                f'"{entry.password_credential}" for {entry.broker} is not known'
            )
        path = Path(folder) / entry.password_credential
    elif entry.password_file is not None:
        path = site_dir / entry.password_file
    else:
        return None
    try:
        return path.read_text("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise BrokerRefusedError(
            f"the password for {entry.broker} cannot be read: {path}: {error}"
        ) from error

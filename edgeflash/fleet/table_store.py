"""What the library of the shared tables needs to reach their store.

It reads keys from the environment and asks the machine's role, and passes over the shared
credentials file, which shipping takes keys from as well: so that is read here.
"""

from __future__ import annotations

import os
from configparser import ConfigParser, Error
from pathlib import Path
from urllib.parse import urlsplit

from edgeflash.errors import UsageError

_KEYS = ("aws_access_key_id", "aws_secret_access_key", "aws_session_token")


def storage_options(url: str, endpoint: str = "", region: str = "") -> dict[str, str]:
    """The options for a store, beside what is in the environment; none for a folder.

    Raises UsageError when there is a credentials file that cannot be read.
    """
    if urlsplit(url).scheme != "s3":
        return {}
    options = {} if "AWS_ACCESS_KEY_ID" in os.environ else _keys_of_file()
    endpoint = endpoint or os.environ.get("AWS_ENDPOINT_URL", "")
    region = region or os.environ.get("AWS_REGION", os.environ.get("AWS_DEFAULT_REGION", ""))
    if endpoint:
        options["AWS_ENDPOINT_URL"] = endpoint
        options["AWS_REGION"] = region or "us-east-1"
        if endpoint.startswith("http://"):
            options["AWS_ALLOW_HTTP"] = "true"
    elif region:
        options["AWS_REGION"] = region
    return options


def _keys_of_file() -> dict[str, str]:
    """The keys in the shared credentials file, of the profile that is asked for; none without."""
    named = os.environ.get("AWS_SHARED_CREDENTIALS_FILE", "")
    path = Path(named) if named else Path("~/.aws/credentials").expanduser()
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        raise UsageError(f"{path}: the credentials cannot be read: {error}") from error
    # A key may hold any sign, and none of them stands for another.
    profiles = ConfigParser(interpolation=None)
    try:
        profiles.read_string(text)
    except Error as error:
        # What the library says of it quotes the line, which may be a key.
        raise UsageError(f"{path}: this is no credentials file") from error
    profile = os.environ.get("AWS_PROFILE") or "default"
    if not profiles.has_section(profile):
        return {}
    return {name.upper(): profiles[profile][name] for name in _KEYS if name in profiles[profile]}

"""Who may come in: a bearer token from the environment or from a file others cannot read."""

from __future__ import annotations

import hmac
import os
import stat
from pathlib import Path

from fhirdrain.errors import ConfigurationError

TOKEN = "FHIRDRAIN_SANDBOX_TOKEN"


def token_from(file: Path | None) -> str | None:
    """Return the token callers must present, None for no sign-in; raises `ConfigurationError`."""
    token = os.environ.get(TOKEN)
    if token is not None and file is not None:
        raise ConfigurationError(f"{TOKEN} and --token-file are both given", hint="keep one")
    if file is not None:
        try:
            mode = file.stat().st_mode
            token = file.read_text("utf-8")
        except (OSError, UnicodeDecodeError):
            raise ConfigurationError("the token file cannot be read", place=str(file)) from None
        if mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise ConfigurationError(
                "others can read the token file", place=str(file), hint="chmod 600 it"
            )
    if token is None:
        return None
    token = token.strip()
    if not token or not all(33 <= ord(character) <= 126 for character in token):
        raise ConfigurationError("the token is empty or has characters that no token has")
    return token


def is_signed(authorization: str, token: str) -> bool:
    """Tell whether an Authorization header presents the token, in a time that tells nothing."""
    scheme, _, presented = authorization.partition(" ")
    same = hmac.compare_digest(presented.strip().encode(), token.encode())
    return same and scheme.lower() == "bearer"

"""Signing in: a bearer token from the environment or from a file that others cannot read."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import requests
from requests.auth import AuthBase

from fhirdrain.errors import ConfigurationError

TOKEN = "FHIRDRAIN_TOKEN"
TOKEN_FILE = "FHIRDRAIN_TOKEN_FILE"


class Bearer(AuthBase):
    """Adds the token, if there is one. Being set, it also keeps requests from reading a .netrc."""

    def __init__(self, token: str | None) -> None:
        self._token = token

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        """Sign a request."""
        if self._token:
            request.headers["Authorization"] = f"Bearer {self._token}"
        return request

    def __repr__(self) -> str:
        return "Bearer(...)"


def bearer_from_environment(file: str | None = None) -> Bearer:
    """Return the sign-in that the environment gives; raises `ConfigurationError`.

    `file` is one that holds the token where the environment names none.
    """
    token = os.environ.get(TOKEN)
    if token and os.environ.get(TOKEN_FILE):
        raise ConfigurationError(f"{TOKEN} and {TOKEN_FILE} are both set", hint="keep one")
    file = os.environ.get(TOKEN_FILE) or file
    if file and not token:
        path = Path(file)
        try:
            mode = path.stat().st_mode
            token = path.read_text("utf-8")
        except (OSError, UnicodeDecodeError):
            raise ConfigurationError("the file of the token cannot be read") from None
        if mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise ConfigurationError(
                "others can read the file of the token", place=file, hint="chmod 600 it"
            )
    token = (token or "").strip()
    if token and not all(33 <= ord(character) <= 126 for character in token):
        raise ConfigurationError("the token has characters that no token has")
    return Bearer(token or None)

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


def bearer_from_environment() -> Bearer:
    """Return the sign-in that the environment gives; raises `ConfigurationError`."""
    token = os.environ.get(TOKEN)
    file = os.environ.get(TOKEN_FILE)
    if token and file:
        raise ConfigurationError(f"{TOKEN} and {TOKEN_FILE} are both set", hint="keep one")
    if file:
        path = Path(file)
        try:
            mode = path.stat().st_mode
            token = path.read_text("utf-8")
        except (OSError, UnicodeDecodeError):
            raise ConfigurationError(f"the file of {TOKEN_FILE} cannot be read") from None
        if mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise ConfigurationError(
                f"others can read the file of {TOKEN_FILE}", hint="chmod 600 it"
            )
    token = (token or "").strip()
    if token and not all(33 <= ord(character) <= 126 for character in token):
        raise ConfigurationError("the token has characters that no token has")
    return Bearer(token or None)

"""Signing in: a bearer token from the environment or from a file that others cannot read."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import requests
from requests.auth import AuthBase

from fhirdrain.errors import ConfigurationError

TOKEN = "FHIRDRAIN_TOKEN"
TOKEN_FILE = "FHIRDRAIN_TOKEN_FILE"


class SignIn(AuthBase):
    """How requests are signed. Being set, it also keeps requests from reading a .netrc."""

    def meet(self, base: str, session: Callable[[], requests.Session]) -> None:
        """Learn which server is signed in to, and what to talk with."""

    def renew(self) -> bool:
        """Sign in anew, since the server did not know us; tell whether that can help."""
        return False


class Bearer(SignIn):
    """Adds the token, if there is one."""

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
    if os.environ.get(TOKEN) and os.environ.get(TOKEN_FILE):
        raise ConfigurationError(f"{TOKEN} and {TOKEN_FILE} are both set", hint="keep one")
    token = os.environ.get(TOKEN)
    return Bearer(secret(token, None if token else os.environ.get(TOKEN_FILE) or file))


def secret(given: str | None, file: str | None) -> str | None:
    """Return a token, from a file that others cannot read where one is named, None for none.

    Raises `ConfigurationError` for a file that cannot be used, and for what is no token.
    """
    if file is not None:
        given = read_private(file, "token file")
    token = (given or "").strip()
    if not all(33 <= ord(character) <= 126 for character in token):
        raise ConfigurationError("the token has characters that no token has")
    return token or None


def read_private(file: str, what: str) -> str:
    """Return a file's text, if nobody else can read it; raises `ConfigurationError`."""
    path = Path(file).expanduser()
    try:
        mode = path.stat().st_mode
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        raise ConfigurationError(f"the {what} cannot be read", place=file) from None
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise ConfigurationError(f"others can read the {what}", place=file, hint="chmod 600 it")
    return text

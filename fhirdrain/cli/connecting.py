"""How a command reaches its server: who signs in, by which certificates, at which pace."""

from __future__ import annotations

import os
from pathlib import Path

from fhirdrain.cli.settings import setting
from fhirdrain.errors import ConfigurationError
from fhirdrain.exchange.auth import SignIn, bearer_from_environment, secret
from fhirdrain.exchange.client import Client, Line
from fhirdrain.exchange.patience import Pace, Patience

WAYS = ("token", "client-secret", "client-key")
_SECRET = "FHIRDRAIN_CLIENT_SECRET"


def connect(
    server: str, per_second: float | None = None, patience: Patience | None = None
) -> Client:
    """Return a client of a server; raises `ConfigurationError` for settings that cannot be right."""
    return Client(server, sign_in(), line(per_second, patience))


def sign_in() -> SignIn:
    """Return how the settings say to sign in: by a token, if there is one, by default."""
    way = setting("sign_in") or "token"
    if way == "token":
        return bearer_from_environment(setting("token_file"))
    if way not in WAYS:
        raise ConfigurationError(f'"{way}" is no way to sign in', hint=f"one of {', '.join(WAYS)}")
    from fhirdrain.exchange.oauth import Credentials, OAuth  # loaded by those who need it

    client_id = setting("client_id")
    if not client_id:
        raise ConfigurationError(f"{way} needs client_id", hint="FHIRDRAIN_CLIENT_ID")
    given = {"scope": setting("scope") or "", "token_url": setting("token_url") or ""}
    if way == "client-key":
        key_file = setting("key_file")
        if not key_file:
            raise ConfigurationError("client-key needs key_file", hint="FHIRDRAIN_KEY_FILE")
        return OAuth(Credentials(client_id, key_file=key_file, key_id=setting("key_id"), **given))
    stated = os.environ.get(_SECRET)
    found = secret(stated, None if stated else setting("client_secret_file"))
    if found is None:
        raise ConfigurationError("client-secret needs a secret", hint=f"{_SECRET} or its _FILE")
    return OAuth(Credentials(client_id, secret=found, **given))


def line(per_second: float | None = None, patience: Patience | None = None) -> Line:
    """Return the certificates and the pace of the settings."""
    authorities, own = setting("authorities"), setting("certificate")
    key = setting("certificate_key")
    for file in (authorities, own, key):
        if file and not Path(file).is_file():
            raise ConfigurationError("there is no such file", place=file)
    if bool(own) != bool(key):
        raise ConfigurationError(
            "a certificate of ours goes with its key", hint="certificate and certificate_key"
        )
    if key and Path(key).stat().st_mode & 0o077:
        raise ConfigurationError("others can read the key", place=key, hint="chmod 600 it")
    pair = (own, key) if own and key else None
    return Line(patience or Patience(), Pace(per_second), authorities, pair)

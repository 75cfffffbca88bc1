"""Signing in by OAuth 2: client credentials, and SMART Backend Services with a signed assertion.

RFC 6749 section 4.4; HL7, "SMART App Launch", Backend Services and Asymmetric Authentication.
Tokens are fetched when first needed, kept until shortly before they run out, and fetched anew once
when a server does not know one. They go to the server's own origin and nowhere else.
"""

from __future__ import annotations

import threading
import time
import uuid
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote_plus, urlsplit

import requests

from fhirdrain.errors import ConfigurationError, SignInError
from fhirdrain.exchange import assertions
from fhirdrain.exchange.auth import SignIn
from fhirdrain.exchange.patience import BUSY, Patience, retry_after

_TIMEOUT = (10, 30)
_EARLY = 30.0  # seconds before a token runs out, in which it is not used any more
_SHORT = 300.0  # how long one is kept whose life is not said
_LONGEST_WAIT = 10.0  # seconds that an authorisation server may ask to wait
ASSERTION_LIFE = 240  # seconds; the guide allows five minutes
_ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"


@dataclass(frozen=True, slots=True)
class Credentials:
    """Who signs in: the client's id and its secret, or the file of its key with the key's id."""

    client_id: str
    scope: str = ""
    token_url: str = ""
    secret: str | None = field(default=None, repr=False)
    key_file: str | None = None
    key_id: str | None = None


class _NotNow(SignInError):
    """The authorisation server did not answer, or was busy; `wait` is how long it asks for."""

    wait = 0.0


class OAuth(SignIn):
    """Signs requests with a token of an authorisation server."""

    def __init__(
        self, credentials: Credentials, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._who = credentials
        self._clock = clock
        self._lock = threading.Lock()
        self._token: str | None = None
        self._until = 0.0
        self._base = ""
        self._patience = Patience()
        self._endpoint = credentials.token_url
        self._key = (
            assertions.load_key(credentials.key_file, credentials.key_id)
            if credentials.key_file
            else None
        )
        if self._endpoint:
            _refuse_open(self._endpoint)

    def __repr__(self) -> str:
        return "OAuth(...)"

    def meet(self, base: str, session: Callable[[], requests.Session]) -> None:
        """Learn which server is signed in to; its token endpoint is asked for when needed."""
        self._base = base
        self._session = session

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        """Sign a request, if it goes to the server itself."""
        if _origin(str(request.url)) == _origin(self._base):
            request.headers["Authorization"] = f"Bearer {self._valid()}"
        return request

    def renew(self) -> bool:
        """Let go of the token, so that the next request fetches another."""
        with self._lock:
            self._token = None
        return True

    def _valid(self) -> str:
        with self._lock:
            if self._token is None or self._clock() >= self._until:
                self._token, life = self._fetched()
                self._until = self._clock() + max(life - _EARLY, life / 2)
            return self._token

    def _fetched(self) -> tuple[str, float]:
        """Return a new token and how many seconds it lives; raises `SignInError`."""
        for attempt in (1, 2):
            try:
                return self._asked_for()
            except _NotNow as busy:
                self._patience.pause(attempt, busy.wait)
        return self._asked_for()

    def _asked_for(self) -> tuple[str, float]:
        """Ask for a token once: an assertion is never used again."""
        endpoint = self._endpoint or self._discovered()
        form = {"grant_type": "client_credentials"}
        if self._who.scope:
            form["scope"] = self._who.scope
        auth = None
        if self._key is not None:
            form["client_assertion_type"] = _ASSERTION
            form["client_assertion"] = self._key.sign(self._claims(endpoint))
        else:
            # RFC 6749, section 2.3.1: both are form-encoded first.
            auth = (quote_plus(self._who.client_id), quote_plus(self._who.secret or ""))
        answer = self._ask("POST", endpoint, data=form, auth=auth)
        token, kind = answer.get("access_token"), str(answer.get("token_type", "bearer"))
        if not isinstance(token, str) or not token or kind.lower() != "bearer":
            raise SignInError("the authorisation server gave no bearer token", place=endpoint)
        life = answer.get("expires_in")
        return token, float(life) if isinstance(life, int) and life > 0 else _SHORT

    def _claims(self, endpoint: str) -> dict[str, Any]:
        now = int(time.time())
        who = self._who.client_id
        life = {"iat": now, "exp": now + ASSERTION_LIFE}
        return {"iss": who, "sub": who, "aud": endpoint, "jti": str(uuid.uuid4()), **life}

    def _discovered(self) -> str:
        """Return the token endpoint that the server names."""
        place = f"{self._base}/.well-known/smart-configuration"
        endpoint = self._ask("GET", place).get("token_endpoint")
        if not isinstance(endpoint, str):
            raise SignInError(
                "the server names no token endpoint", place=place, hint="token_url in the settings"
            )
        _refuse_open(endpoint)
        self._endpoint = endpoint
        return endpoint

    def _ask(self, method: str, url: str, **more: Any) -> Mapping[str, Any]:
        try:
            response = self._session().request(
                method,
                url,
                timeout=_TIMEOUT,
                allow_redirects=False,
                headers={"Accept": "application/json"},
                **{"auth": _nobody, **{k: v for k, v in more.items() if v is not None}},
            )
        except (requests.exceptions.RequestException, OSError):
            # What the library says of it may quote what was sent.
            raise _NotNow("the authorisation server does not answer", place=url) from None
        if response.status_code in BUSY:
            busy = _NotNow(f"HTTP {response.status_code}: it is busy", place=url)
            busy.wait = min(retry_after(response.headers) or 0.0, _LONGEST_WAIT)
            raise busy
        body = None
        with suppress(ValueError):
            body = response.json()
        if response.status_code != 200 or not isinstance(body, dict):
            code = body.get("error") if isinstance(body, dict) else None
            known = f": {code}" if isinstance(code, str) and code in _ERRORS else ""
            raise SignInError(
                f"HTTP {response.status_code}: no token was given{known}",
                place=url,
                hint="are client id, key and scope those that are registered there?",
            )
        return body


# RFC 6749, section 5.2: what may be repeated without quoting anything of ours.
_ERRORS = (
    "invalid_request",
    "invalid_client",
    "invalid_grant",
    "unauthorized_client",
    "unsupported_grant_type",
    "invalid_scope",
)


def _nobody(request: requests.PreparedRequest) -> requests.PreparedRequest:
    """Sign nothing; being set, it keeps requests from reading a .netrc."""
    return request


def _origin(url: str) -> tuple[str, str]:
    parts = urlsplit(url)
    port = parts.port or {"https": 443, "http": 80}.get(parts.scheme, 0)
    return parts.scheme, f"{(parts.hostname or '').lower()}:{port}"


def _refuse_open(endpoint: str) -> None:
    """Refuse an endpoint to which a secret would go unencrypted, but for this machine itself."""
    parts = urlsplit(endpoint)
    if parts.username or parts.password or parts.query or parts.fragment:
        # It is shown only once it is known to hold no secret.
        raise ConfigurationError("token_url holds neither a password nor a query")
    local = parts.hostname in ("localhost", "127.0.0.1", "::1")
    if parts.scheme != "https" and not (parts.scheme == "http" and local):
        raise ConfigurationError(
            "secrets go to a token endpoint by https alone", place=endpoint, hint="an https URL"
        )

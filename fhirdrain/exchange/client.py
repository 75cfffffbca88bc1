"""One FHIR server over HTTP: every answer is looked at, none is taken for what it is not."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import Any, Literal, NamedTuple
from urllib.parse import urljoin, urlsplit

import requests
from requests.exceptions import InvalidSchema, InvalidURL, MissingSchema
from urllib3.exceptions import ProtocolError, ReadTimeoutError

from fhirdrain.errors import ConfigurationError, ServerError, SignInError, UnreachableError
from fhirdrain.exchange.auth import SignIn
from fhirdrain.exchange.patience import BUSY, Pace, Patience, retry_after
from fhirdrain.issues import Issue, from_operation_outcome, render_issue
from fhirdrain.log import event
from fhirdrain.vocabulary.jsontext import decode, encode

JSON = "application/fhir+json"
_TIMEOUT = (10, 60)  # seconds to connect, and between two bytes


# Issue types by which a server says that a search's answer is not whole.
_NOT_WHOLE = ("incomplete", "too-costly", "throttled", "timeout", "transient")


class RequestRefused(ServerError):
    """The server refused one request (4xx); `issues` are those of its OperationOutcome.

    What the server says in words stays in the issues' values: it may quote a patient's.
    """

    def __init__(self, status: int, issues: Sequence[Issue], place: str = "") -> None:
        reasons = "; ".join(dict.fromkeys(render_issue(issue) for issue in issues))
        super().__init__(f"HTTP {status}: {reasons}", place=place)
        self.status = status
        self.issues = list(issues)


class BusyError(ServerError):
    """The server is busy, or was all the time that we asked; `wait` is how long it asks for."""

    def __init__(self, message: str, *, place: str, wait: float | None = None) -> None:
        super().__init__(message, place=place)
        self.wait = wait


@dataclass(frozen=True, slots=True)
class Way:
    """How a server takes several resources, and of which types it knows no conditional request."""

    kind: Literal["transaction", "batch", "single"] = "transaction"
    no_create: frozenset[str] = frozenset()
    no_update: frozenset[str] = frozenset()


class Answer(NamedTuple):
    """The answer to one request: its status, where the resource is, and what came with it."""

    status: int
    location: str
    body: Any
    etag: str = ""


class CertificateError(ServerError):
    """The server's certificate, or ours, does not hold: asking again would not help."""


@dataclass(frozen=True, slots=True)
class _Page:
    """One page of a search: its entries, where the next is, how many matches there are in all."""

    entries: list[dict[str, Any]]
    following: str | None
    total: int | None


@dataclass(slots=True)
class Line:
    """How a server is reached: patience, pace, certificates.

    `certificates` is a bundle of authorities, `own` our certificate and its key, for servers that
    ask who is there.
    """

    patience: Patience = field(default_factory=Patience)
    pace: Pace = field(default_factory=Pace)
    certificates: str | None = None
    own: tuple[str, str] | None = None


class Client:
    """A FHIR R4 server at a base URL.

    Requests that are safe to repeat are repeated a few times when the server is busy or the line
    breaks. `warnings` are what a server said of its answers that is no error. It may be used by
    several threads.
    """

    def __init__(self, base: str, auth: SignIn, line: Line | None = None) -> None:
        try:
            parts = urlsplit(base)
            usable = parts.scheme in ("http", "https") and bool(parts.hostname)
        except ValueError:
            usable = False
        # The URL is shown only once it is known to hold no secret.
        if not usable:
            raise ConfigurationError("not the URL of a server", hint="as https://HOST/fhir")
        if parts.username or parts.password or parts.query or parts.fragment:
            raise ConfigurationError(
                "a server's URL holds neither a password nor a query",
                hint="a token goes into FHIRDRAIN_TOKEN",
            )
        self.base = base.rstrip("/")
        self.warnings: list[Issue] = []
        self.lock = threading.Lock()
        self._auth = auth
        self._line = line or Line()
        self._own = threading.local()
        self._sessions: list[requests.Session] = []
        self._statement: dict[str, Any] | None = None
        auth.meet(self.base, self._session)

    def close(self) -> None:
        """Let go of the connections."""
        for session in self._sessions:
            session.close()

    def _session(self) -> requests.Session:
        """Return this thread's session: one is not made for several."""
        session: requests.Session | None = getattr(self._own, "session", None)
        if session is None:
            session = _Session()
            session.headers["Accept"] = JSON
            if self._line.certificates is not None:
                session.verify = self._line.certificates
            session.cert = self._line.own
            self._own.session = session
            self._sessions.append(session)
        return session

    def get(self, url: str, params: Sequence[tuple[str, str]] = ()) -> Any:
        """Return the JSON at a URL (relative to the base, or of the same origin)."""
        response = self._send("GET", self._absolute(url), params=list(params))
        if response.status_code != 200:
            raise ServerError(f"HTTP {response.status_code}: not a whole answer", place=self.base)
        return self._decoded(response)

    def transaction(
        self, bundle: Mapping[str, Any], *, repeatable: bool, correlation: str = ""
    ) -> Any:
        """Post a transaction and return the server's answer with the resources in it.

        `repeatable` says that posting it twice does no more than posting it once; `correlation`
        goes along as the id of the request.
        """
        response = self._send(
            "POST",
            self.base,
            data=encode(bundle),
            headers={
                "Content-Type": JSON,
                "Prefer": "return=representation",
                **({"X-Request-Id": correlation} if correlation else {}),
            },
            repeatable=repeatable,
        )
        return self._decoded(response)

    def release(self) -> str:
        """Return the FHIR release the server speaks; refuses servers of other releases.

        4.0.x is spoken; 4.3.0 differs in nothing that is used here. Raises `ServerError`.
        """
        statement = self._capabilities()
        release = str(statement.get("fhirVersion", ""))
        if not re.fullmatch(r"4\.0\.\d+|4\.3\.0", release):
            raise ServerError(
                f"the server speaks FHIR {release or 'of no stated release'}, not 4.0",
                place=self.base,
            )
        formats = statement.get("format")
        if (
            isinstance(formats, list)
            and formats
            and not any("json" in str(name) for name in formats)
        ):
            raise ServerError("the server speaks no JSON", place=self.base)
        return release

    def _capabilities(self) -> dict[str, Any]:
        if self._statement is None:
            statement = self.get("metadata")
            if not isinstance(statement, dict) or statement.get("resourceType") != (
                "CapabilityStatement"
            ):
                raise ServerError("/metadata is no CapabilityStatement", place=self.base)
            self._statement = statement
        return self._statement

    def way(self) -> Way:
        """Return how this server takes several resources, by what it says of itself.

        One that says nothing of it is taken to know transactions and conditional requests.
        """
        rest = self._capabilities().get("rest")
        sides = [r for r in rest if isinstance(r, dict)] if isinstance(rest, list) else []
        known = [i for r in sides for i in _objects(r.get("interaction"))]
        codes = {i.get("code") for i in known}
        stated = any("interaction" in r for r in sides)
        kind: Literal["transaction", "batch", "single"] = "transaction"
        if stated and "transaction" not in codes:
            kind = "batch" if "batch" in codes else "single"
        types = [t for r in sides for t in _objects(r.get("resource"))]
        return Way(
            kind,
            frozenset(str(t.get("type")) for t in types if t.get("conditionalCreate") is False),
            frozenset(str(t.get("type")) for t in types if t.get("conditionalUpdate") is False),
        )

    def serves(self, kind: str) -> bool:
        """Tell whether the server has a type of resource, by what it says of itself.

        One that lists no types is taken to have it.
        """
        rest = self._capabilities().get("rest")
        sides = [r for r in rest if isinstance(r, dict)] if isinstance(rest, list) else []
        types = [entry.get("type") for side in sides for entry in _objects(side.get("resource"))]
        return not types or kind in types

    def put_one(
        self,
        method: str,
        url: str,
        resource: Mapping[str, Any],
        condition: str = "",
        match: str = "",
    ) -> Answer:
        """Create or update one resource; `condition` is that of a conditional create.

        `match` is the version that an update is of (If-Match).
        Only what is done once however often it is asked for is asked for again.
        """
        headers = {"Content-Type": JSON, "Prefer": "return=representation"}
        if condition:
            headers["If-None-Exist"] = condition
        if match:
            headers["If-Match"] = match
        response = self._send(
            method,
            self._absolute(url),
            data=encode(resource),
            headers=headers,
            repeatable=method == "PUT" or bool(condition),
        )
        body = self._decoded(response) if response.content.strip() else None
        place, etag = (response.headers.get(name, "") for name in ("Location", "ETag"))
        return Answer(response.status_code, place, body, etag)

    def search(self, kind: str, params: Sequence[tuple[str, str]]) -> Iterator[dict[str, Any]]:
        """Yield the entries of a whole search, page by page.

        Follows next links only on the server's own origin. A server that cuts the answer off at
        `_count` and leads to no next page is asked again without it. Raises `ServerError` when a
        page is missing or the server says that the answer is not complete: never a short answer.
        """
        page = self._page(kind, kind, params)
        uncounted = [(name, value) for name, value in params if name != "_count"]
        short = sum(map(_is_match, page.entries)) < (page.total or 0)
        if short and page.following is None and len(uncounted) < len(params):
            page = self._page(kind, kind, uncounted)
        seen: set[str] = set()
        matches = 0
        while True:
            for entry in page.entries:
                if entry["resource"].get("resourceType") == "OperationOutcome":
                    self._heed(kind, entry["resource"])
                    continue
                matches += _is_match(entry)
                yield entry
            if page.following is None:
                break
            if page.following in seen:
                raise ServerError(f"the pages of {kind} lead in a circle", place=self.base)
            seen.add(page.following)
            page = self._page(kind, page.following, (), page.total)
        if page.total is not None and matches < page.total:
            raise ServerError(
                f"the search of {kind} is not complete: {matches} of {page.total} came",
                place=self.base,
            )

    def _page(
        self, kind: str, url: str, params: Sequence[tuple[str, str]], total: int | None = None
    ) -> _Page:
        """Fetch one page of a search and look at its shape; raises `ServerError`."""
        response = self._send("GET", self._absolute(url), params=list(params))
        body = self._decoded(response)
        if not isinstance(body, dict) or (body.get("resourceType"), body.get("type")) != (
            "Bundle",
            "searchset",
        ):
            raise ServerError(f"the answer to a search of {kind} is no searchset", place=self.base)
        entries, links = body.get("entry", []), body.get("link", [])
        whole = (
            isinstance(entries, list)
            and isinstance(links, list)
            and all(isinstance(e, dict) and isinstance(e.get("resource"), dict) for e in entries)
            and all(isinstance(e.get("search", {}), dict) for e in entries)
            and all(isinstance(link, dict) for link in links)
        )
        if not whole:
            raise ServerError(f"the answer to a search of {kind} is broken", place=self.base)
        following = [link.get("url") for link in links if link.get("relation") == "next"]
        stated = body.get("total")
        if total is None and isinstance(stated, int):
            total = stated
        if response.status_code == 206 and total is None and not following:
            raise ServerError(f"the server gives a part of the {kind}s (206)", place=self.base)
        return _Page(entries, str(following[0]) if following else None, total)

    def _heed(self, kind: str, outcome: dict[str, Any]) -> None:
        """Refuse an answer of which the server itself says that it is not whole."""
        for issue in from_operation_outcome(outcome):
            if issue.is_error or issue.code in _NOT_WHOLE:
                raise ServerError(
                    f"the search of {kind} is not complete: the server says {issue.code}",
                    place=self.base,
                )
            self.warnings.append(issue)

    # -- underneath -------------------------------------------------------------------------

    def _absolute(self, url: str) -> str:
        try:
            full = urljoin(f"{self.base}/", url)
            ours, theirs = urlsplit(self.base), urlsplit(full)
        except ValueError:
            raise ServerError("the server leads to a broken URL", place=self.base) from None
        if (ours.scheme, ours.netloc) != (theirs.scheme, theirs.netloc):
            raise ServerError("the server leads to another origin: not followed", place=self.base)
        return full

    def _send(
        self,
        method: str,
        url: str,
        *,
        params: list[tuple[str, str]] | None = None,
        data: bytes | None = None,
        headers: dict[str, str] | None = None,
        repeatable: bool = True,
    ) -> requests.Response:
        patience = self._line.patience
        signed_again = False
        for attempt in count(1):
            last = not repeatable or attempt >= patience.attempts
            self._line.pace.wait()
            try:
                response = self._request(method, url, params, data, headers)
            except UnreachableError as error:
                event("no answer", server=self.base, attempt=attempt, error=error.message)
                if last:
                    raise
                patience.pause(attempt)
                continue
            if response.status_code == 401 and not signed_again and self._auth.renew():
                signed_again = True  # what was signed with may have run out
                continue
            asked = retry_after(response.headers)
            if response.status_code not in BUSY or last or (asked or 0) > patience.longest:
                return self._judged(response, asked)
            status = response.status_code
            event("busy", server=self.base, status=status, attempt=attempt, wait=asked)
            patience.pause(attempt, asked)
        raise AssertionError

    def _request(
        self,
        method: str,
        url: str,
        params: list[tuple[str, str]] | None,
        data: bytes | None,
        headers: dict[str, str] | None,
    ) -> requests.Response:
        try:
            return self._session().request(
                method,
                url,
                params=params,
                data=data,
                headers=headers,
                auth=self._auth,
                timeout=_TIMEOUT,
                # A redirected POST would become a GET, and what was sent would be lost unseen.
                allow_redirects=False,
            )
        except (InvalidURL, InvalidSchema, MissingSchema, UnicodeError):
            raise ConfigurationError(f'"{self.base}" is not a usable URL') from None
        except requests.exceptions.SSLError:
            raise CertificateError(
                "the certificates do not hold: the server's, or ours", place=self.base
            ) from None
        except requests.exceptions.RequestException as error:
            raise self._unreachable(error) from None
        except OSError as error:  # a certificate bundle that the environment names and is not there
            raise ConfigurationError(f"no connection can be made: {error}") from None

    def _unreachable(self, error: requests.exceptions.RequestException) -> UnreachableError:
        """Say in which way nothing usable came."""
        reason = getattr(error.args[0], "reason", error.args[0]) if error.args else error
        if isinstance(error, requests.exceptions.Timeout) or isinstance(reason, ReadTimeoutError):
            return UnreachableError("no answer in time", place=self.base)
        if isinstance(error, requests.exceptions.ChunkedEncodingError) or isinstance(
            reason, ProtocolError
        ):
            return UnreachableError("the answer broke off", place=self.base)
        refused = "refused" in str(error)
        return UnreachableError(
            f"no answer from the server{': the connection was refused' if refused else ''}",
            place=self.base,
            hint="is the server running, and is the URL right?",
        )

    def _judged(self, response: requests.Response, asked: float | None = None) -> requests.Response:
        status = response.status_code
        if 200 <= status < 300:
            return response
        if 300 <= status < 400:
            raise ServerError(
                f"HTTP {status}: the server leads elsewhere",
                place=self.base,
                hint="give the URL it leads to",
            )
        if status in (401, 403):
            raise SignInError(
                f"HTTP {status}: the server does not let us in",
                place=self.base,
                hint="a bearer token goes into FHIRDRAIN_TOKEN",
            )
        if status in BUSY:
            wait = "" if asked is None else f", and asks to wait {asked:.0f} s"
            raise BusyError(f"HTTP {status}: the server is busy{wait}", place=self.base, wait=asked)
        if status >= 500 and status != 501:
            raise ServerError(f"HTTP {status}: the server failed", place=self.base)
        try:
            issues = from_operation_outcome(decode(response.content))
        except ValueError:
            issues = []
        if not issues:
            if _is_html(response):
                raise ServerError(
                    f"HTTP {status} with a web page instead of FHIR",
                    place=self.base,
                    hint="does the base URL end in /fhir, or in what this server uses?",
                )
            issues = [Issue("error", "processing", "server", "no reason given")]
        raise RequestRefused(status, issues, self.base)

    def _decoded(self, response: requests.Response) -> Any:
        try:
            return decode(response.content)
        except ValueError:
            what = "a web page" if _is_html(response) else "something that is not JSON"
            raise ServerError(
                f"the server answers with {what} instead of FHIR",
                place=self.base,
                hint="does the base URL end in /fhir, or in what this server uses?",
            ) from None


class _Session(requests.Session):
    """A session whose own certificates stand above those that the environment names."""

    def merge_environment_settings(self, url, proxies, stream, verify, cert):  # type: ignore[no-untyped-def]
        """Return the settings of a request."""
        settings = super().merge_environment_settings(url, proxies, stream, verify, cert)
        if isinstance(self.verify, str):
            settings["verify"] = self.verify
        return settings


def _objects(value: Any) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _is_match(entry: Mapping[str, Any]) -> bool:
    """Tell whether an entry is one of those that a search counts in its total."""
    included = entry.get("search", {}).get("mode") == "include"
    return not included and entry["resource"].get("resourceType") != "OperationOutcome"


def _is_html(response: requests.Response) -> bool:
    kind = response.headers.get("Content-Type", "")
    return "html" in kind or response.content.lstrip()[:1] == b"<"

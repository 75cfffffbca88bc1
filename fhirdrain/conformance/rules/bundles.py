"""Bundles: full URLs, what a request asks of its entry, the same thing twice.

R4 2.36 (bundle.html): "Bundle.entry.fullUrl", "Resource URL & Uniqueness rules"; 3.1.0.11
(http.html): transactions. What R4 states as invariants (bdl-1 and on) is checked as such.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from fhirdrain.conformance.definitions import is_resource, shown_type
from fhirdrain.conformance.walk import At, Run

Json = dict[str, Any]

_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:.+")
_RESTFUL = re.compile(r"https?://.+/([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})")
_REQUEST = re.compile(r"/?([A-Z][A-Za-z]+)(?:/([^/?]+))?(?:/_history/[^/?]+)?(?:\?(.*))?")
# As R4's types uuid and oid have them.
_URNS = {
    "urn:uuid": re.compile(r"urn:uuid:[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}"),
    "urn:oid": re.compile(r"urn:oid:[0-2](?:\.(?:0|[1-9][0-9]*))+"),
}
# Here nothing but the full URL says what a reference leads to.
_CLOSED = ("document", "message")


def check(bundle: Json, at: At, run: Run) -> None:
    """Check the entries of a bundle beside each other."""
    kind = bundle.get("type")
    asked: dict[tuple[str, str], int] = {}
    for index, entry in entries_of(bundle):
        place = ((at, "entry", "entry"), index, "")
        resource = entry.get("resource")
        _full_url(entry.get("fullUrl"), resource, str(kind), place, run)
        request = entry.get("request")
        if isinstance(request, dict):
            _request(request, resource, place, run)
            if kind == "transaction":
                _once(request, asked, place, run)


def entries_of(bundle: Json) -> Iterator[tuple[int, Json]]:
    """Yield the entries of a bundle that are objects, with their indices."""
    entries = bundle.get("entry")
    for index, entry in enumerate(entries if isinstance(entries, list) else ()):
        if isinstance(entry, dict):
            yield index, entry


def _full_url(url: Any, resource: Any, kind: str, at: At, run: Run) -> None:
    if url is None:
        if kind in _CLOSED and isinstance(resource, dict):
            run.add(
                at,
                "full-url",
                f"an entry of a {kind} needs a fullUrl",
                code="required",
                hint="without one no reference can lead to it",
            )
        return
    if not isinstance(url, str):
        return
    if not _ABSOLUTE.fullmatch(url):
        run.add(at, "full-url", "fullUrl must be absolute", code="value", value=url)
        return
    form, _, _ = url.rpartition(":")
    if form in _URNS:
        _urn(form, url, at, run)
        return
    match = _RESTFUL.fullmatch(url)
    if match is None or not isinstance(resource, dict):
        return
    id_ = resource.get("id")
    if match[1] == resource.get("resourceType") and id_ != match[2]:
        if id_ is not None or kind in _CLOSED:
            run.add(
                at,
                "full-url",
                "the id in fullUrl is not that of the resource",
                code="value",
                value=url,
            )
    elif match[1] != resource.get("resourceType") and is_resource(match[1]) and id_ is not None:
        said = "fullUrl is that of a resource of another type"
        run.add(at, "full-url", said, code="value", value=url)


def _urn(form: str, url: str, at: At, run: Run) -> None:
    """Report a urn: that is no UUID or OID, or a UUID that is not written as R4 does."""
    if not _URNS[form].fullmatch(url):
        lower = _URNS[form].fullmatch(url.lower())
        run.add(
            at,
            "full-url",
            f"what follows {form}: is {'not in lower case' if lower else 'none'}",
            code="value",
            severity="warning" if lower else "error",
            hint="a UUID is 36 characters, an OID numbers with dots (R4 2.24.0.1)",
            value=url,
        )


def _request(request: Json, resource: Any, at: At, run: Run) -> None:
    method, url = request.get("method"), request.get("url")
    if method in ("POST", "PUT", "PATCH") and not isinstance(resource, dict):
        run.add(at, "bundle-entry", f"{method} needs a resource", code="required")
        return
    match = _REQUEST.fullmatch(url) if isinstance(url, str) else None
    if match is None or not isinstance(resource, dict) or method not in ("POST", "PUT"):
        return
    place = ((at, "request", "request"), "url", "url")
    kind, id_ = resource.get("resourceType"), resource.get("id")
    if match[1] != kind and "$" not in str(match[2]):
        what = f"is for another type than its entry, which is a {shown_type(kind)}"
        run.add(place, "bundle-entry", f"the request {what}", code="value")
    elif method == "PUT" and match[2] and match[2] != id_:
        run.add(
            place,
            "bundle-entry",
            "an update is of the resource its URL names, and the resource has another id",
            code="value",
        )


def _once(request: Json, asked: dict[tuple[str, str], int], at: At, run: Run) -> None:
    """Report a second entry of a transaction that changes the same resource."""
    method, url = request.get("method"), request.get("url")
    if method not in ("PUT", "DELETE", "PATCH") or not isinstance(url, str):
        return
    key = ("change", url.lstrip("/"))
    if key in asked:
        run.add(
            at,
            "bundle-duplicate",
            "another entry of the transaction changes the same resource",
            code="duplicate",
        )
    asked[key] = 1

"""Our own: which profile a resource is held against, and that no identity stands twice."""

from __future__ import annotations

from typing import Any

from fhirdrain.conformance.walk import Node, Run, codings_of, root
from fhirdrain.vocabulary.codes import LOCAL
from fhirdrain.vocabulary.observables import CATEGORY_CODE, by_code, profile_url

Json = dict[str, Any]

_BY_CODE = by_code()


def profile_of(resource: Json) -> str:
    """Return the URL of our profile for a resource that carries our codes; empty for others."""
    if resource.get("resourceType") != "Observation":
        return ""
    codings = codings_of(resource.get("code"))
    categories = resource.get("category")
    categorised = isinstance(categories, list) and any(
        (LOCAL, CATEGORY_CODE.code) in codings_of(category) for category in categories
    )
    if not categorised and not any(system == LOCAL for system, _ in codings):
        return ""
    known = {_BY_CODE[coding].name for coding in codings if coding in _BY_CODE}
    return profile_url(known.pop()) if len(known) == 1 else ""


def states_profiles(resource: Json) -> bool:
    """Tell whether a resource states any profile, known or not."""
    meta = resource.get("meta")
    return isinstance(meta, dict) and bool(meta.get("profile"))


def one_identity(resource: Any, run: Run) -> None:
    """Report a second entry of one identity: a server would refuse it or make it twice."""
    if not isinstance(resource, dict) or resource.get("type") != "transaction":
        return
    seen: set[tuple[str, str]] = set()
    for entry in Node(resource, root("Bundle"), "Bundle").items("entry"):
        request = entry.value.get("request")
        if not isinstance(request, dict) or not request.get("ifNoneExist"):
            continue
        key = (str(request.get("url")), str(request["ifNoneExist"]))
        if key in seen:
            run.add(
                entry.child("request"),
                "one-identity",
                "another entry creates the same identity",
                code="duplicate",
            )
        seen.add(key)

"""Our own: which profile a resource is held against, and that no identity stands twice."""

from __future__ import annotations

from typing import Any

from fhirdrain.conformance.walk import Node, Run, codings_of, root
from fhirdrain.vocabulary.codes import LOCAL, LOINC
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


def other_form(resource: Json) -> str:
    """Return how a resource is in a form that a destination asked for; empty where it is in ours.

    The same is said, in a way that our profiles have no place for.
    """
    codings = codings_of(resource.get("code"))
    is_output = any(c in _BY_CODE and _BY_CODE[c].name == "output" for c in codings)
    if is_output and not any(system == LOINC for system, _ in codings):
        return "it has no code of LOINC"
    parts = resource.get("component")
    values = [resource, *(parts if isinstance(parts, list) else [])]
    for value in values:
        quantity = value.get("valueQuantity") if isinstance(value, dict) else None
        if isinstance(quantity, dict) and quantity.get("code") in ("cm3", "mL/d"):
            return f"its unit is {quantity['code']}"
    orders = resource.get("basedOn")
    for order in orders if isinstance(orders, list) else []:
        if isinstance(order, dict) and order.get("type") == "DeviceRequest":
            return "its order is a DeviceRequest"
    return ""


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

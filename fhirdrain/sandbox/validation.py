"""$validate: what the checker says of a resource, as an answer rather than a refusal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fhirdrain.conformance import check_resource
from fhirdrain.conformance.definitions import our_profiles
from fhirdrain.conformance.walk import Node, root
from fhirdrain.issues import Issue
from fhirdrain.sandbox.call import Answer, Call
from fhirdrain.sandbox.reading import read
from fhirdrain.sandbox.refusal import Refusal, outcome_of

_MODES = ("create", "update", "delete", "profile")


def validate(call: Call, kind: str, id_: str = "") -> Answer:
    """Check a resource against base R4 and the profiles it states.

    What our own rules say counts within a resource that states one of our profiles.

    R4, Resource-validate: the resource is the body or the `resource` of a Parameters; on an
    instance without one it is what is stored. `profile` adds one to those the resource states.
    The status is 200 whatever is found; only what cannot be read is a 400.
    """
    asked = dict(call.query)
    resource: Any = None
    if call.method != "GET" and call.sent:
        resource = call.body()
        if isinstance(resource, dict) and resource.get("resourceType") == "Parameters":
            asked |= _asked(resource)
            resource = _sent(resource)
    mode = asked.get("mode", "")
    if mode and mode not in _MODES:
        raise Refusal(400, "value", f"mode is one of: {', '.join(_MODES)}")
    if mode == "delete":
        read(call, kind, id_)  # anything that is there can be deleted
        return Answer(body=outcome_of([]))
    if resource is None:
        if not id_:
            raise Refusal(400, "required", "there is no resource to validate")
        resource = read(call, kind, id_).body
    return Answer(body=outcome_of(_found(resource, kind, id_, asked.get("profile"))))


def _found(resource: Any, kind: str, id_: str, profile: str | None) -> list[Issue]:
    issues = []
    if isinstance(resource, dict):
        if resource.get("resourceType") != kind:
            said = f"the URL says {kind}, the resource something else"
            issues.append(Issue("error", "value", "sandbox", said))
        elif id_ and resource.get("id", id_) != id_:
            said = "the resource's id is not the one in the URL"
            issues.append(Issue("error", "value", "sandbox", said))
        meta = resource.get("meta", {})
        if profile and isinstance(meta, dict) and isinstance(meta.get("profile", []), list):
            stated = meta.get("profile", [])
            if profile not in stated:
                resource = {**resource, "meta": {**meta, "profile": [*stated, profile]}}
    return [*issues, *_judged(resource)]


def _judged(resource: Any) -> list[Issue]:
    """Return what breaks base R4, what is said of stated profiles, and what breaks our own."""
    base = set(check_resource(resource, base_only=True))
    ours = tuple(_ours(Node(resource, root(_type_of(resource)), _type_of(resource))))
    return [
        issue
        for issue in check_resource(resource)
        if issue in base or issue.rule.startswith("profile") or _is_within(issue.location, ours)
    ]


def _type_of(resource: Any) -> str:
    return str(resource.get("resourceType", "")) if isinstance(resource, dict) else ""


def _ours(node: Node) -> Iterator[str]:
    """Yield where the resources are, in one another, that state a profile of ours."""
    if not isinstance(node.value, dict):
        return
    meta = node.value.get("meta")
    stated = meta.get("profile") if isinstance(meta, dict) else None
    names = [str(name).partition("|")[0] for name in stated] if isinstance(stated, list) else []
    if our_profiles().keys() & names:
        yield node.fhirpath
    for one in node.items("contained"):
        yield from _ours(one)
    for entry in node.items("entry"):
        yield from _ours(entry.child("resource"))


def _is_within(location: str, places: tuple[str, ...]) -> bool:
    return any(
        location == place or location.startswith((f"{place}.", f"{place}[")) for place in places
    )


def _parts(parameters: dict[str, Any]) -> list[dict[str, Any]]:
    parts = parameters.get("parameter", [])
    return [part for part in parts if isinstance(part, dict)] if isinstance(parts, list) else []


def _asked(parameters: dict[str, Any]) -> dict[str, str]:
    """Return the parameters of the operation that are words."""
    found = {}
    for part in _parts(parameters):
        words = [v for k, v in part.items() if k.startswith("value") and isinstance(v, str)]
        if words and part.get("name") in ("mode", "profile"):
            found[str(part["name"])] = words[0]
    return found


def _sent(parameters: dict[str, Any]) -> Any:
    return next(
        (p.get("resource") for p in _parts(parameters) if p.get("name") == "resource"), None
    )

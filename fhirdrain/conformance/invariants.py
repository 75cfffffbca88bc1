"""R4's own invariants of severity error for the types that a drain's data uses.

Each is a plain function under the key R4 gives it. The ones not here need the FHIRPath engine
and are listed in DEVELOPERS.md; nothing claims that they were checked.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from fhirdrain.conformance.walk import Node, Report, codings_of

Check = Callable[[Node, Report], None]

_BY_TYPE: dict[str, list[Check]] = {}


def _of(*types: str) -> Callable[[Check], Check]:
    def register(check: Check) -> Check:
        for kind in types:
            _BY_TYPE.setdefault(kind, []).append(check)
        return check

    return register


def check_invariants(node: Node, report: Report) -> None:
    """Check the invariants of a node's type."""
    for check in _BY_TYPE.get(node.type, ()):
        check(node, report)


def _has(value: dict[str, Any], stem: str) -> bool:
    return any(key.startswith(stem) and key[len(stem) :][:1].isupper() for key in value)


@_of("Observation")
def obs_6(node: Node, report: Report) -> None:
    """obs-6: dataAbsentReason SHALL only be present if value[x] is not present."""
    if "dataAbsentReason" in node.value and _has(node.value, "value"):
        report.add(node, "obs-6", "a value and a reason why there is none cannot stand together")


@_of("Observation")
def obs_7(node: Node, report: Report) -> None:
    """obs-7: a component with the observation's own code excludes a value."""
    own = set(codings_of(node.value.get("code")))
    if not _has(node.value, "value"):
        return
    for component in node.items("component"):
        if own & set(codings_of(component.value.get("code"))):
            report.add(component, "obs-7", "the component repeats the code of the observation")


@_of("Extension")
def ext_1(node: Node, report: Report) -> None:
    """ext-1: an extension has either extensions or value[x], not both."""
    if ("extension" in node.value) == _has(node.value, "value"):
        report.add(node, "ext-1", "an extension has either a value or extensions")


@_of("Period")
def per_1(node: Node, report: Report) -> None:
    """per-1: if present, start SHALL have a lower value than end."""
    start, end = node.value.get("start"), node.value.get("end")
    # Dates of different precision are compared as far as both go, so "2025" to "2025-01" is fine.
    if isinstance(start, str) and isinstance(end, str) and _after(start, end):
        report.add(node, "per-1", "the period starts after it ends")


def _after(start: str, end: str) -> bool:
    if "T" in start and "T" in end:
        # Python has no leap seconds; the second before is near enough for an order of two times.
        one, other = (text.replace(":60", ":59") for text in (start, end))
        try:
            return datetime.fromisoformat(one) - datetime.fromisoformat(other) > timedelta(0)
        except (TypeError, ValueError):
            return False  # the format is another rule's business
    length = min(len(start.split("T")[0]), len(end.split("T")[0]))
    return start[:length] > end[:length]


@_of("Quantity", "Age", "Distance", "Duration", "Count", "MoneyQuantity", "SimpleQuantity")
def qty_3(node: Node, report: Report) -> None:
    """qty-3: if a code for the unit is present, the system SHALL also be present."""
    if "code" in node.value and "system" not in node.value:
        report.add(node, "qty-3", "the unit has a code without the system it is of")


@_of("ServiceRequest")
def prr_1(node: Node, report: Report) -> None:
    """prr-1: orderDetail SHALL only be present if code is present."""
    if "orderDetail" in node.value and "code" not in node.value:
        report.add(node, "prr-1", "orderDetail needs a code")


@_of("Device", "Observation", "ServiceRequest", "Patient", "Procedure", "DeviceUseStatement")
def dom_2_and_4(node: Node, report: Report) -> None:
    """dom-2, dom-4: contained resources contain none themselves and carry no version."""
    for contained in node.items("contained"):
        if "contained" in contained.value:
            report.add(contained, "dom-2", "a contained resource must not contain others")
        meta = contained.value.get("meta")
        if isinstance(meta, dict) and {"versionId", "lastUpdated"} & set(meta):
            report.add(contained, "dom-4", "a contained resource has no version of its own")


@_of("Bundle")
def bdl(node: Node, report: Report) -> None:
    """bdl-1 to bdl-4, bdl-7, bdl-8: what entries and their requests may hold in which bundle."""
    kind = node.value.get("type")
    entries = list(node.items("entry"))
    if "total" in node.value and kind not in ("searchset", "history"):
        report.add(node, "bdl-1", "total belongs only to searches and histories")
    urls: set[tuple[str, str]] = set()
    for entry in entries:
        value = entry.value
        if "search" in value and kind != "searchset":
            report.add(entry, "bdl-2", "entry.search belongs only to searches")
        if ("request" in value) != (kind in ("batch", "transaction", "history")):
            rule = "an entry of a transaction, batch or history has a request, others have none"
            report.add(entry, "bdl-3", rule)
        if ("response" in value) != (kind in ("batch-response", "transaction-response", "history")):
            rule = "an entry of a response or history has a response, others have none"
            report.add(entry, "bdl-4", rule)
        if not {"resource", "request", "response"} & set(value):
            report.add(entry, "bdl-5", "an entry must have a resource, a request or a response")
        url = value.get("fullUrl")
        if not isinstance(url, str):
            continue
        if "/_history/" in url:
            report.add(entry, "bdl-8", "fullUrl must not name a version")
        resource = value.get("resource")
        meta = resource.get("meta", {}) if isinstance(resource, dict) else {}
        version = str(meta.get("versionId", "")) if isinstance(meta, dict) else ""
        if (url, version) in urls and kind != "history":
            report.add(entry, "bdl-7", "the same fullUrl stands twice")
        urls.add((url, version))

"""The search parameters the sandbox knows, and what of a resource each one indexes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

from fhirdrain.conformance.definitions import elements

Kind = Literal["token", "reference", "date"]

# R4, "Search Parameter Registry": name, kind, elements. Only what a drain's exchange needs.
_TABLE: dict[str, dict[str, tuple[Kind, tuple[str, ...]]]] = {
    "Observation": {
        "category": ("token", ("category",)),
        "code": ("token", ("code",)),
        "status": ("token", ("status",)),
        "date": ("date", ("effectiveDateTime", "effectivePeriod", "effectiveInstant")),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
        "device": ("reference", ("device",)),
        "based-on": ("reference", ("basedOn",)),
        "derived-from": ("reference", ("derivedFrom",)),
        "has-member": ("reference", ("hasMember",)),
        "encounter": ("reference", ("encounter",)),
    },
    "Device": {
        "type": ("token", ("type",)),
        "status": ("token", ("status",)),
        "patient": ("reference", ("patient",)),
    },
    "DeviceUseStatement": {
        "device": ("reference", ("device",)),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
    },
    "ServiceRequest": {
        "code": ("token", ("code",)),
        "status": ("token", ("status",)),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
        "occurrence": ("date", ("occurrenceDateTime", "occurrencePeriod")),
        "replaces": ("reference", ("replaces",)),
    },
    "Procedure": {
        "code": ("token", ("code",)),
        "status": ("token", ("status",)),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
        "date": ("date", ("performedDateTime", "performedPeriod")),
    },
}

_FAR = 2**62


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of a type."""

    name: str
    kind: Kind
    elements: tuple[str, ...]


def parameters_of(kind: str) -> Mapping[str, Parameter]:
    """Return the search parameters of a resource type, `_id` left out."""
    found = {n: Parameter(n, k, e) for n, (k, e) in _TABLE.get(kind, {}).items()}
    if "identifier" in elements(kind, ""):
        found["identifier"] = Parameter("identifier", "token", ("identifier",))
    return found


def index_rows(resource: Mapping[str, Any]) -> Iterator[tuple[str, str, Any, Any]]:
    """Yield what a search can find a resource by, as (parameter, kind, first, second).

    A token gives system and code, a reference target type and id (or system and value of its
    identifier under the kind `logical`), a date the first and last microsecond it may mean.
    """
    for parameter in parameters_of(str(resource["resourceType"])).values():
        for element in parameter.elements:
            value = resource.get(element)
            for one in value if isinstance(value, list) else [] if value is None else [value]:
                yield from _rows(parameter, one)


def _rows(parameter: Parameter, value: Any) -> Iterator[tuple[str, str, Any, Any]]:
    name = parameter.name
    if parameter.kind == "date":
        low, high = span_of(value)
        yield name, "date", low, high
    elif parameter.kind == "reference":
        target = str(value.get("reference", "")).split("/_history/")[0]
        if match := re.fullmatch(r"([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})", target):
            yield name, "reference", match[1], match[2]
        elif target:
            yield name, "url", "", target  # of another server: nothing of ours has this name
        if "value" in value.get("identifier", {}):
            yield (
                name,
                "logical",
                value["identifier"].get("system", ""),
                value["identifier"]["value"],
            )
    elif isinstance(value, str):
        yield name, "code", "", value  # its system is that of the element
    elif "coding" in value:
        for coding in value["coding"]:
            if "code" in coding:
                yield name, "token", coding.get("system", ""), coding["code"]
    elif "value" in value:
        yield name, "token", value.get("system", ""), value["value"]


def span_of(value: Any) -> tuple[int, int]:
    """Return the first and last microsecond since 1970 that a date, dateTime or Period may mean.

    A Period without a start reaches back, one without an end reaches on, and it includes both ends.
    """
    if isinstance(value, Mapping):
        low = span_of(value["start"])[0] if "start" in value else -_FAR
        high = span_of(value["end"])[1] if "end" in value else _FAR
        return low, high
    try:
        start, length = _parse(str(value))
    except OverflowError:
        return _FAR, _FAR
    low = (start - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    return low, low + length // timedelta(microseconds=1) - 1


def _parse(text: str) -> tuple[datetime, timedelta]:
    """Return the start of what a date text means, and how long that is; raises ValueError."""
    # In a URL a plus sign is a space; offsets are often sent unescaped.
    text = text.replace(" ", "+")
    if match := re.fullmatch(r"(\d{4})(?:-(\d\d))?", text):
        year, month = int(match[1]), int(match[2] or 1)
        start = datetime(year, month, 1, tzinfo=UTC)
        later = (year + 1, 1) if match[2] is None or month == 12 else (year, month + 1)
        if later[0] > 9999:
            return start, datetime.max.replace(tzinfo=UTC) - start
        return start, datetime(*later, 1, tzinfo=UTC) - start
    # Python has no leap seconds; a second is near enough for a search.
    moment = datetime.fromisoformat(text.replace(":60", ":59"))
    moment = moment if moment.utcoffset() is not None else moment.replace(tzinfo=UTC)
    if "T" not in text:
        return moment, timedelta(days=1)
    if "." in text:
        return moment, timedelta(microseconds=1)
    seconds = bool(re.search(r"T\d\d:\d\d:\d\d", text))
    return moment, timedelta(seconds=1) if seconds else timedelta(minutes=1)

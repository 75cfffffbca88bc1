"""Where the references of a transaction lead: to its entries, or to what a search finds."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from fhirdrain.conformance.definitions import is_resource
from fhirdrain.sandbox.refusal import Refusal

# R4, "References": the form of a RESTful URL, here as root, type and id, and version.
_RESTFUL = re.compile(
    r"(?P<root>https?://(?:[A-Za-z0-9\-\\.:%$]*/)+)?(?P<rest>(?P<kind>[A-Z][A-Za-z]+)"
    r"/[A-Za-z0-9\-.]{1,64})(?:/_history/[A-Za-z0-9\-.]{1,64})?"
)


class Names:
    """What the entries of a transaction are called, and where each of them is stored."""

    def __init__(self, base: str) -> None:
        self._base = f"{base}/"
        self._names: dict[str, str] = {}

    def add(self, full_url: str, place: str) -> None:
        """Say under which `Type/id` the entry of a fullUrl is stored."""
        self._names[full_url] = place
        if match := _restful(full_url):
            self._names[(match["root"] or self._base) + match["rest"]] = place

    def resolved(self, resource: Any, full_url: str) -> Any:
        """Return a resource whose references to entries lead to where they are stored.

        R4, "Bundle", resolving references: a relative one is one below the root of the entry's own
        fullUrl; where that has none, below our base. One to a version leads to the resource, since
        versions are counted anew here. Raises `Refusal` for a urn:uuid that no entry has.
        """
        match = _restful(full_url)
        root = match["root"] if match else None
        return led(resource, lambda text: self._lead(text, root or self._base))

    def _lead(self, text: str, root: str) -> str:
        if text in self._names:
            return self._names[text]
        if text.startswith("urn:uuid:"):
            raise Refusal(400, "not-found", "a reference leads to a urn:uuid that no entry has")
        match = _restful(text)
        return self._names.get((match["root"] or root) + match["rest"], text) if match else text


def _restful(text: str) -> re.Match[str] | None:
    match = _RESTFUL.fullmatch(text)
    return match if match and is_resource(match["kind"]) else None


def conditional(text: str) -> tuple[str, str]:
    """Return type and query of a reference by search, empty for any other."""
    kind, mark, query = text.partition("?")
    return (kind, query) if mark and is_resource(kind) else ("", "")


def led(value: Any, lead: Callable[[str], str]) -> Any:
    """Return a copy of a resource with every reference led to where it goes."""
    if isinstance(value, dict):
        return {
            key: lead(item) if key == "reference" and isinstance(item, str) else led(item, lead)
            for key, item in value.items()
        }
    if isinstance(value, list):
        return [led(item, lead) for item in value]
    return value

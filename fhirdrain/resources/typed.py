"""The typed view of our resources: fhir.resources models (the extra `typed`).

It is a view and a check. What goes to a server is never written by it: it rewrites numbers and
times (see DEVELOPERS.md, "Libraries").
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

from fhirdrain.errors import ConfigurationError
from fhirdrain.vocabulary.jsontext import encode


def typed(resource: dict[str, Any]) -> Any:
    """Return the fhir.resources (R4B) model of a resource; raises pydantic's ValidationError.

    The R4 and R4B models of the resources we write are the same.
    """
    kind = resource["resourceType"]
    try:
        module = import_module(f"fhir.resources.R4B.{kind.lower()}")
    except ImportError:
        raise ConfigurationError(
            "the typed view needs fhir.resources", hint="pip install 'fhirdrain[typed]'"
        ) from None
    return getattr(module, kind).model_validate_json(encode(resource))

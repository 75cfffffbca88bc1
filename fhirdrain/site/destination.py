"""The form a destination asks for: codings, units, profiles, ids, orders, what is sent at all."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Literal

from pydantic import ConfigDict, Field, ValidationError

from fhirdrain.errors import ConfigurationError
from fhirdrain.site.faults import nearest
from fhirdrain.site.model import Section
from fhirdrain.vocabulary.codes import BASE
from fhirdrain.vocabulary.observables import OBSERVABLES

__all__ = ["Destination", "read_destination"]


class Destination(Section):
    """[destinations.NAME] of the settings; the defaults are our own form.

    `output_codes` are the code systems of an output's codings, in their order: `item` is the
    source's own code. Where they are named nothing else is beside them, as a guide that closes the
    slicing demands. `claim` tells whether `meta.profile` names our profiles, as far as a resource
    still keeps to them (else it names R4's own), and `claims` names others by observable. `ids`
    are the server's, or our own, under which each resource is put.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    output_codes: tuple[Literal["loinc", "snomed", "mdc", "item"], ...] = ()
    volume_unit: Literal["mL", "cm3"] = "mL"
    day_rate_unit: Literal["mL/(24.h)", "mL/d"] = "mL/(24.h)"
    profile_base: str = BASE
    claim: bool = True
    claims: Mapping[str, tuple[str, ...]] = {}
    ids: Literal["server", "own"] = "server"
    orders: Literal["ServiceRequest", "DeviceRequest"] = "ServiceRequest"
    send: tuple[Literal["totals", "rates"], ...] = ()
    provenance: bool = Field(False)


def read_destination(name: str, table: Mapping[str, Any], place: str) -> Destination:
    """Return a destination as settings state it; raises `ConfigurationError`."""
    try:
        found = Destination.model_validate(table)
    except ValidationError as error:
        fault = error.errors()[0]
        key = ".".join(str(part) for part in fault["loc"])
        hint = ""
        message = f"{key}: {fault['msg']}"
        if fault["type"] == "extra_forbidden":
            message, hint = f'unknown key "{key}"', nearest(key, Destination.model_fields)
        elif fault["type"] == "literal_error":
            message = f'{key}: unknown word "{fault["input"]}"'
            hint = f"one of {fault['ctx']['expected']}"
        raise ConfigurationError(f"destination {name}: {message}", place=place, hint=hint) from None
    for observable in found.claims:
        if observable not in OBSERVABLES:
            raise ConfigurationError(
                f'destination {name}: claims: unknown observable "{observable}"',
                place=place,
                hint=nearest(observable, OBSERVABLES),
            )
    if not re.fullmatch(r"https?://\S+[^/\s]", found.profile_base):
        raise ConfigurationError(
            f"destination {name}: profile_base is not an absolute http(s) URL",
            place=place,
            hint="as fhirdrain package --base has it",
        )
    return found

"""Our FHIR back to readings: what the next person's programs start from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from decimal import Decimal
from typing import Any

from fhirdrain.bedside.reading import WITHDRAWN, Part, Reading
from fhirdrain.bedside.settings import DrainSettings
from fhirdrain.bedside.windows import fixed
from fhirdrain.issues import Issue
from fhirdrain.resources.identity import split_device_identifier
from fhirdrain.resources.values import (
    CHARTED_QUANTITY,
    ORDERED_DRAIN,
    READING_STATUS,
    RECORDED,
)
from fhirdrain.vocabulary.codes import ABSENT, LOCAL, LOINC, MDC, SNOMED, SUCTION_DRAINAGE
from fhirdrain.vocabulary.observables import (
    ABSENT_REASONS,
    AS_CHARTED,
    CALCULATED,
    CATEGORY_CODE,
    OBSERVABLES,
    OUTPUT_CODES,
    Observable,
    by_code,
)

Resource = Mapping[str, Any]

_BY_CODE = by_code()
_PROCEDURES = {o.codes[0].code: o for o in OBSERVABLES.values() if o.form == "Procedure"}
_REASONS = {code: reason for reason, code in ABSENT_REASONS.items()}


class NotOurs(ValueError):
    """A resource is not in the form we write; the message says what is missing."""


def is_ours(resource: Resource) -> bool:
    """Tell whether a resource is of a drain and of our making, derived numbers included."""
    kind = resource.get("resourceType")
    if kind == "Observation":
        return _has_coding(resource.get("category", ()), LOCAL, CATEGORY_CODE.code)
    if kind == "ServiceRequest":
        code = [resource.get("code", {})]
        ordered = _has_coding(code, SUCTION_DRAINAGE.system, SUCTION_DRAINAGE.code)
        stated = any(
            str(url).endswith("/StructureDefinition/suction-order")
            for url in resource.get("meta", {}).get("profile", ())
        )
        return ordered and (stated or _extension(resource, ORDERED_DRAIN) is not None)
    if kind == "DeviceRequest":
        return _device_value(resource.get("codeReference", {})) is not None
    if kind == "Procedure":
        return _procedure(resource) is not None
    if kind == "DeviceUseStatement":
        return _device_value(resource.get("device", {})) is not None
    return False


def recover(resources: Iterable[Resource]) -> tuple[list[Reading], list[Issue]]:
    """Return the readings in resources of our form, and an issue for each that cannot be read.

    What was worked out, Devices and a drain's own DeviceUseStatement carry no reading and are
    passed over; a round says of its members that they were taken in it. A reading's `source` is
    recovered from `meta.source`.
    """
    readings: list[Reading] = []
    issues: list[Issue] = []
    rounds: dict[str, str] = {}
    for resource in resources:
        try:
            rounds |= rounds_in(resource)
            if is_ours(resource) and not is_derived(resource):
                readings += _readings(resource)
        except (ValueError, LookupError, TypeError, AttributeError, ArithmeticError) as error:
            kind, name = resource.get("resourceType"), resource.get("id", "")
            # What Python says of it may quote a value.
            reason = str(error) if isinstance(error, NotOurs) else "it is not in our form"
            if isinstance(error, KeyError) and str(error.args[0]).isalpha():
                reason = f"it has no {error.args[0]}"
            issues.append(
                Issue(
                    "error", "structure", "recover", f"{kind}/{name} cannot be read back: {reason}"
                )
            )
    return in_rounds(readings, rounds), issues


def places_in(resources: Iterable[Resource]) -> dict[str, dict[str, DrainSettings]]:
    """Return side and space that the site gave each drain, by patient and drain.

    They stand in the DeviceUseStatement of the drain as a whole. One that cannot be read says
    nothing.
    """
    places: dict[str, dict[str, DrainSettings]] = {}
    for resource in resources:
        if resource.get("resourceType") != "DeviceUseStatement" or "bodySite" not in resource:
            continue
        try:
            common = _common(resource, resource["device"])
            if resource["identifier"][0]["value"] != _device_value(resource["device"]):
                continue
            side, space = _code(resource["bodySite"], LOCAL).split("-", 1)
        except (ValueError, LookupError, TypeError, AttributeError):
            continue
        known = places.setdefault(common["patient"], {})
        known[common["drain"]] = DrainSettings(side, space)
    return places


def is_derived(resource: Resource) -> bool:
    """Tell whether an Observation was worked out, or holds a round together, rather than read."""
    return _has_coding([resource.get("method", {})], LOCAL, CALCULATED.code) or _is_round(resource)


def rounds_in(resource: Resource) -> dict[str, str]:
    """Return the identities of a round's members, each with the source's own name of the round.

    Empty for any other resource; where no name is given, the round's identity stands for it.
    """
    if not _is_round(resource):
        return {}
    named = [i["value"] for i in resource["identifier"] if i.get("use") == "secondary"]
    name = str((named or [resource["identifier"][0]["value"]])[0])
    return {str(member["identifier"]["value"]): name for member in resource.get("hasMember", ())}


def in_rounds(readings: Iterable[Reading], rounds: Mapping[str, str]) -> list[Reading]:
    """Return readings with the rounds they were taken in."""
    return [replace(r, round=rounds[r.identity]) if r.identity in rounds else r for r in readings]


def _is_round(resource: Resource) -> bool:
    return resource.get("resourceType") == "Observation" and _has_coding(
        [resource.get("code", {})], LOCAL, "round"
    )


def _readings(resource: Resource) -> list[Reading]:
    kind = resource["resourceType"]
    if kind == "Observation":
        return [_from_observation(resource)]
    if kind == "ServiceRequest":
        return _from_request(resource)
    if kind == "DeviceRequest":
        return _from_request(_as_service_request(resource))
    if kind == "Procedure":
        return [_from_procedure(resource)]
    reading = _from_use(resource)
    return [] if reading is None else [reading]


def _from_observation(resource: Resource) -> Reading:
    codings = [(c.get("system"), c.get("code")) for c in resource["code"].get("coding", ())]
    observable = next((_BY_CODE[c] for c in codings if c in _BY_CODE), None)
    if observable is None:
        raise NotOurs("its code is none of ours")
    period = resource.get("effectivePeriod", {})
    end = resource.get("effectiveDateTime") or period.get("end")
    if end is None:
        raise NotOurs("it has no effective time")
    parts, original = _parts(observable, resource.get("component", ()))
    value, unit, text = _value(resource)
    absent = None
    if "dataAbsentReason" in resource:
        absent = _REASONS[_code(resource["dataAbsentReason"], ABSENT)]
    based_on = resource.get("basedOn", [])
    return Reading(
        **_common(resource, resource["device"]),
        observable=observable.name,
        item=_item(resource["code"]),
        codes=_further_codes(resource["code"], observable),
        test=_is_test(resource),
        time=_time(end),
        value=value,
        unit=unit,
        parts=parts,
        absent=absent,
        text=text,
        original=original,
        start=_time(period["start"]) if "start" in period else None,
        recorded=_time(resource["issued"]) if "issued" in resource else None,
        status=_status(resource, resource["status"]),
        performer=_named(resource.get("performer", [])),
        order=based_on[0]["identifier"]["value"] if based_on else None,
    )


def _as_service_request(request: Resource) -> Resource:
    """Return a DeviceRequest as the ServiceRequest it was made from."""
    drain = {"url": f"/StructureDefinition/{ORDERED_DRAIN}"}
    found = dict(request) | {
        "extension": [
            *request.get("extension", ()),
            {**drain, "valueReference": request["codeReference"]},
        ]
    }
    for parameter in request.get("parameter", ()):
        if "valueQuantity" in parameter:
            found["quantityQuantity"] = parameter["valueQuantity"]
        elif "valueCodeableConcept" in parameter:
            found["orderDetail"] = [parameter["valueCodeableConcept"]]
    return found


def _from_request(resource: Resource) -> list[Reading]:
    reference = _extension(resource, ORDERED_DRAIN)
    if reference is None:
        raise NotOurs("it names no drain")
    period = resource["occurrencePeriod"]
    charted = _extension(resource, CHARTED_QUANTITY)
    common = _common(resource, reference["valueReference"]) | {
        "time": _time(period["start"]),
        "end": _time(period["end"]) if "end" in period else None,
        "recorded": _time(resource["authoredOn"]) if "authoredOn" in resource else None,
        "status": _status(resource),
        "performer": _named([resource["requester"]] if "requester" in resource else []),
    }
    readings = []
    if "orderDetail" in resource:
        detail = resource["orderDetail"][0]
        mode = _code(detail, LOCAL)
        readings.append(
            Reading(**common, observable="mode-ordered", value=mode, text=detail.get("text"))
        )
    if "quantityQuantity" in resource:
        number = resource["quantityQuantity"]
        original = None
        if charted is not None:
            original = _quantity(charted["valueQuantity"])
        readings.append(
            Reading(
                **common,
                observable="suction-ordered",
                value=Decimal(number["value"]),
                unit=number["code"],
                original=original,
            )
        )
    return readings


def _from_procedure(resource: Resource) -> Reading:
    observable = _procedure(resource)
    assert observable is not None  # is_ours has seen to it
    recorded = _extension(resource, RECORDED)
    parts: dict[str, Part] = {}
    for part, name in (("opening-level", "opening-level"), ("size", "tube-size")):
        stated = _extension(resource, name)
        if stated is not None:
            parts[part] = _quantity(stated["valueQuantity"])[0]
    for reason in resource.get("reasonCode", ()):
        parts["indication"] = reason["text"]
    if observable.component_names == ("tube",):
        tube = resource["focalDevice"][1]["manipulated"]
        parts["tube"] = _common(resource, tube)["drain"]
    category = resource.get("category")
    return Reading(
        **_common(resource, resource["focalDevice"][0]["manipulated"]),
        observable=observable.name,
        time=_time(resource["performedDateTime"]),
        value=_code(category, LOCAL) if category else None,
        text=category.get("text") if category else None,
        parts=parts,
        recorded=_time(recorded["valueDateTime"]) if recorded else None,
        status=_status(resource),
        performer=_named([p["actor"] for p in resource.get("performer", [])]),
    )


def _from_use(resource: Resource) -> Reading | None:
    """Return a drain-site reading; None for the statement that is about the drain as a whole."""
    device = resource["device"]
    if resource["identifier"][0]["value"] == _device_value(device):
        return None
    site = resource.get("bodySite")
    parts: dict[str, Part] = {}
    if site is not None:
        side, space = _code(site, LOCAL).split("-", 1)
        parts = {k: v for k, v in (("side", side), ("space", space)) if v != "unknown"}
        if "text" in site:
            parts["position"] = site["text"]
    return Reading(
        **_common(resource, device),
        observable="drain-site",
        time=_time(resource["timingPeriod"]["start"]),
        parts=parts,
        recorded=_time(resource["recordedOn"]) if "recordedOn" in resource else None,
        status=_status(resource),
        performer=_named([resource["source"]] if "source" in resource else []),
    )


# -- the parts ------------------------------------------------------------------------------


def _common(resource: Resource, device: Resource) -> dict[str, Any]:
    value = _device_value(device)
    named = split_device_identifier(value) if value else None
    if named is None:
        raise NotOurs("its device is not named by one of our identifiers")
    drain, episode = named
    subject = resource["subject"].get("identifier")
    if subject is None:
        raise NotOurs("its subject carries no identifier")
    encounter = resource.get("encounter", {}).get("identifier", {}).get("value")
    source = resource.get("meta", {}).get("source", "")
    return {
        "source": source.partition("#")[2],
        "patient": subject["value"],
        "drain": device.get("display") or drain,
        "episode": episode,
        "identity": resource["identifier"][0]["value"],
        "elsewhere": tuple(
            (str(i.get("system", "")), str(i["value"]))
            for i in resource["identifier"][1:]
            if i.get("use") == "secondary"
        ),
        "encounter": encounter,
        "note": "\n".join(n["text"] for n in resource.get("note", ())) or None,
    }


def _device_value(reference: Resource) -> str | None:
    value = reference.get("identifier", {}).get("value")
    return value if value and split_device_identifier(value) else None


def _value(resource: Resource) -> tuple[Decimal | str | None, str | None, str | None]:
    if "valueQuantity" in resource:
        number, unit = _quantity(resource["valueQuantity"])
        # A destination may have asked for cm3, which is mL by another name.
        return number, "mL" if unit == "cm3" else unit, None
    if "valueCodeableConcept" in resource:
        concept = resource["valueCodeableConcept"]
        return _code(concept, LOCAL), None, concept.get("text")
    return None, None, None


def _parts(
    observable: Observable, components: Iterable[Resource]
) -> tuple[dict[str, Part], tuple[Decimal, str] | None]:
    parts: dict[str, Part] = {}
    original = None
    for component in components:
        name = _code(component["code"], LOCAL)
        if name == AS_CHARTED.code:
            original = _quantity(component["valueQuantity"])
        elif name in observable.component_names:
            if "valueQuantity" in component:
                parts[name] = _quantity(component["valueQuantity"])[0]
            elif "valueInteger" in component:
                parts[name] = component["valueInteger"]
            elif "valueCodeableConcept" in component:
                parts[name] = _code(component["valueCodeableConcept"], LOCAL)
            else:
                parts[name] = component["valueString"]
    return parts, original


def _quantity(value: Resource) -> tuple[Decimal, str]:
    return Decimal(value["value"]), str(value["code"])


def _status(resource: Resource, otherwise: str = "final") -> str:
    if resource["status"] == WITHDRAWN:
        return WITHDRAWN
    stated = _extension(resource, READING_STATUS)
    return str(stated["valueCode"]) if stated else otherwise


def _extension(resource: Resource, name: str) -> dict[str, Any] | None:
    for extension in resource.get("extension", ()):
        # A site may have re-based our profiles; the last part of the URL stays.
        if extension.get("url", "").endswith(f"/StructureDefinition/{name}"):
            return dict(extension)
    return None


def _named(references: Iterable[Resource]) -> str | None:
    for reference in references:
        value = reference.get("identifier", {}).get("value")
        if value:
            return str(value)
    return None


def _code(concept: Resource, system: str) -> str:
    for coding in concept.get("coding", ()):
        if coding.get("system") == system:
            return str(coding["code"])
    raise NotOurs(f"a concept has no code of {system}")


def _item(concept: Resource) -> str | None:
    """Return the source's own item code, which goes along as a further coding."""
    for coding in concept.get("coding", ()):
        if coding.get("system") not in (LOCAL, LOINC, SNOMED, MDC):
            return str(coding["code"])
    return None


def _further_codes(concept: Resource, observable: Observable) -> tuple[tuple[str, str], ...]:
    """Return the codes of others that the source gave beside ours and its own."""
    codes = ((c.get("system"), c.get("code")) for c in concept.get("coding", ()))
    return tuple(
        (str(system), str(code))
        for system, code in codes
        if system in (LOINC, SNOMED, MDC) and (system, code) not in _sent_with(observable)
    )


def _sent_with(observable: Observable) -> set[tuple[str, str]]:
    """Return the codes that go out with every reading of an observable."""
    codes = {*observable.codes}
    if observable.name == "output":
        codes |= {code for of_space in OUTPUT_CODES.values() for code in of_space}
    return {(code.system, code.code) for code in codes}


def _is_test(resource: Resource) -> bool:
    return any(c.get("code") == "HTEST" for c in resource.get("meta", {}).get("security", ()))


def _has_coding(concepts: Iterable[Resource], system: str, code: str) -> bool:
    return any(
        coding.get("system") == system and coding.get("code") == code
        for concept in concepts
        for coding in concept.get("coding", ())
    )


def _procedure(resource: Resource) -> Observable | None:
    for coding in resource.get("code", {}).get("coding", ()):
        if coding.get("system") == LOCAL and coding.get("code") in _PROCEDURES:
            return _PROCEDURES[coding["code"]]
    return None


def _time(text: str) -> datetime:
    return fixed(datetime.fromisoformat(text))

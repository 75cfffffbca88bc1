"""The profiles of observations: one that is abstract, and one an observable derived from it.

Elements of a differential stand in the order of R4's own.
"""

from __future__ import annotations

from parts import (
    Json,
    bound,
    exactly,
    extended,
    obliged,
    pattern,
    profile,
    quantity,
    reference,
    sliced,
    types,
)

from fhirdrain.vocabulary.codes import CATEGORY, LOCAL, Coding
from fhirdrain.vocabulary.observables import (
    AS_CHARTED,
    CALCULATED,
    CATEGORY_CODE,
    MOST_COUNT,
    OBSERVABLES,
    Component,
    Observable,
)
from fhirdrain.vocabulary.units import UCUM

SHARED = "drain-observation"
TIMINGS = {"moment": ["dateTime"], "interval": ["Period"], "either": ["dateTime", "Period"]}


def observation_profiles() -> list[Json]:
    """Return the profiles of all observations, the abstract one first."""
    observed = [o for o in OBSERVABLES.values() if o.form == "Observation"]
    return [shared_profile(), *(observation_profile(observable) for observable in observed)]


def shared_profile() -> Json:
    """Return the abstract profile of every observation of a drain."""
    category = "Observation.category"
    component = "Observation.component"
    charted = f"{component}:as-charted"
    elements = [
        {"path": "Observation.identifier", "min": 1},
        {"path": "Observation.identifier.value", "min": 1},
        sliced(category, "pattern", "$this", min=2),
        *(
            {
                "id": f"{category}:{coding.code}",
                "path": category,
                "sliceName": coding.code,
                "min": 1,
                "max": "1",
                "patternCodeableConcept": pattern(coding),
            }
            for coding in (Coding(CATEGORY, "exam"), CATEGORY_CODE)
        ),
        {"path": "Observation.code", "binding": bound("observation-codes")},
        *reference("Observation.subject", "Patient", min=1),
        {"path": "Observation.focus", "max": "0"},
        {"path": "Observation.effective[x]", "min": 1, "type": types("dateTime", "Period")},
        {"path": "Observation.value[x]", "type": types("Quantity", "CodeableConcept")},
        {"path": "Observation.dataAbsentReason", "binding": bound("absent-reasons")},
        {"path": "Observation.bodySite", "binding": bound("drain-site", "extensible")},
        *reference("Observation.device", "chest-drain", "DeviceMetric", min=1),
        sliced(component, "pattern", "code"),
        {"id": charted, "path": component, "sliceName": "as-charted", "max": "1"},
        {
            "id": f"{charted}.code",
            "path": f"{component}.code",
            "patternCodeableConcept": pattern(AS_CHARTED),
        },
        {
            "id": f"{charted}.value[x]",
            "path": f"{component}.value[x]",
            "min": 1,
            "type": types("Quantity"),
        },
    ]
    said = obliged(
        "drain-1",
        "It has a value, a reason why there is none, parts, or members",
        "value.exists() or dataAbsentReason.exists() or component.exists() or hasMember.exists()",
    )
    title = "What all observations of a chest drain have in common"
    return profile(SHARED, title, "Observation", elements, **said) | {"abstract": True}


def observation_profile(observable: Observable) -> Json:
    """Return the profile of an observable: what it adds to what all share."""
    name = observable.name
    code: Json = {"path": "Observation.code"}
    if name in ("output", "output-rate"):
        code["binding"] = bound(f"{name}-codes")
    else:
        code["patternCodeableConcept"] = pattern(*observable.codes)
    elements: list[Json] = []
    if name == "output":  # an amount whose start has moved is amended, whatever it was charted as
        elements += extended("Observation", "reading-status")
    if name in ("suction-set", "mode"):
        elements += reference("Observation.basedOn", "suction-order", max="1")
    elements.append(code)
    if observable.timing != "either":
        time = "Observation.effective[x]"
        elements.append({"path": time, "type": types(*TIMINGS[observable.timing])})
        if observable.timing == "interval":
            elements.append({"path": f"{time}.end", "min": 1})
    elements += _value(observable)
    if observable.derived and name != "round":
        method = {"path": "Observation.method", "min": 1}
        elements.append({**method, "patternCodeableConcept": pattern(CALCULATED)})
    elements += _sources(observable)
    for component in observable.components:
        elements += _component(observable, component)
    return profile(
        name, observable.title, "Observation", elements, SHARED, **_worked_out(observable)
    )


def _value(observable: Observable) -> list[Json]:
    path = "Observation.value[x]"
    if observable.kind == "parts":
        return [{"path": path, "max": "0"}]
    if observable.kind == "words":
        words = bound(observable.name)
        return [{"path": path, "type": types("CodeableConcept"), "binding": words}]
    if observable.name == "output-rate":  # its unit follows from its code
        unit = {"patternQuantity": {"system": UCUM}, "binding": bound("output-rate-units")}
        return [{"path": path, "type": types("Quantity"), **unit}, *exactly(path, path)]
    return quantity(path, observable)


def _sources(observable: Observable) -> list[Json]:
    """Return what a derived observation is made of."""
    path, targets = {
        "round": ("Observation.hasMember", [SHARED]),
        "output": ("Observation.derivedFrom", ["level", "unit-change"]),
        "output-rate": ("Observation.derivedFrom", ["output"]),
        "output-total": ("Observation.derivedFrom", ["output"]),
    }.get(observable.name, ("", []))
    low = {"min": 1} if observable.name in ("round", "output-rate") else {}
    return reference(path, *targets, **low) if path else []


def _worked_out(observable: Observable) -> Json:
    if observable.name != "output":
        return {}
    calculated = f"system = '{LOCAL}' and code = '{CALCULATED.code}'"
    return obliged(
        "drain-2",
        "What was worked out says so and from what; what was charted does neither",
        f"derivedFrom.exists() = method.coding.where({calculated}).exists()",
    )


def _component(observable: Observable, component: Component) -> list[Json]:
    path = "Observation.component"
    root = f"{path}:{component.name}"
    value, value_id = f"{path}.value[x]", f"{root}.value[x]"
    if component.kind == "quantity":
        values = quantity(value, component, value_id, min=1)
    else:
        values = [{"id": value_id, "path": value, "min": 1, **_part(observable, component)}]
    code = pattern(Coding(LOCAL, component.name))
    return [
        {"id": root, "path": path, "sliceName": component.name, "max": "1"},
        {"id": f"{root}.code", "path": f"{path}.code", "patternCodeableConcept": code},
        *values,
    ]


def _part(observable: Observable, component: Component) -> Json:
    if component.kind == "words":
        words = bound(f"{observable.name}-{component.name}")
        return {"type": types("CodeableConcept"), "binding": words}
    if component.kind == "integer":
        return {"type": types("integer"), "minValueInteger": 1, "maxValueInteger": MOST_COUNT}
    return {"type": types("string")}

"""The profiles of the drain, its use, orders, placing and removal, and of the bundle; extensions.

Elements of a differential stand in the order of R4's own.
"""

from __future__ import annotations

from observations import SHARED
from parts import (
    Json,
    bound,
    extended,
    obliged,
    pattern,
    profile,
    quantity,
    reference,
    sliced,
    types,
)

from fhirdrain.vocabulary.codes import CHEST_DRAIN, LOCAL, SUCTION_DRAINAGE, Coding
from fhirdrain.vocabulary.observables import OBSERVABLES, Observable, profile_url
from fhirdrain.vocabulary.units import UCUM


def drain_profiles() -> list[Json]:
    """Return the profiles of all that is not an observation."""
    procedures = [o for o in OBSERVABLES.values() if o.form == "Procedure"]
    return [
        drain_profile(),
        *use_profiles(),
        order_profile(),
        *(procedure_profile(observable) for observable in procedures),
        bundle_profile(),
    ]


def drain_profile() -> Json:
    """Return the profile of the drain itself."""
    name, size = "Device.deviceName", "Device.property"
    units = {"patternQuantity": {"system": UCUM, "code": "[Ch]"}}
    return profile(
        "chest-drain",
        "Chest drain",
        "Device",
        [
            {"path": "Device.identifier", "min": 1},
            {"path": "Device.identifier.value", "min": 1},
            {"path": "Device.status", "min": 1},
            sliced(name, "value", "type", min=1),
            {"id": f"{name}:label", "path": name, "sliceName": "label", "min": 1, "max": "1"},
            {
                "id": f"{name}:label.type",
                "path": f"{name}.type",
                "fixedCode": "user-friendly-name",
            },
            {"path": "Device.type", "min": 1, "patternCodeableConcept": pattern(CHEST_DRAIN)},
            sliced(size, "pattern", "type"),
            {"id": f"{size}:size", "path": size, "sliceName": "size", "max": "1"},
            {
                "id": f"{size}:size.type",
                "path": f"{size}.type",
                "patternCodeableConcept": pattern(Coding(LOCAL, "size")),
            },
            {
                "id": f"{size}:size.valueQuantity",
                "path": f"{size}.valueQuantity",
                "min": 1,
                "max": "1",
                **units,
            },
            *reference("Device.patient", "Patient", min=1),
            *reference("Device.parent", "chest-drain"),
        ],
    )


def use_profiles() -> list[Json]:
    """Return the profiles of a drain's use as a whole and of where it lies from a time on."""
    kind = "DeviceUseStatement"

    def use(name: str, title: str, extensions: list[Json], timed: list[Json]) -> Json:
        elements = [
            *extensions,
            {"path": f"{kind}.identifier", "min": 1},
            {"path": f"{kind}.identifier.value", "min": 1},
            *reference(f"{kind}.subject", "Patient"),
            *timed,
            *reference(f"{kind}.device", "chest-drain"),
            {"path": f"{kind}.bodySite", "binding": bound("drain-site")},
        ]
        return profile(name, title, kind, elements)

    period: Json = {"path": f"{kind}.timing[x]", "type": types("Period")}
    start: Json = {"path": f"{kind}.timing[x].start", "min": 1}
    return [
        use(
            "chest-drain-use",
            "A chest drain in a patient: since when, until when, where",
            [],
            [dict(period)],
        ),
        use(
            "drain-site",
            OBSERVABLES["drain-site"].title,
            extended(kind, "reading-status"),
            [{**period, "min": 1}, start],
        ),
    ]


def order_profile() -> Json:
    """Return the profile of an order of how a drain is to be run."""
    kind = "ServiceRequest"
    ordered = obliged(
        "drain-3",
        "It orders a mode, a suction, or both",
        "orderDetail.exists() or quantity.exists()",
    )
    known = ("ordered-drain", "charted-quantity", "reading-status")
    elements = [
        *extended(kind, *known, needed=("ordered-drain",)),
        {"path": f"{kind}.identifier", "min": 1},
        {"path": f"{kind}.identifier.value", "min": 1},
        *reference(f"{kind}.replaces", "suction-order"),
        {"path": f"{kind}.intent", "fixedCode": "order"},
        {"path": f"{kind}.doNotPerform", "max": "0"},
        {"path": f"{kind}.code", "min": 1, "patternCodeableConcept": pattern(SUCTION_DRAINAGE)},
        {"path": f"{kind}.orderDetail", "max": "1", "binding": bound("mode-ordered")},
        *quantity(f"{kind}.quantity[x]", OBSERVABLES["suction-ordered"]),
        *reference(f"{kind}.subject", "Patient"),
        {"path": f"{kind}.occurrence[x]", "min": 1, "type": types("Period")},
        {"path": f"{kind}.occurrence[x].start", "min": 1},
    ]
    title = "Order of how a chest drain is to be run"
    return profile("suction-order", title, kind, elements, **ordered)


def procedure_profile(observable: Observable) -> Json:
    """Return the profile of a placing, a removal, a joining or a parting."""
    kind, name = "Procedure", observable.name
    extensions = ["recorded", "reading-status"]
    if name == "placed":
        extensions += ["opening-level", "tube-size"]
    joins = observable.component_names == ("tube",)
    drains: Json = {"min": 2, "max": "2"} if joins else {"min": 1, "max": "1"}
    category = {"path": f"{kind}.category", "min": 1, "binding": bound(name)}
    code = pattern(observable.codes[0])
    return profile(
        name,
        observable.title,
        kind,
        [
            *extended(kind, *extensions),
            {"path": f"{kind}.identifier", "min": 1},
            {"path": f"{kind}.identifier.value", "min": 1},
            *([category] if observable.words else []),
            {"path": f"{kind}.code", "min": 1, "patternCodeableConcept": code},
            *reference(f"{kind}.subject", "Patient"),
            {"path": f"{kind}.performed[x]", "min": 1, "type": types("dateTime")},
            {"path": f"{kind}.focalDevice", **drains},
            *reference(f"{kind}.focalDevice.manipulated", "chest-drain"),
        ],
    )


# Which profiles the resources of a drain's bundle have, by their type.
ENTRIES = {
    "Device": ("chest-drain",),
    "DeviceUseStatement": ("chest-drain-use", "drain-site"),
    "ServiceRequest": ("suction-order",),
    "Observation": (SHARED,),
    "Procedure": tuple(o.name for o in OBSERVABLES.values() if o.form == "Procedure"),
}


def bundle_profile() -> Json:
    """Return the profile of what drains are sent and handed over in."""
    path = "Bundle.entry"
    elements: list[Json] = [
        {"path": "Bundle.type", "binding": bound("bundle-types")},
        sliced(path, "type", "resource"),
        {"path": f"{path}.fullUrl", "min": 1},
        {"path": f"{path}.resource", "min": 1},
    ]
    for kind, names in ENTRIES.items():
        root = f"{path}:{kind}"
        stated = [{"code": kind, "profile": [profile_url(name) for name in names]}]
        elements += [
            {"id": root, "path": path, "sliceName": kind},
            {"id": f"{root}.resource", "path": f"{path}.resource", "min": 1, "type": stated},
        ]
    return profile("drain-bundle", "Chest drains, sent or handed over", "Bundle", elements)


def extension(
    name: str,
    title: str,
    contexts: tuple[str, ...],
    value: list[Json] | None = None,
    kind: str = "",
) -> Json:
    """Return an extension with one value, of a plain type or as its elements say."""
    path = "Extension.value[x]"
    elements: list[Json] = [
        {"path": "Extension.extension", "max": "0"},
        {"path": "Extension.url", "fixedUri": profile_url(name)},
        *(value or [{"path": path, "min": 1, "type": types(kind)}]),
    ]
    return profile(name, title, "Extension", elements, max="1") | {
        "kind": "complex-type",
        "context": [{"type": "element", "expression": context} for context in contexts],
    }


def extensions() -> list[Json]:
    """Return all extensions: what R4 has no element for."""
    value = "Extension.value[x]"
    status = bound("http://hl7.org/fhir/ValueSet/observation-status|4.0.1")
    placed = OBSERVABLES["placed"]
    return [
        extension("recorded", "When the source stored it", ("Procedure",), kind="dateTime"),
        extension(
            "reading-status",
            "Status of the reading, where the resource's own cannot say it",
            ("DeviceUseStatement", "Observation", "Procedure", "ServiceRequest"),
            [{"path": value, "min": 1, "type": types("code"), "binding": status}],
        ),
        extension(
            "ordered-drain",
            "The drain an order is of",
            ("ServiceRequest",),
            reference(value, "chest-drain", min=1),
        ),
        extension("charted-quantity", "Quantity as charted", ("ServiceRequest",), kind="Quantity"),
        extension(
            "opening-level",
            "Level the unit was opened at",
            ("Procedure",),
            quantity(value, placed.component("opening-level"), min=1),
        ),
        extension(
            "tube-size",
            "Size of the tube that was placed",
            ("Procedure",),
            quantity(value, placed.component("size"), min=1),
        ),
    ]

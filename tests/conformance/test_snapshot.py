"""Snapshots of small invented profiles, a feature each; and what no snapshot can be made of."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from fhirdrain.conformance.definitions import Definitions, Supplied
from fhirdrain.conformance.snapshot import SnapshotFault, elements_of
from fhirdrain.conformance.tree import DEEPEST

R4 = "http://hl7.org/fhir/StructureDefinition/"
TEST = "https://test.example/StructureDefinition/"
BY_CODE = {"discriminator": [{"type": "pattern", "path": "code"}], "rules": "open"}

Json = dict[str, Any]


def change(place: str, **facts: Any) -> Json:
    """One element of a differential, known by its id."""
    steps = [step.partition(":") for step in place.split(".")]
    named = {"sliceName": steps[-1][2]} if steps[-1][2] else {}
    return {"id": place, "path": ".".join(step[0] for step in steps), **named, **facts}


def profile(name: str, base: str, *changes: Json, **more: Any) -> Json:
    return {
        "resourceType": "StructureDefinition",
        "url": TEST + name,
        "derivation": "constraint",
        "baseDefinition": base,
        "differential": {"element": list(changes)},
        **more,
    }


def known(*profiles: Json) -> Definitions:
    return Definitions().extended(Supplied(p, "test") for p in profiles)[0]


def made(*profiles: Json) -> dict[str, Json]:
    """The elements of the last profile by their ids."""
    elements = elements_of(profiles[-1], known(*profiles))
    found = {element["id"]: element for element in elements}
    assert len(found) == len(elements)
    for element in elements:
        assert {"id", "path", "min", "max", "base"} <= element.keys()
        assert element["path"] == ".".join(s.partition(":")[0] for s in element["id"].split("."))
    return found


def observation(*changes: Json) -> dict[str, Json]:
    return made(profile("p", f"{R4}Observation", *changes))


def refused(*profiles: Json) -> SnapshotFault:
    with pytest.raises(SnapshotFault) as caught:
        elements_of(profiles[-1], known(*profiles))
    return caught.value


def bounds(element: Json) -> str:
    return f"{element['min']}..{element['max']}"


def codes(element: Json) -> list[str]:
    return [entry["code"] for entry in element["type"]]


def keys(element: Json) -> set[str]:
    return {each["key"] for each in element["constraint"]}


def below(elements: dict[str, Json], place: str) -> list[str]:
    """The names right below a place, in order."""
    within = [key.removeprefix(f"{place}.") for key in elements if key.startswith(f"{place}.")]
    return [name for name in within if "." not in name]


# -- elements as they are ------------------------------------------------------------------------


def test_a_type_has_its_own_elements():
    definitions = Definitions()
    device = definitions.type("Device")
    assert elements_of(device, definitions) == device["snapshot"]["element"]


def test_what_is_not_named_stays_as_the_base_has_it():
    elements = observation(change("Observation.bodySite", min=1))
    base = [e["path"] for e in Definitions().type("Observation")["snapshot"]["element"]]
    assert list(elements) == base
    assert bounds(elements["Observation.status"]) == "1..1"
    assert elements["Observation.component.referenceRange"]["contentReference"] == (
        "#Observation.referenceRange"
    )


def test_bounds_values_types_targets_and_binding():
    elements = observation(
        change("Observation.bodySite", min=1, binding={"strength": "required", "valueSet": "u:v"}),
        change("Observation.device", max="0"),
        change("Observation.value[x]", type=[{"code": "Quantity"}, {"code": "string"}]),
        change("Observation.focus", type=[{"code": "Reference", "targetProfile": ["u:t"]}]),
        change("Observation.subject", min=1, type=[{"code": "Reference"}]),
        change("Observation.status", fixedCode="final"),
        change("Observation.code", patternCodeableConcept={"text": "x"}),
    )
    site = elements["Observation.bodySite"]
    assert bounds(site) == "1..1"
    assert site["base"] == {"path": "Observation.bodySite", "min": 0, "max": "1"}
    assert site["binding"] == {"strength": "required", "valueSet": "u:v"}
    assert bounds(elements["Observation.device"]) == "0..0"
    assert codes(elements["Observation.value[x]"]) == ["Quantity", "string"]
    assert elements["Observation.focus"]["type"][0]["targetProfile"] == ["u:t"]
    assert elements["Observation.status"]["fixedCode"] == "final"
    assert elements["Observation.code"]["patternCodeableConcept"] == {"text": "x"}
    # A type said again without its targets is not freed from them (R4 5.1.0: only constrained).
    assert f"{R4}Patient" in elements["Observation.subject"]["type"][0]["targetProfile"]


def test_constraints_are_added_to_and_one_of_the_same_key_stands_in_its_place():
    rule = {"key": "t-1", "severity": "error", "expression": "true"}
    first = profile("a", f"{R4}Observation", change("Observation.code", constraint=[rule]))
    other = {**rule, "severity": "warning", "source": "u:s"}
    more = {**rule, "key": "t-2"}
    second = profile("b", TEST + "a", change("Observation.code", constraint=[other, more]))
    assert made(first)["Observation.code"]["constraint"][-1] == {**rule, "source": TEST + "a"}
    code = made(first, second)["Observation.code"]
    assert code["constraint"][-2:] == [other, {**more, "source": TEST + "b"}]
    assert keys(code) == {"ele-1", "t-1", "t-2"}


def test_the_root_has_bounds_and_constraints_of_its_own():
    rule = {"key": "t-1", "severity": "error", "expression": "true"}
    element = observation(change("Observation", min=1, max="1", constraint=[rule]))["Observation"]
    assert bounds(element) == "1..1"
    assert {"t-1", "obs-6", "dom-2"} <= keys(element)


def test_the_bounds_of_a_root_are_free():
    """They say how often the profile may be used, and differentials repeat the type's."""
    once = profile("a", f"{R4}Extension", change("Extension", max="1"))
    assert bounds(made(once)["Extension"]) == "0..1"
    often = profile("b", once["url"], change("Extension", max="*"))
    assert bounds(made(once, often)["Extension"]) == "0..*"


def test_base_names_the_type_that_first_has_an_element():
    """R4 2.26.0: base.path of an inherited element is that of the type it is defined in."""
    elements = observation(change("Observation.code.coding", min=1))
    paths = {key: element["base"]["path"] for key, element in elements.items()}
    assert paths["Observation.id"] == "Resource.id"
    assert paths["Observation.text"] == "DomainResource.text"
    assert paths["Observation.component.id"] == "Element.id"
    assert paths["Observation.component.modifierExtension"] == "BackboneElement.modifierExtension"
    assert paths["Observation.code.coding"] == "CodeableConcept.coding"
    assert paths["Observation.component.code"] == "Observation.component.code"


def test_nothing_given_is_altered():
    definitions = known(sliced := profile("s", f"{R4}Observation", *SLICES))
    derived = profile(
        "d", sliced["url"], change("Observation.component:a.valueQuantity.unit", min=1)
    )
    before = copy.deepcopy((sliced, derived, definitions.type("Observation")))
    first = elements_of(derived, definitions)
    assert elements_of(derived, definitions) == first
    assert (sliced, derived, definitions.type("Observation")) == before


# -- slices --------------------------------------------------------------------------------------

SLICES = (
    change("Observation.component", slicing=BY_CODE, min=1),
    change("Observation.component.dataAbsentReason", max="0"),
    change("Observation.component:a", min=1, max="1"),
    change("Observation.component:a.code", patternCodeableConcept={"text": "a"}),
    change("Observation.component:b", max="3"),
)


def test_a_slice_starts_as_the_element_it_is_a_slice_of_and_may_be_left_out():
    elements = observation(*SLICES)
    whole, a, b = (elements[f"Observation.component{s}"] for s in ("", ":a", ":b"))
    assert (bounds(whole), bounds(a), bounds(b)) == ("1..*", "1..1", "0..3")
    assert whole["slicing"] == BY_CODE
    assert (a["sliceName"], "slicing" in a, "sliceName" in whole) == ("a", False, False)
    assert a["base"] == whole["base"] == {"path": "Observation.component", "min": 0, "max": "*"}
    names = below(elements, "Observation.component")
    assert below(elements, "Observation.component:a") == names
    assert below(elements, "Observation.component:b") == names
    assert "patternCodeableConcept" in elements["Observation.component:a.code"]
    assert "patternCodeableConcept" not in elements["Observation.component:b.code"]
    assert bounds(elements["Observation.component:b.dataAbsentReason"]) == "0..0"
    order = list(elements)
    assert order.index("Observation.component.referenceRange") < order.index(
        "Observation.component:a"
    )
    assert order.index("Observation.component:a.code") < order.index("Observation.component:b")


def test_slices_in_another_order_and_without_ids():
    base = profile("s", f"{R4}Observation", *SLICES)
    changes = [
        {"path": "Observation.component", "sliceName": "b", "max": "2"},
        {"path": "Observation.component.code", "min": 1, "fixedCodeableConcept": {"text": "b"}},
        {"path": "Observation.component", "sliceName": "a"},
        {"path": "Observation.component.valueString"},
        {"path": "Observation.component", "sliceName": "c", "min": 1},
        {"path": "Observation.method", "min": 1},
    ]
    elements = made(base, profile("d", base["url"], *changes))
    slices = [
        key for key in elements if key.startswith("Observation.component:") and key.count(".") == 1
    ]
    assert slices == [f"Observation.component:{name}" for name in "abc"]
    assert bounds(elements["Observation.component:b"]) == "0..2"
    assert bounds(elements["Observation.component:c"]) == "1..*"
    assert elements["Observation.component:b.code"]["fixedCodeableConcept"] == {"text": "b"}
    assert elements["Observation.component:a.code"]["patternCodeableConcept"] == {"text": "a"}
    assert codes(elements["Observation.component:a.value[x]"]) == ["string"]
    assert len(codes(elements["Observation.component:b.value[x]"])) == 11
    assert bounds(elements["Observation.method"]) == "1..1"


def test_a_slice_sliced_again_follows_it_and_starts_as_it():
    """R4 5.1.0.13: re-slices are named with a slash."""
    elements = observation(
        *SLICES,
        change("Observation.component:a", slicing=BY_CODE),
        change("Observation.component:a/x", max="1"),
        change("Observation.component:a/x.interpretation", min=1),
    )
    again = elements["Observation.component:a/x"]
    assert (again["sliceName"], bounds(again)) == ("a/x", "0..1")
    assert elements["Observation.component:a/x.code"]["patternCodeableConcept"] == {"text": "a"}
    assert bounds(elements["Observation.component:a/x.interpretation"]) == "1..*"
    assert bounds(elements["Observation.component:a.interpretation"]) == "0..*"
    order = list(elements)
    assert order.index("Observation.component:a.code") < order.index("Observation.component:a/x")
    assert order.index("Observation.component:a/x.code") < order.index("Observation.component:b")


def test_extensions_are_sliced_by_url_without_saying_so():
    lot = profile(
        "lot", f"{R4}Extension",
        change("Extension.extension", max="0"),
        change("Extension.url", fixedUri=TEST + "lot"),
        change("Extension.value[x]", min=1, type=[{"code": "string"}]),
    )  # fmt: skip
    named = [{"code": "Extension", "profile": [TEST + "lot"]}]
    elements = made(
        lot,
        profile(
            "p", f"{R4}Observation",
            change("Observation.extension:lot", min=1, max="1", type=named),
            change("Observation.extension:lot.value[x]", maxLength=9),
            change("Observation.modifierExtension:other", max="1"),
        ),
    )  # fmt: skip
    for name in ("extension", "modifierExtension"):
        assert elements[f"Observation.{name}"]["slicing"]["discriminator"] == [
            {"type": "value", "path": "url"}
        ]
        assert bounds(elements[f"Observation.{name}"]) == "0..*"
    # Below the slice stands what the profile of the extension says.
    assert elements["Observation.extension:lot.url"]["fixedUri"] == TEST + "lot"
    assert bounds(elements["Observation.extension:lot.extension"]) == "0..0"
    value = elements["Observation.extension:lot.value[x]"]
    assert (bounds(value), codes(value), value["maxLength"]) == ("1..1", ["string"], 9)


def test_a_name_where_nothing_is_sliced_is_only_a_name():
    """As the official snapshots of catalog and familymemberhistory-genetic have it."""
    elements = observation(change("Observation.issued:when", min=1))
    assert "Observation.issued" not in elements
    assert bounds(elements["Observation.issued:when"]) == "1..1"
    named = profile("a", f"{R4}Observation", change("Observation.issued:when", min=1))
    derived = profile("b", named["url"], change("Observation.issued", mustSupport=True))
    assert made(named, derived)["Observation.issued:when"]["mustSupport"] is True


# -- one type of several -------------------------------------------------------------------------


def test_a_single_shorthand_leaves_that_type_alone():
    elements = observation(
        change("Observation.valueQuantity", min=1), change("Observation.valueQuantity.code", min=1)
    )
    value, quantity = (elements[f"Observation.value[x]{s}"] for s in ("", ":valueQuantity"))
    assert codes(value) == codes(quantity) == ["Quantity"]
    assert value["slicing"]["discriminator"] == [{"type": "type", "path": "$this"}]
    assert value["slicing"]["rules"] == "closed"
    assert (quantity["sliceName"], bounds(quantity)) == ("valueQuantity", "1..1")
    assert bounds(elements["Observation.value[x]:valueQuantity.code"]) == "1..1"
    assert codes(elements["Observation.component.value[x]"]) != ["Quantity"]


@pytest.mark.parametrize(
    "changes",
    [
        ["Observation.valueQuantity", "Observation.valueString"],
        ["Observation.value[x]", "Observation.valueQuantity"],
        ["Observation.value[x]:valueQuantity", "Observation.value[x]:valueQuantity.code"],
        ["Observation.value[x]:valueQuantity.code"],
    ],
)
def test_otherwise_the_other_types_stay(changes):
    elements = observation(*(change(place, mustSupport=True) for place in changes))
    value = elements["Observation.value[x]"]
    assert (len(codes(value)), value["slicing"]["rules"]) == (11, "open")
    assert codes(elements["Observation.value[x]:valueQuantity"]) == ["Quantity"]
    if "Observation.valueString" in changes:
        assert codes(elements["Observation.value[x]:valueString"]) == ["string"]


def test_a_shorthand_finds_the_slice_of_the_base_by_path_or_id():
    base = profile("a", f"{R4}Observation", change("Observation.valueQuantity.code", min=1))
    mixed = {
        "id": "Observation.value[x]:valueQuantity.unit",
        "path": "Observation.valueQuantity.unit",
    }
    derived = profile(
        "b", base["url"], change("Observation.valueQuantity.value", min=1), {**mixed, "min": 1}
    )
    elements = made(base, derived)
    for name in ("value", "unit", "code"):
        assert bounds(elements[f"Observation.value[x]:valueQuantity.{name}"]) == "1..1"
    assert (
        sum(key.startswith("Observation.value[x]:") and key.count(".") == 1 for key in elements)
        == 1
    )


def test_a_slice_of_some_types_under_a_name_of_its_own():
    elements = observation(change("Observation.value[x]:amount", type=[{"code": "Quantity"}]))
    assert elements["Observation.value[x]"]["slicing"]["discriminator"][0]["type"] == "type"
    assert codes(elements["Observation.value[x]:amount"]) == ["Quantity"]
    assert len(codes(elements["Observation.value[x]"])) == 11


def test_what_any_of_several_types_has():
    elements = observation(change("Observation.value[x].extension", max="0"))
    assert below(elements, "Observation.value[x]") == ["id", "extension"]


# -- walking into types --------------------------------------------------------------------------


def test_all_children_of_a_type_show_where_one_is_named():
    elements = observation(change("Observation.code.coding.system", fixedUri="u:s"))
    assert below(elements, "Observation.code") == ["id", "extension", "coding", "text"]
    assert below(elements, "Observation.code.coding") == [
        "id", "extension", "system", "version", "code", "display", "userSelected",
    ]  # fmt: skip
    assert elements["Observation.code.coding.system"]["fixedUri"] == "u:s"
    assert below(elements, "Observation.method") == []


def test_the_children_are_those_of_the_profile_a_type_names():
    volume = profile(
        "volume", f"{R4}Quantity",
        change("Quantity", constraint=[{"key": "t-1", "severity": "error", "expression": "true"}]),
        change("Quantity.comparator", max="0"),
        change("Quantity.code", min=1, fixedCode="mL"),
    )  # fmt: skip
    types = [{"code": "Quantity", "profile": [volume["url"]]}]
    user = profile(
        "p", f"{R4}Observation",
        change("Observation.value[x]", type=types), change("Observation.value[x].value", min=1),
    )  # fmt: skip
    elements = made(volume, user)
    assert bounds(elements["Observation.value[x].comparator"]) == "0..0"
    assert elements["Observation.value[x].code"]["fixedCode"] == "mL"
    assert elements["Observation.value[x].value"]["base"]["path"] == "Quantity.value"
    assert "t-1" in keys(elements["Observation.value[x]"])
    # Where other types are left, its constraints are not those of the whole element.
    mixed = change("Observation.value[x]", type=[*types, {"code": "string"}])
    element = made(volume, profile("m", f"{R4}Observation", mixed))["Observation.value[x]"]
    assert (codes(element), keys(element)) == (["Quantity", "string"], {"ele-1"})
    # A quantity of another profile of R4 is walked into as that one says.
    low = observation(change("Observation.referenceRange.low.value", min=1))
    assert bounds(low["Observation.referenceRange.low.comparator"]) == "0..0"


def test_content_named_elsewhere_is_that_of_the_type_not_of_the_profile():
    """R4 2.26.0.1: content references always name the unconstrained definition."""
    elements = observation(
        change("Observation.referenceRange.text", min=1),
        change("Observation.component.referenceRange.low", min=1),
    )
    inner = elements["Observation.component.referenceRange"]
    assert codes(inner) == ["BackboneElement"]
    assert "contentReference" not in inner
    assert bounds(elements["Observation.component.referenceRange.low"]) == "1..1"
    assert bounds(elements["Observation.component.referenceRange.text"]) == "0..1"
    assert below(elements, "Observation.component.referenceRange") == below(
        elements, "Observation.referenceRange"
    )


def test_content_that_holds_itself_unfolds_as_far_as_it_is_named():
    elements = made(
        profile("q", f"{R4}Questionnaire", change("Questionnaire.item.item.item.text", min=1))
    )
    assert bounds(elements["Questionnaire.item.item.item.text"]) == "1..1"
    assert bounds(elements["Questionnaire.item.text"]) == "0..1"
    assert below(elements, "Questionnaire.item.item.item.item") == []


def test_a_content_reference_said_again_does_not_fold_what_is_unfolded():
    same = {"contentReference": "#Questionnaire.item"}
    base = profile("q", f"{R4}Questionnaire", change("Questionnaire.item.item.text", min=1))
    again = profile("r", base["url"], change("Questionnaire.item.item", **same))
    assert "contentReference" not in made(base, again)["Questionnaire.item.item"]
    folded = profile("s", f"{R4}Questionnaire", change("Questionnaire.item.item", **same))
    element = made(folded)["Questionnaire.item.item"]
    assert ("type" in element, element["contentReference"]) == (False, "#Questionnaire.item")


def test_a_resource_inside_is_walked_into_once_it_has_a_type():
    base = profile("b", f"{R4}Bundle", change("Bundle.entry.resource.meta", min=1))
    user = profile(
        "p", base["url"],
        change("Bundle.entry.resource", type=[{"code": "Device"}]),
        change("Bundle.entry.resource.patient", min=1),
    )  # fmt: skip
    elements = made(base, user)
    assert bounds(elements["Bundle.entry.resource.patient"]) == "1..1"
    assert bounds(elements["Bundle.entry.resource.meta"]) == "1..1"


def test_what_fhirpath_sees_as_a_string_keeps_its_type():
    """R4 2.24.0.1: ids and the url of an extension have types of FHIRPath."""
    seen = [{"code": "http://hl7.org/fhirpath/System.String"}]
    base = profile("b", f"{R4}Extension", change("Extension.url", type=seen, fixedUri="u:x"))
    assert codes(made(base)["Extension.url"]) == ["uri"]
    whole = [
        {**e, "type": seen} if e["path"] == "Extension.url" else e for e in made(base).values()
    ]
    alone = {**base, "snapshot": {"element": whole}, "differential": {}}
    on_it = profile("p", base["url"], change("Extension.url", type=[{"code": "uri"}]))
    assert codes(made(alone, on_it)["Extension.url"]) == ["uri"]


# -- bases of every kind -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("base", "place", "facts"),
    [
        ("string", "string.value", {"maxLength": 20}),
        ("string", "string", {"constraint": [{"key": "t-1", "severity": "error"}]}),
        ("code", "code.extension", {"max": "0"}),
        ("Identifier", "Identifier.system", {"min": 1, "fixedUri": "u:s"}),
        ("Extension", "Extension.value[x]", {"type": [{"code": "code"}]}),
        ("Element", "Element.extension", {"max": "0"}),
        ("BackboneElement", "BackboneElement.modifierExtension", {"max": "0"}),
        ("Resource", "Resource.meta.profile", {"min": 1}),
        ("DomainResource", "DomainResource.text", {"min": 1}),
        ("SimpleQuantity", "Quantity.unit", {"min": 1}),
        ("vitalsigns", "Observation.bodySite", {"min": 1}),
    ],
)
def test_bases_of_every_kind(base, place, facts):
    element = made(profile("p", R4 + base, change(place, **facts)))[place]
    for key, value in facts.items():
        if key == "constraint":
            assert element[key][-1] == {**value[0], "source": TEST + "p"}
        else:
            assert element[key] == value


def test_profiles_on_profiles_add_up():
    a = profile("a", f"{R4}Observation", change("Observation.method", min=1))
    b = profile("b", f"{a['url']}|1.0", change("Observation.device", min=1))
    c = profile("c", b["url"], change("Observation.method.text", min=1))
    elements = made(a, b, c)
    assert (
        bounds(elements["Observation.method"]) == bounds(elements["Observation.device"]) == "1..1"
    )
    assert bounds(elements["Observation.method.text"]) == "1..1"


def test_a_profile_with_a_snapshot_alone_uses_it_as_its_own_and_as_a_base():
    elements = elements_of(sliced := profile("s", f"{R4}Observation", *SLICES), known(sliced))
    alone = {**sliced, "snapshot": {"element": elements}}
    del alone["differential"]
    assert elements_of(alone, known(alone)) == elements
    on_it = profile("d", alone["url"], change("Observation.component:b.code", min=1))
    assert made(alone, on_it) == made(sliced, on_it)


def test_a_differential_stands_above_the_snapshot_beside_it():
    stale = profile("s", f"{R4}Observation", change("Observation.method", min=1))
    stale["snapshot"] = {"element": Definitions().type("Observation")["snapshot"]["element"]}
    assert bounds(made(stale)["Observation.method"]) == "1..1"
    assert bounds(made(stale, profile("d", stale["url"]))["Observation.method"]) == "1..1"


# -- what no snapshot can be made of -------------------------------------------------------------


def test_a_fault_says_where():
    fault = refused(profile("p", f"{R4}Observation", change("Observation.code.kode", min=1)))
    assert (fault.canonical, fault.path) == (f"{TEST}p", "Observation.code.kode")
    assert str(fault) == f"{TEST}p, Observation.code.kode: {fault.message}"
    assert "kode" in fault.message


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ([change("Observation.nothing")], "there is no nothing"),
        ([change("Observation.valueRatios")], "there is no valueRatios"),
        ([change("Observation.effectiveQuantity")], "there is no effectiveQuantity"),
        ([change("Observation.status.nothing")], "there is no nothing"),
        ([change("Patient.name")], "is not below Observation"),
        ([change("Observation:x.code")], "is not below Observation"),
        ([change("Observation.status", min=0)], "0..1 does not fit into the base's 1..1"),
        ([change("Observation.method", max="*")], "0..* does not fit into the base's 0..1"),
        ([change("Observation.status", max="0")], "1..0 can be met by nothing"),
        ([*SLICES, change("Observation.component:c", min=2, max="1")], "2..1 can be met by nothing"),
        ([change("Observation.code", type=[{"code": "Coding"}])], "the type Coding"),
        ([change("Observation.value[x].code")], "there is no code"),
        ([*SLICES, change("Observation.component:typo.code")], "there is no slice typo"),
        ([*SLICES, change("Observation.component:typo/x")], "there is no slice typo"),
        ([*SLICES, change("Observation.component:a/x")], "without saying by what"),
        ([change("Observation.note:a"), change("Observation.note:b")], "without saying by what"),
    ],
)  # fmt: skip
def test_differentials_that_do_not_fit_their_base(changes, says):
    fault = refused(profile("p", f"{R4}Observation", *changes))
    assert says in fault.message
    assert fault.path == changes[-1]["path"]


def test_bases_that_are_not_there():
    lost = profile("p", f"{TEST}lost")
    assert (refused(lost).canonical, refused(lost).message) == (
        TEST + "p", f"its base {TEST}lost is not known",
    )  # fmt: skip
    assert refused(lost, profile("q", lost["url"])).canonical == lost["url"]
    none = profile("n", "")
    assert "(none)" in refused(none).message


def test_bases_in_a_circle():
    a, b, c = (profile(x, TEST + y) for x, y in ("ab", "bc", "ca"))
    assert refused(a, b, c).message == (
        f"rests on itself: {TEST}c -> {TEST}a -> {TEST}b -> {TEST}c"
    )  # fmt: skip
    assert "rests on itself" in refused(profile("s", f"{TEST}s")).message


def nested(name: str, inner: str, *walked: str) -> Json:
    """An extension that holds two extensions of another profile, and names what is below them."""
    types = [{"code": "Extension", "profile": [TEST + inner]}]
    changes = []
    for part in ("a", "b"):
        changes.append(change(f"Extension.extension:{part}", type=types))
        changes += [
            change(f"Extension.extension:{part}.{name}", mustSupport=True) for name in walked
        ]
    return profile(name, f"{R4}Extension", *changes)


def test_types_in_a_circle_are_a_fault_only_where_they_are_walked_into():
    tree = nested("tree", "tree")
    assert "Extension.extension:a" in made(tree)
    assert "Extension.extension:a.url" not in made(tree)
    endless = nested("endless", "endless", "extension")
    assert "rests on itself" in refused(endless).message
    assert "rests on itself" in refused(nested("x", "y", "url"), nested("y", "x", "url")).message


def test_a_type_whose_profile_is_unknown_is_a_fault_only_where_it_is_walked_into():
    assert "Extension.extension:a" in made(nested("p", "lost"))
    fault = refused(nested("p", "lost", "url"))
    assert (fault.path, f"{TEST}lost" in fault.message) == ("Extension.extension.url", True)


def test_a_chain_of_bases_has_an_end():
    chain = [profile("0", f"{R4}Observation")]
    chain += [profile(str(n), f"{TEST}{n - 1}") for n in range(1, 2000)]
    assert len(elements_of(chain[40], known(*chain))) > 40
    assert f"more than {DEEPEST}" in refused(*chain).message


@pytest.mark.parametrize("depth", [DEEPEST + 1, 5000])
def test_depth_has_an_end(depth):
    deep = change("Questionnaire" + ".item" * depth)
    assert "elements deep" in refused(profile("q", f"{R4}Questionnaire", deep)).message
    again = change("Observation.component:" + "/".join("a" * depth))
    assert "elements deep" in refused(profile("p", f"{R4}Observation", *SLICES, again)).message


def test_depth_added_up_over_profiles_has_an_end():
    """Each walks ten extensions down, where the next one stands."""
    profiles = [profile("0", f"{R4}Extension")]
    for n in range(1, 20):
        types = [{"code": "Extension", "profile": [f"{TEST}{n - 1}"]}]
        place = "Extension" + ".extension" * 10
        profiles.append(
            profile(str(n), f"{R4}Extension", change(place, type=types), change(f"{place}.url"))
        )
    assert len(elements_of(profiles[4], known(*profiles))) > 100
    assert "elements deep" in refused(*profiles).message


def test_profiles_that_double_each_other_have_an_end():
    profiles = [profile("0", f"{R4}Extension")]
    profiles += [nested(str(n), str(n - 1), "url") for n in range(1, 30)]
    assert len(elements_of(profiles[5], known(*profiles))) > 2**5
    assert "elements" in refused(*profiles).message


def test_a_new_type_needs_a_snapshot():
    new = {**profile("t", f"{R4}Element", change("Thing.part")), "derivation": "specialization"}
    assert "is not below Element" in refused(new).message


def test_a_snapshot_whose_elements_hang_in_the_air():
    alone = profile("s", f"{R4}Observation")
    alone["snapshot"] = {
        "element": [
            change("Observation", min=0, max="*"),
            change("Observation.x.y", min=0, max="1"),
        ]
    }
    on_it = profile("d", alone["url"], change("Observation.x"))
    fault = refused(alone, on_it)
    assert (fault.canonical, fault.path) == (alone["url"], "Observation.x.y")
    empty = {**alone, "snapshot": {"element": []}}
    assert "without elements" in refused(empty, on_it).message

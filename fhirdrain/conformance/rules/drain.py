"""What our codes oblige to: kind of value, words, units and bounds of each observable.

Holds for resources with our category, codes or profiles; of a foreign Observation only the
chest-tube codes 9129-8 and 9168-6 are looked at, and only for their unit and amount.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from decimal import Decimal
from functools import lru_cache
from marshal import dumps
from typing import Any

from fhirdrain.conformance.definitions import our_profiles, shown_key
from fhirdrain.conformance.walk import Node, Report, codings_of, root
from fhirdrain.vocabulary.checkdigits import loinc_is_valid, snomed_is_valid
from fhirdrain.vocabulary.codes import CHEST_DRAIN, LOCAL, LOINC, SNOMED, SUCTION_DRAINAGE
from fhirdrain.vocabulary.localcodes import LOCAL_CODES
from fhirdrain.vocabulary.observables import (
    AS_CHARTED,
    CATEGORY_CODE,
    OBSERVABLES,
    RATES,
    Component,
    Observable,
    by_code,
    value_of_parts,
)
from fhirdrain.vocabulary.units import ALIASES, UCUM, UNITS, UnitError, unit_of

_BY_CODE = by_code()
# Of foreign data only these codes say beyond doubt that a chest or pericardial drain is meant.
_FOREIGN = {(LOINC, "9129-8"), (LOINC, "9168-6")}


def coding_is_right(value: dict[str, Any]) -> bool:
    """Tell whether `check_coding` has nothing to say of a Coding; the same few stand everywhere."""
    system, code = value.get("system"), value.get("code")
    return system.__class__ is str and code.__class__ is str and _is_right(system, code)


@lru_cache(maxsize=4096)
def _is_right(system: str, code: str) -> bool:
    found = Report()
    check_coding(Node({"system": system, "code": code}, root("Coding"), "Coding"), found)
    return not found.found


def check_coding(node: Node, report: Report) -> None:
    """Report codes of ours that do not exist, and LOINC and SNOMED CT codes that cannot exist."""
    system, code = node.value.get("system"), node.value.get("code")
    if not isinstance(code, str):
        return
    if system == LOCAL and code not in LOCAL_CODES:
        near = difflib.get_close_matches(code, LOCAL_CODES, n=1)
        report.add(
            node,
            "local-code",
            f"not a code of {LOCAL}",
            value=code,
            code="code-invalid",
            hint=f"nearest: {near[0]}" if near else "",
        )
    elif system == LOINC and not loinc_is_valid(code):
        # Answer codes (LA...) and parts (LP...) have another form and are not judged.
        if not code.startswith(("LA", "LP", "LL", "LG")):
            report.add(
                node,
                "check-digit",
                "not a LOINC code: its check digit is wrong",
                value=code,
                code="code-invalid",
            )
    elif system == SNOMED and code.isdigit() and not snomed_is_valid(code):
        report.add(
            node,
            "check-digit",
            "not a SNOMED CT id: its check digit is wrong",
            value=code,
            code="code-invalid",
        )


def check_quantity(node: Node, report: Report) -> None:
    """Report UCUM codes that are misspelt or mislead."""
    if node.value.get("system") != UCUM or not isinstance(node.value.get("code"), str):
        return
    code = node.value["code"]
    try:
        unit, respelled = unit_of(code)
    except UnitError as error:
        if error.misleading:
            report.add(node, "unit", str(error), code="code-invalid", hint=error.hint)
        return
    printed = node.value.get("unit")
    if isinstance(printed, str) and printed in (UNITS.keys() | ALIASES.keys()):
        meant = UNITS.get(printed) or UNITS[ALIASES[printed]]
        if (meant.kind, meant.factor) != (unit.kind, unit.factor):
            report.add(
                node,
                "unit",
                f"the unit that is shown means {meant.code}, and the code {unit.code}",
                code="code-invalid",
                hint="a person reads the one, a program the other",
            )
    # "ml" is UCUM too, and "mL" only the preferred way to write it.
    if respelled and code not in ("ml", "l", "ml/h", "ml/min", "l/min"):
        report.add(
            node, "unit", f'"{code}" is not UCUM', code="code-invalid", hint=f"write {unit.code}"
        )


# What of an Observation differs from one to the next, and is looked at in each.
_ITS_OWN = frozenset(
    (
        "id", "text", "identifier", "status", "subject", "encounter", "effectiveDateTime",
        "effectivePeriod", "issued", "performer", "note", "device", "hasMember", "derivedFrom",
        "partOf", "basedOn", "contained",
    )
)  # fmt: skip
_MOST_REMEMBERED, _LONGEST_REMEMBERED = 2048, 4096
_right: dict[bytes, Observable] = {}


def check_observation(node: Node, report: Report) -> None:
    """Report what an Observation of a drain may not say.

    What is said is the same in many; of what was found right once, only the rest is looked at.
    """
    said = {key: value for key, value in node.value.items() if key not in _ITS_OWN}
    try:
        text = dumps(said, 2)  # in which no two values that differ are alike
    except ValueError:
        text = b""  # a decimal is not written
    observable = _right.get(text)
    if observable is not None:
        _timing(node, observable, report)
        _whose(node, report)
        return
    before = len(report.found)
    observable = _check_whole(node, report)
    quiet = observable is not None and len(report.found) == before
    if observable is not None and quiet and 0 < len(text) <= _LONGEST_REMEMBERED:
        if len(_right) >= _MOST_REMEMBERED:
            _right.clear()
        _right[text] = observable


def _check_whole(node: Node, report: Report) -> Observable | None:
    """Report what an Observation may not say; return what it is of, when it is one of ours."""
    codings = codings_of(node.value.get("code"))
    categorised = any(
        (LOCAL, CATEGORY_CODE.code) in codings_of(c.value) for c in node.items("category")
    )
    # What carries a code of ours or states a profile of ours will be looked for as ours.
    ours = categorised or any(c[0] == LOCAL for c in codings) or bool(_stated(node))
    if ours and not categorised:
        report.add(
            node,
            "category",
            "its category does not say that it is a chest drain's: a reader would not find it",
            code="business-rule",
            hint=f"{LOCAL} {CATEGORY_CODE.code}",
        )
    known = [_BY_CODE[c] for c in codings if c in _BY_CODE]
    if len({o.name for o in known}) > 1:
        report.add(
            node.child("code"),
            "observable",
            "the codes name different observables",
            code="business-rule",
        )
        return None
    if not known:
        if ours:
            report.add(
                node.child("code"),
                "observable",
                "it is categorised as a chest drain's, and no code says what was observed",
                code="business-rule",
            )
        return None
    observable = known[0]
    if not ours and not any(c in _FOREIGN or c[0] == LOCAL for c in codings):
        return None
    _value(node, observable, ours, report)
    if not ours:
        return None
    _timing(node, observable, report)
    _components(node, observable, report)
    _whose(node, report)
    for stated in _stated(node):
        if stated in OBSERVABLES and stated != observable.name:
            report.add(
                node.child("meta"),
                "profile",
                f"it states the profile {stated}, and its code is of {observable.name}",
                code="business-rule",
            )
    return observable


def check_request(node: Node, report: Report) -> None:
    """Report what an order of suction may not say."""
    if (SUCTION_DRAINAGE.system, SUCTION_DRAINAGE.code) not in codings_of(node.value.get("code")):
        return
    drains = [
        extension
        for extension in node.items("extension")
        if str(extension.value.get("url")).endswith("/StructureDefinition/ordered-drain")
    ]
    if not drains and not _stated(node):
        return  # an order of suction of somebody else's
    _identified(node, report)
    _named(node, "subject", report)
    if not drains:
        report.add(
            node, "whose", "the extension that names the drain is missing", code="business-rule"
        )
    for extension in drains:
        _named(extension, "valueReference", report)
    period = node.value.get("occurrencePeriod")
    if not isinstance(period, dict) or "start" not in period:
        report.add(
            node, "effective", "an order needs occurrencePeriod with a start", code="business-rule"
        )
    for quantity in node.objects("quantityQuantity"):
        _quantity(quantity, OBSERVABLES["suction-ordered"], True, report)
    for detail in node.items("orderDetail"):
        if any(system == LOCAL for system, _ in codings_of(detail.value)):
            _word(detail, OBSERVABLES["mode-ordered"].words, "mode-ordered", report)


def check_device(node: Node, report: Report) -> None:
    """Report a Device that states our profile and is not said to be a chest drain."""
    if "chest-drain" in _stated(node) and (CHEST_DRAIN.system, CHEST_DRAIN.code) not in codings_of(
        node.value.get("type")
    ):
        report.add(
            node,
            "device-type",
            "its type does not say that it is a chest drain: a reader would not find it",
            code="business-rule",
            hint=f"{CHEST_DRAIN.system} {CHEST_DRAIN.code}",
        )


# -- parts ----------------------------------------------------------------------------------


def _stated(node: Node) -> list[str]:
    """Return the names of those of our profiles that a resource states."""
    meta = node.value.get("meta")
    profiles = meta.get("profile") if isinstance(meta, dict) else None
    return [
        profile.split("|")[0].rsplit("/", 1)[-1]
        for profile in (profiles if isinstance(profiles, list) else ())
        if isinstance(profile, str) and profile.split("|")[0] in our_profiles()
    ]


def _whose(node: Node, report: Report) -> None:
    _identified(node, report)
    for key in ("device", "subject"):
        _named(node, key, report)


def _identified(node: Node, report: Report) -> None:
    if not node.value.get("identifier"):
        report.add(node, "whose", "it has no identifier of its own", code="business-rule")


def _named(node: Node, key: str, report: Report) -> None:
    """Report a reference that does not carry the identifier of what it names."""
    reference = node.value.get(key)
    identifier = reference.get("identifier") if isinstance(reference, dict) else None
    if not isinstance(identifier, dict) or not identifier.get("value"):
        report.add(
            node if reference is None else node.child(key),
            "whose",
            f"{key} carries no identifier: whose is it?",
            code="business-rule",
            hint="a reference alone says nothing once it is read elsewhere",
        )


def _timing(node: Node, observable: Observable, report: Report) -> None:
    for period in node.objects("effectivePeriod"):
        if "end" not in period.value:
            report.add(period, "effective", "the interval has no end", code="business-rule")
    wrong = ""
    if observable.timing == "interval" and "effectivePeriod" not in node.value:
        wrong = "what drained in an interval needs effectivePeriod"
    elif observable.timing == "moment" and "effectiveDateTime" not in node.value:
        wrong = f"{observable.name} needs effectiveDateTime"
    elif not {"effectivePeriod", "effectiveDateTime"} & node.value.keys():
        wrong = f"{observable.name} needs effectiveDateTime or effectivePeriod"
    if wrong:
        stated = [key for key in node.value if key.startswith("effective")]
        place = node.child(stated[0], "effective") if stated else node
        report.add(place, "effective", wrong, code="business-rule")


def _value(node: Node, observable: Observable, ours: bool, report: Report) -> None:
    values = [k for k in node.value if k.startswith("value") and k[5:6].isupper()]
    if not values:
        # Of a total that is known only in part, the part is in its components.
        said = observable.kind == "parts" or _part_values(node).get("at-least") is not None
        if "dataAbsentReason" not in node.value and not said:
            report.add(
                node,
                "value",
                f"{observable.name} has neither a value nor a reason why not",
                code="required",
                severity="error" if ours else "warning",
            )
        return
    key = values[0]
    wanted = "valueQuantity" if observable.kind == "quantity" else "valueCodeableConcept"
    if key != wanted:
        report.add(
            node.child(key, "value"),
            "value",
            f"{observable.name} needs {wanted}, not {shown_key(key, 'another value')}",
            code="value",
            severity="error" if ours else "warning",
        )
        return
    child = node.child(key, "value")
    if not isinstance(child.value, dict):
        return
    if observable.kind == "quantity":
        _quantity(child, observable, ours, report)
        if observable.name == "output-rate":
            _rate_unit(node, child, report)
    elif ours:
        _word(child, observable.words, observable.name, report)
        _implied(node, child, observable, report)


def _quantity(node: Node, of: Observable | Component, ours: bool, report: Report) -> None:
    code, system = node.value.get("code"), node.value.get("system")
    if code is None or system != UCUM:
        report.add(
            node,
            "unit",
            f"{of.name} needs a unit with a UCUM code",
            code="code-invalid",
            severity="error" if ours else "warning",
            hint=f"system {UCUM}, code {of.units[0]}",
        )
        return
    try:
        unit, _ = unit_of(str(code))
    except UnitError as error:
        if not error.misleading:  # a misleading unit is reported wherever it stands
            report.add(
                node,
                "unit",
                f"not a unit that is known for {of.name}",
                code="code-invalid",
                value=code,
                hint=f"accepted: {', '.join(of.units)}",
            )
        return
    if unit.code not in of.units:
        report.add(
            node,
            "unit",
            f"the unit {unit.code} does not belong to {of.name}",
            code="code-invalid",
            hint=f"accepted: {', '.join(of.units)}",
        )
        return
    sent = UNITS[of.units[0]].factor  # cm3 is mL by another name
    if ours and unit.factor != sent and of.name != "output-rate":
        report.add(
            node,
            "unit",
            f"{of.name} is sent in {of.units[0]}",
            code="code-invalid",
            hint=f"convert {unit.code}",
        )
    number = node.value.get("value")
    if isinstance(number, int | Decimal) and not isinstance(number, bool):
        _bounds(node, Decimal(number), unit.code, of, report)


def _rate_unit(node: Node, value: Node, report: Report) -> None:
    """Report a rate whose unit is not over the hours that its LOINC code speaks of."""
    unit = value.value.get("code")
    codes = {code for system, code in codings_of(node.value.get("code")) if system == LOINC}
    asked = {
        rate.unit
        for rate in RATES.values()
        if codes & {coding.code for coding in (rate.chest, rate.pericardial) if coding}
    } or {"mL/h"}
    if unit in OBSERVABLES["output-rate"].units and unit not in asked:
        report.add(
            value,
            "unit",
            f"the code of this rate asks for {' or '.join(sorted(asked))}, not {unit}",
            code="code-invalid",
            hint="LOINC, property VRat: a rate over so many hours has a code of its own",
        )


def _bounds(
    node: Node, number: Decimal, unit: str, of: Observable | Component, report: Report
) -> None:
    beyond = of.beyond(number, unit) if UNITS[unit].kind == UNITS[of.units[0]].kind else ""
    if beyond:
        report.add(node, "impossible", f"{of.name} {beyond}", code="value", value=number)


def _word(node: Node, words: Iterable[str], of: str, report: Report) -> None:
    words = list(words)
    said = [code for system, code in codings_of(node.value) if system == LOCAL]
    if len(said) != 1:
        report.add(
            node,
            "word",
            f"{of} needs exactly one code of {LOCAL}, it has {len(said)}",
            code="code-invalid",
        )
    elif said[0] not in words and said[0] in LOCAL_CODES:
        near = difflib.get_close_matches(str(said[0]), words, n=1, cutoff=0.5)
        report.add(
            node,
            "word",
            f"a code that is no word of {of}",
            code="code-invalid",
            value=said[0],
            hint=f"nearest: {near[0]}" if near else f"one of: {', '.join(words)}",
        )


def _implied(node: Node, value: Node, observable: Observable, report: Report) -> None:
    """Report a word that is not what its own parts say."""
    words = [code for system, code in codings_of(value.value) if system == LOCAL]
    parts = _part_values(node)
    words_of = {one.name for one in observable.components if one.kind == "words"}
    parts = {name: word for name, word in parts.items() if name in words_of}
    if not all(isinstance(word, str) for word in parts.values()):
        report.add(
            value,
            "not-judged",
            "whether its parts say the same was not looked at, as one of them is no word",
            code="not-supported",
            severity="warning",
        )
        return
    implied = value_of_parts(observable.name, parts)
    if observable.name == "air-leak" and "none" in words and implied != "none":
        report.add(
            value,
            "air-leak-none",
            "an air leak is none only when none was seen at rest and on cough",
            code="business-rule",
        )
    elif implied not in (None, "undetermined", *words) and words:
        report.add(
            value,
            "parts",
            "its value is not what its parts say",
            code="business-rule",
            value=words[0],
        )


def _part_values(node: Node) -> dict[str, object]:
    """Return what each part of ours says: its word, or whatever other value it has."""
    values: dict[str, object] = {}
    for part in node.items("component"):
        for system, name in codings_of(part.value.get("code")):
            if system == LOCAL:
                words = codings_of(part.value.get("valueCodeableConcept"))
                values[str(name)] = next(
                    (code for whose, code in words if whose == LOCAL),
                    part.value.get("valueQuantity"),
                )
    return values


def _components(node: Node, observable: Observable, report: Report) -> None:
    for part in node.items("component"):
        names = [code for system, code in codings_of(part.value.get("code")) if system == LOCAL]
        if names == [AS_CHARTED.code] or not names:
            continue
        if names[0] not in observable.component_names:
            report.add(
                part.child("code"),
                "component",
                f"not a part of {observable.name}",
                code="business-rule",
                value=names[0],
                hint=f"its parts: {', '.join(observable.component_names) or 'none'}",
            )
            continue
        component = observable.component(names[0])
        key = {
            "words": "valueCodeableConcept",
            "quantity": "valueQuantity",
            "integer": "valueInteger",
            "text": "valueString",
            "drain": "valueString",
        }[component.kind]
        if key not in part.value:
            report.add(part, "component", f"{component.name} needs {key}", code="value")
        elif component.kind == "words":
            _word(part.child(key, "value"), component.words, component.name, report)
        elif component.kind == "quantity" and isinstance(part.value[key], dict):
            _quantity(part.child(key, "value"), component, True, report)

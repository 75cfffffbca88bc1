"""Each twin says of generated data what the engine says of it, or what the specification says.

The data is made from R4's element table, of the elements an expression names: each there or not,
with a value, with a value and extensions, or with extensions alone. Where R4 means more than its
expression, the twin is held against a reading of the text that is written out here, with the reason.
"""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirdrain.conformance.definitions import constraints, elements, is_resource
from fhirdrain.conformance.fhirpath import CannotEvaluate, Surroundings, compiled
from fhirdrain.conformance.twins import expression_for, twins
from fhirdrain.vocabulary.codes import LOCAL
from tests.conformance.fitting import PRIMITIVES, places, type_of

UCUM = "http://unitsofmeasure.org"
KEYS = {}
for _name, _constraint in constraints().items():
    KEYS.setdefault(_constraint["expression"], _name)
# The profiles' own expressions have no key in R4.
EXPRESSIONS = {KEYS.get(text, text): text for text in twins()}

# Small pools, so that what is compared is often equal.
POOLS = {
    "type": ["document", "message", "transaction", "batch", "history", "searchset", "collection",
             "transaction-response", "batch-response"],
    "system": [UCUM, "urn:iso:std:iso:4217", "https://north-pier.example/codes",
               LOCAL],
    "code": ["1", "mL", "L", "kg", "one", "calculated"],
    "unit": ["millilitre", "litre"],
    "when": ["C", "CM", "CD", "CV", "AC", "HS"],
    "value": [0, -1, 1, 1000, Decimal("1.0"), Decimal("1.00"), Decimal("-0.5")],
    "start": ["2025", "2025-01", "2025-01-10", "2025-01-10T10:00:00Z", "2025-01-10T10:00:00+01:00",
              "2025-01-10T09:30:00Z", "2024-12-31T23:59:60Z"],
    "fullUrl": ["urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "https://a.example/Patient/1",
                "https://a.example/Patient/1/_history/2"],
    "versionId": ["1", "2"],
    "reference": ["#a", "#b", "#", "Patient/1"],
    "id": ["a", "b"],
    "duration": [0, -1, Decimal("0.0"), 2],
    "key": ["a-1", "a-2"],
    "div": [PRIMITIVES["xhtml"]],
}  # fmt: skip
POOLS |= {"end": POOLS["start"], "period": POOLS["duration"]}
EXTENSION = {"url": "https://north-pier.example/x", "valueCode": "one"}
# What the expression does not name but is about.
MORE = {
    "rng-2": {"value", "system", "code", "unit"},
    "dom-3": {"subject", "extension", "value"},
    "vs-1": {"extension"},
}
EXTENSION_TYPES = ("valueString", "valueUri", "valueCanonical", "valueReference", "valueQuantity")
# Of a resource any type would do.
STAND_INS = {"DomainResource": "Observation", "Resource": "Observation"}


@st.composite
def values(draw, kind, names, name="", depth=4):
    """Draw a value of a type with elements of these names only."""
    kind = STAND_INS.get(kind, kind)
    if kind in PRIMITIVES:
        return draw(st.sampled_from(POOLS.get(name, [PRIMITIVES[kind]])))
    owner, _, path = kind.partition(".")
    made = {"resourceType": kind} if is_resource(kind) else {}
    choices = {}
    for key, element in elements(owner, path).items():
        if element.name in names and depth > 0:
            choices.setdefault(element.name, []).append((key, element))
    for stem, options in choices.items():
        if kind == "Extension" and stem == "value":
            options = [o for o in options if o[0] in EXTENSION_TYPES]
        if draw(st.booleans()):
            key, element = draw(st.sampled_from(options[:6]))
            made |= draw(members(key, element, names, depth))
    if kind == "Extension" and draw(st.booleans()):
        made["extension"] = [EXTENSION]
    return made


@st.composite
def members(draw, key, element, names, depth):
    """Draw a member, and what stands beside it."""
    kind = type_of(element)
    one = values(kind, names, element.name, depth - 1)
    value = draw(st.lists(one, min_size=1, max_size=3)) if element.many else draw(one)
    if kind not in PRIMITIVES or element.name == "id":
        return {key: value}
    beside = {"extension": [EXTENSION]}
    form = draw(st.sampled_from(["value", "value", "both", "extensions"]))
    if form == "value":
        return {key: value}
    if form == "both":
        return {
            key: value,
            f"_{key}": [beside] + [None] * (len(value) - 1) if element.many else beside,
        }
    return {f"_{key}": [beside] if element.many else beside}


def kinds_of(name):
    """Return the types an expression is stated for, in R4 or in a profile."""
    key = name if name in constraints() else ""
    stated = {
        "sqty-1": ["Quantity"],
        "mqty-1": ["Quantity"],
        "vs-1": ["dateTime", "Period"],
        "vs-3": ["Observation.component"],
    }
    if key.startswith("dom-") or key in ("", "vs-2"):
        return ["Observation"]
    return stated.get(key) or places()[key, constraints()[key]["expression"]]


@st.composite
def foci(draw, name):
    kind = draw(st.sampled_from(kinds_of(name)))
    names = set(re.findall(r"\w+", EXPRESSIONS[name])) | MORE.get(name, set())
    return draw(
        LIKELY[name]
        if name in LIKELY
        else values(kind, names, "start" if kind == "dateTime" else "")
    ), kind


# Where whole data is too seldom what the expression is about.
MEASURES = st.fixed_dictionaries(
    {"value": st.sampled_from(POOLS["value"])},
    optional={
        "system": st.sampled_from([UCUM, UCUM, POOLS["system"][2]]),
        "code": st.sampled_from(["mL", "mL", "L", "kg", "no-unit"]),
        "unit": st.sampled_from(POOLS["unit"]),
    },
)
LIKELY = {"rng-2": st.fixed_dictionaries({"low": MEASURES}, optional={"high": MEASURES})}


def around(value):
    return Surroundings(value, value, lambda _: None, lambda *_: None, lambda *_: None)


def outcome(test, value, kind):
    try:
        return test(value, kind, around(value))
    except CannotEvaluate:
        return "undecided"


# -- where R4 means more than its expression ------------------------------------------------------


def parts(text):
    """Return the instants a FHIR time may be: the first, and the first one after them."""
    from datetime import UTC, datetime, timedelta

    if "T" in text:
        leap = timedelta(seconds=1) if ":60" in text else timedelta()
        at = datetime.fromisoformat(text.replace(":60", ":59")).astimezone(UTC) + leap
        return at, at
    pad = text + "-01-01"[len(text) - 4 :] if len(text) < 10 else text
    low = datetime.fromisoformat(pad + "T00:00:00+00:00")
    if len(text) == 10:
        return low, low + timedelta(days=1)
    if len(text) == 7:
        return low, (low + timedelta(days=32)).replace(day=1)
    return low, low.replace(year=low.year + 1)


def period(value):
    """R4, Period: "start SHALL have a lower value than end"; what is not known does not hold.

    The expression is empty there, and the community's published cases take that for an error.
    """
    start, end = value.get("start"), value.get("end")
    if start is None or end is None or start == end:
        return True
    if len(start) == len(end) and "T" not in start:
        return start < end
    if "T" in start and "T" in end:
        return parts(start)[0] <= parts(end)[0]
    # One is less precise than the other: only what is written in both tells.
    length = min(len(start.partition("T")[0]), len(end.partition("T")[0]))
    return start[:length] < end[:length]


def full_urls(value):
    """R4, bdl-7: the version is another thing than the end of a URL, which joined texts may hide."""
    if value.get("type") == "history":
        return True
    seen = [
        (entry["fullUrl"], (entry.get("resource", {}).get("meta") or {}).get("versionId"))
        for entry in value.get("entry", [])
        if "fullUrl" in entry
    ]
    return len(set(seen)) == len(seen)


def entries(member, kinds):
    """R4, bdl-3 and bdl-4; without a type, which is reported itself, nothing is said of entries."""
    return lambda value: (
        "type" not in value
        or all((member in entry) == (value["type"] in kinds) for entry in value.get("entry", []))
    )


def first(bundle, kind):
    """R4, bdl-11 and bdl-12: the first resource must be of a type, so an entry must have one."""
    return lambda value: (
        value.get("type") != bundle
        or not value.get("entry")
        or value["entry"][0].get("resource", {}).get("resourceType") == kind
    )


def offset(value):
    """R4, tim-9: "and not C, CM, CD, CV" of any event; of several the expression is an error."""
    if "offset" not in value and "_offset" not in value:
        return True
    events = value.get("when", [])
    return ("when" in value or "_when" in value) and not {"C", "CM", "CD", "CV"} & set(events)


def different(name, key):
    """R4, eld-13 and eld-14: codes that have no value are not the same one twice."""

    def test(value):
        texts = [one[key] for one in value.get(name, []) if key in one]
        return len(set(texts)) == len(texts)

    return test


MEANT = {
    "eld-13": different("type", "code"),
    "eld-14": different("constraint", "key"),
    "per-1": period,
    "bdl-3": entries("request", ("batch", "transaction", "history")),
    "bdl-4": entries("response", ("batch-response", "transaction-response", "history")),
    "bdl-7": full_urls,
    "bdl-11": first("document", "Composition"),
    "bdl-12": first("message", "MessageHeader"),
    "tim-9": offset,
}


@pytest.mark.parametrize("name", EXPRESSIONS)
def test_it_is_as_the_specification_says(name):
    twin, engine = twins()[EXPRESSIONS[name]], compiled(EXPRESSIONS[name])
    said = set()

    @settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
    @given(foci(name))
    def check(focus):
        value, kind = focus
        expected = MEANT[name](value) if name in MEANT else outcome(engine, value, kind)
        assert outcome(twin, value, kind) == expected
        said.add(expected)

    check()
    # What never comes out both ways shows nothing. The pool has no unsound narrative: see below.
    assert {True, False} <= said or name in ("txt-1", "txt-2"), said


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.decimals(allow_nan=False) | st.text(max_size=5),
    lambda below: st.lists(below, max_size=3)
    | st.dictionaries(st.sampled_from(sorted({*POOLS, "low", "high", "extension", "contained", "meta",
                                              "entry", "resource", "request", "component", "coding",
                                              "identifier", "valueQuantity", "resourceType",
                                              "constraint", "numerator", "offset"})), below,
                      max_size=4),
    max_leaves=12,
)  # fmt: skip


@pytest.mark.parametrize("name", EXPRESSIONS)
def test_it_says_something_of_any_json(name):
    twin = twins()[EXPRESSIONS[name]]

    @settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
    @given(JSON, st.sampled_from(kinds_of(name)))
    def check(value, kind):
        assert outcome(twin, value, kind) in (True, False, "undecided")

    check()


@pytest.mark.parametrize("name", EXPRESSIONS)
def test_of_what_is_no_object_it_holds(name):
    for value in (None, 3, "text", [], [{}], True):
        assert outcome(twins()[EXPRESSIONS[name]], value, "") is True or name in ("txt-1", "txt-2")


def test_a_twin_is_of_one_expression_and_of_no_other():
    text = constraints()["obs-6"]["expression"]
    both = {"dataAbsentReason": {"text": "x"}, "valueString": "x"}
    assert not expression_for(text)(both, "Observation", around(both))
    assert expression_for(text) is not expression_for(text + " or true")
    assert expression_for(text + " or true")(both, "Observation", around(both))


NARRATIVES = {
    '<div xmlns="http://www.w3.org/1999/xhtml">text</div>': True,
    '<div xmlns="http://www.w3.org/1999/xhtml"><img src="#a" alt="a"/></div>': True,
    '<div xmlns="http://www.w3.org/1999/xhtml"><p><a href="b">b</a>&nbsp;</p></div>': True,
    '<div xmlns="http://www.w3.org/1999/xhtml"> <p/> </div>': False,
    '<div xmlns="http://www.w3.org/1999/xhtml"><script>x</script></div>': False,
    '<div xmlns="http://www.w3.org/1999/xhtml" onclick="x">text</div>': False,
    '<div xmlns="http://www.w3.org/1999/xhtml"><form>text</form></div>': False,
    '<div xmlns="http://www.w3.org/1999/xhtml">text': False,
    "<p>text</p>": False,
    "<div>text</div>": False,
}


@pytest.mark.parametrize(("div", "sound"), NARRATIVES.items())
def test_a_narrative_holds_what_r4_lets_it_and_something(div, sound):
    """R4 2.4.0, narrative.html; the checks behind htmlChecks() are those of the twin."""
    text = constraints()["txt-1"]["expression"]
    assert twins()[text](div, "xhtml", around(None)) is sound
    assert compiled(text)(div, "xhtml", around(None)) is sound


CONTAINED = {"resourceType": "Patient", "id": "a"}
HOLDERS = [
    ({"subject": {"reference": "#a"}}, True),
    ({"subject": {"reference": "#b"}}, False),
    ({"extension": [{"url": "x", "valueUri": "#a"}]}, True),
    ({"extension": [{"url": "x", "valueCanonical": "#a"}]}, True),
    ({"extension": [{"url": "x", "valueString": "#a"}]}, False),
    ({"subject": {"display": "#a"}}, False),
    ({}, False),
]


@pytest.mark.parametrize(("holder", "holds"), HOLDERS)
def test_a_text_is_no_reference_to_what_is_contained(holder, holds):
    """R4, dom-3: by a reference, or a value that is a uri of some kind."""
    text = constraints()["dom-3"]["expression"]
    value = {"resourceType": "Observation", "contained": [CONTAINED], **holder}
    assert twins()[text](value, "Observation", around(value)) is holds
    assert compiled(text)(value, "Observation", around(value)) is holds

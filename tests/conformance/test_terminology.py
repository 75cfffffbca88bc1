"""Which codes a value set holds: every way it can be composed, and all that cannot be decided."""

from __future__ import annotations

import time

import pytest

from fhirdrain.conformance import codesystems, valuesets
from fhirdrain.conformance.definitions import Definitions, Supplied
from fhirdrain.conformance.membership import INSIDE, OUTSIDE, all_of, any_of, undecided
from fhirdrain.conformance.terminology import Terminology, codes_of
from fhirdrain.conformance.ucum import MOST_CHARACTERS, is_ucum

A = "https://a.example/"
WORDS, PARTS, FOREIGN = A + "words", A + "parts", A + "foreign"
LOINC, SNOMED, UCUM = "http://loinc.org", "http://snomed.info/sct", "http://unitsofmeasure.org"


def concept(code, *below, **properties):
    made = {"code": code}
    if below:
        made["concept"] = list(below)
    if properties:
        kinds = {bool: "valueBoolean", int: "valueInteger", str: "valueCode"}
        made["property"] = [
            {"code": name, kinds[type(value)]: value} for name, value in properties.items()
        ]
    return made


def system(url, *concepts, content="complete", **more):
    made = {"resourceType": "CodeSystem", "url": url, "content": content}
    return made | {"concept": list(concepts), "caseSensitive": True} | more


# Colours, below each other by nesting and by properties.
WORDS_SYSTEM = system(
    WORDS,
    concept(
        "colour",
        concept("red", concept("bright-red", depth=2), concept("dark-red", depth=3), depth=1),
        concept("clear", inactive=True),
    ),
    concept("rust", parent="dark-red"),
    concept("group", child="milky"),
    concept("milky"),
    version="2.0",
)


def include(of=WORDS, *codes, **more):
    part = {"system": of} if of else {}
    if codes:
        part["concept"] = [{"code": code} for code in codes]
    return part | {k.removesuffix("_"): v for k, v in more.items()}


def where(property_, op, value, of=WORDS):
    return include(of, filter=[{"property": property_, "op": op, "value": value}])


def value_set(url, *includes, exclude=(), expansion=None, **more):
    made = {"resourceType": "ValueSet", "url": A + url}
    if includes:
        made["compose"] = {"include": list(includes)} | more
    if exclude:
        made["compose"]["exclude"] = list(exclude)
    return made | ({"expansion": expansion} if expansion else {})


def made(*definitions, base=(WORDS_SYSTEM,)):
    entries = [Supplied(definition, "test") for definition in (*base, *definitions)]
    definitions, left_out = Definitions().extended(entries)
    assert left_out == []
    return Terminology(definitions)


def of(*includes, **more):
    return made(value_set("v", *includes, **more))


def listed(found, system=WORDS):
    codes = found.codes(A + "v")
    assert codes is not None
    return sorted(codes.get(system, ()))


def inside(found, code, system=WORDS, url="v", version=None):
    """The answer; a code that can be listed is inside, and only such a one."""
    answer = found.membership(A + url, code, system, version)
    codes = found.codes(A + url)
    if codes is not None and system is not None and version is None:
        assert answer.inside == (code in codes.get(system, ()))
    assert answer.inside is not None or answer.reason
    return answer.inside


def reason(found, code, system=WORDS, url="v", version=None):
    answer = found.membership(A + url, code, system, version)
    assert answer.inside is None
    return answer.reason


ALL = ["bright-red", "clear", "colour", "dark-red", "group", "milky", "red", "rust"]


def test_a_whole_system_is_included():
    found = of(include())
    assert listed(found) == ALL
    assert inside(found, "red")
    assert inside(found, "blue") is False
    assert inside(found, "red", FOREIGN) is False


def test_a_bare_code_may_be_of_any_system_and_a_coding_without_a_system_is_of_none():
    found = of(include(), include(FOREIGN, "f1"))
    assert inside(found, "f1", None)
    assert inside(found, "red", None)
    assert inside(found, "blue", None) is False
    assert inside(found, "red", "") is False


def test_codes_that_are_enumerated_need_no_code_system():
    found = of(include(FOREIGN, "f1", "f2"))
    assert listed(found, FOREIGN) == ["f1", "f2"]
    assert inside(found, "f3", FOREIGN) is False


def test_several_includes_are_a_union():
    found = of(include(WORDS, "red"), include(FOREIGN, "f1"), include(WORDS, "rust"))
    assert listed(found) == ["red", "rust"]
    assert listed(found, FOREIGN) == ["f1"]


def test_a_system_and_a_value_set_in_one_include_are_an_intersection():
    other = value_set("w", include(WORDS, "red", "blue"), include(FOREIGN, "f1"))
    found = made(other, value_set("v", include(valueSet=[A + "w"])))
    assert found.codes(A + "v") == {WORDS: {"red"}}
    assert inside(found, "blue") is False
    assert inside(found, "f1", FOREIGN) is False


def test_a_value_set_that_imports_another_has_its_codes():
    other = value_set("w", include(WORDS, "red"), include(FOREIGN, "f1"))
    found = made(other, value_set("v", include("", valueSet=[A + "w"]), include(WORDS, "rust")))
    assert found.codes(A + "v") == {WORDS: {"red", "rust"}, FOREIGN: {"f1"}}
    assert inside(found, "f1", None)


def test_several_value_sets_in_one_include_are_undecided_where_they_differ():
    # R4: the comment on include says all of them, the definition of valueSet says any of them.
    w, x = value_set("w", include(WORDS, "red", "rust")), value_set("x", include(WORDS, "red"))
    found = made(w, x, value_set("v", include("", valueSet=[A + "w", A + "x"])))
    assert inside(found, "red")
    assert inside(found, "blue") is False
    assert "several imports" in reason(found, "rust")
    assert found.codes(A + "v") is None


def test_what_is_excluded_is_not_in_it():
    found = of(include(), exclude=[include(WORDS, "red"), where("concept", "is-a", "dark-red")])
    assert listed(found) == ["bright-red", "clear", "colour", "group", "milky"]


def test_an_exclude_that_cannot_be_decided_leaves_nothing_inside():
    found = of(include(WORDS, "red"), exclude=[include("", valueSet=[A + "gone"])])
    assert "gone is not at hand" in reason(found, "red")
    assert inside(found, "blue") is False
    assert found.codes(A + "v") is None


def test_an_exclude_of_another_system_does_not_bar_a_bare_code():
    found = of(include(WORDS, "x"), include(FOREIGN, "x"), exclude=[include(FOREIGN, "x")])
    assert inside(found, "x", None)


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        (("concept", "is-a", "red"), ["bright-red", "dark-red", "red", "rust"]),
        (("concept", "descendent-of", "red"), ["bright-red", "dark-red", "rust"]),
        (("concept", "is-a", "group"), ["group", "milky"]),
        (("concept", "is-not-a", "colour"), ["group", "milky"]),
        (("concept", "generalizes", "dark-red"), ["colour", "dark-red", "red"]),
        (("parent", "=", "red"), ["bright-red", "dark-red"]),
        (("child", "=", "milky"), ["group"]),
        (("depth", "=", "2"), ["bright-red"]),
        (("depth", "in", "1, 3"), ["dark-red", "red"]),
        (("depth", "not-in", "1, 3"), ["bright-red", "clear", "colour", "group", "milky", "rust"]),
        (("depth", "exists", "true"), ["bright-red", "dark-red", "red"]),
        (("inactive", "=", "true"), ["clear"]),
        (("inactive", "exists", "false"), [c for c in ALL if c != "clear"]),
        (("code", "=", "red"), ["red"]),
        (("concept", "in", "red,milky, blue"), ["milky", "red"]),
        (("code", "not-in", "red,rust"), [c for c in ALL if c not in ("red", "rust")]),
        (("code", "regex", "r.*"), ["red", "rust"]),
        (("code", "regex", "red|milk"), ["red"]),
    ],
)
def test_filters(entry, expected):
    assert listed(of(where(*entry))) == expected


def test_filters_in_one_include_must_all_be_true():
    both = where("code", "regex", ".*red")
    both["filter"].append({"property": "concept", "op": "descendent-of", "value": "red"})
    assert listed(of(both)) == ["bright-red", "dark-red"]


@pytest.mark.parametrize(
    ("entry", "why"),
    [
        (("weight", "=", "1"), "a filter is on weight"),
        (("weight", "is-a", "1"), "is on weight"),
        (("concept", "is-a", "nowhere"), "needs the hierarchy"),
        (("code", "like", "red"), "the filter like is not known"),
        (("depth", "exists", "perhaps"), "the filter exists is not known"),
        (("code", "regex", "(?<=r)ed"), "a pattern that cannot be used"),
        (("code", "regex", "(a{1000}){1000}"), "a pattern that cannot be used"),
    ],
)
def test_a_filter_that_cannot_be_worked_out_is_undecided_and_what_the_system_lacks_is_outside(
    entry, why
):
    found = of(where(*entry))
    assert why in reason(found, "red")
    assert inside(found, "blue") is False
    assert inside(found, "nowhere") is False
    assert found.codes(A + "v") is None


def test_a_pattern_takes_no_more_time_than_the_code_is_long():
    base = system(PARTS, concept("a" * 5000 + "!"), concept("aaa"))
    found = made(value_set("v", where("code", "regex", "(a+)+", PARTS)), base=[base])
    began = time.perf_counter()
    assert listed(found, PARTS) == ["aaa"]
    assert time.perf_counter() - began < 2


def test_an_order_that_goes_in_circles_ends():
    base = system(PARTS, concept("a", parent="b"), concept("b", parent="a"), concept("c"))
    found = made(value_set("v", where("concept", "descendent-of", "a", PARTS)), base=[base])
    assert listed(found, PARTS) == ["b"]


def test_a_chain_of_ten_thousand_codes_is_followed():
    base = system(PARTS, *(concept(f"n{i}", parent=f"n{i - 1}") for i in range(10_000)))
    found = made(value_set("v", where("concept", "is-a", "n0", PARTS)), base=[base])
    assert len(listed(found, PARTS)) == 10_000


def test_a_hierarchy_of_another_meaning_is_no_is_a():
    base = system(PARTS, concept("a", concept("b")), hierarchyMeaning="part-of")
    found = made(value_set("v", where("concept", "is-a", "a", PARTS)), base=[base])
    assert "is part-of, not is-a" in reason(found, "b", PARTS)


@pytest.mark.parametrize("content", ["fragment", "example"])
def test_a_code_system_that_is_not_whole_decides_only_what_it_has(content):
    base = system(PARTS, concept("a", concept("b", size=1)), content=content)
    found = made(
        value_set("v", include(PARTS)),
        value_set("is", where("concept", "is-a", "a", PARTS)),
        value_set("not", where("concept", "is-not-a", "a", PARTS)),
        value_set("one", where("size", "=", "1", PARTS)),
        base=[base],
    )
    assert inside(found, "b", PARTS)
    assert "not at hand as a whole" in reason(found, "z", PARTS)
    assert inside(found, "b", PARTS, "is")
    assert inside(found, "a", PARTS, "is")
    assert reason(found, "z", PARTS, "is")
    assert inside(found, "a", PARTS, "not") is False
    assert inside(found, "b", PARTS, "not") is False
    assert reason(found, "z", PARTS, "not")
    assert inside(found, "b", PARTS, "one")
    assert reason(found, "a", PARTS, "one")


def test_a_code_system_that_is_not_at_hand_is_undecided():
    found = of(include(FOREIGN), where("concept", "descendent-of", "x", FOREIGN))
    assert reason(found, "x", FOREIGN) == f"{FOREIGN} is not at hand"
    only = of(where("concept", "descendent-of", "x", FOREIGN))
    assert inside(only, "x", FOREIGN) is False  # it is not below itself
    assert reason(only, "y", FOREIGN)


def test_a_supplement_has_no_codes_of_its_own():
    base = system(PARTS, concept("a"), content="supplement", supplements=WORDS)
    found = made(value_set("v", include(PARTS)), base=[base])
    assert "supplement" in reason(found, "a", PARTS)


def test_case_counts_as_the_code_system_says():
    for stated, expected in ((True, False), (False, True)):
        base = system(PARTS, concept("Tight"), caseSensitive=stated)
        found = made(value_set("v", include(PARTS)), base=[base])
        assert found.membership(A + "v", "tight", PARTS).inside is expected
        assert found.membership(A + "v", "Tight", PARTS).inside
    base = system(PARTS, concept("Tight"))
    del base["caseSensitive"]
    found = made(value_set("v", include(PARTS, "Tight")), base=[base])
    assert "only its case differs" in reason(found, "TIGHT", PARTS)
    assert inside(found, "Tight", PARTS)
    # Of a system that is not at hand nothing suggests that case would not count.
    assert inside(of(include(FOREIGN, "Tight")), "tight", FOREIGN) is False


def test_inactive_codes_are_left_out_where_the_value_set_says_so():
    assert "clear" not in listed(of(include(), inactive=False))
    assert "clear" in listed(of(include(), inactive=True))
    assert listed(of(include(WORDS, "clear", "red"), inactive=False)) == ["red"]
    partly = made(
        value_set("v", include(), inactive=False), base=[WORDS_SYSTEM | {"content": "fragment"}]
    )
    assert inside(partly, "clear") is False
    assert inside(partly, "red")


def test_a_version_that_is_not_the_one_at_hand_is_undecided():
    found = of(include(version="2.0"))
    assert inside(found, "red")
    found = of(include(version="3.0"))
    assert "not in the version asked for" in reason(found, "red")
    assert found.codes(A + "v") is None
    assert inside(of(include(version="*")), "red")
    assert inside(of(include(WORDS, "red", version="3.0")), "red")

    found = made(value_set("w", include(WORDS, "red")) | {"version": "1"})
    assert inside(found, "red", url="w|1")
    assert "not in the version asked for" in reason(found, "red", url="w|2")


def test_the_version_a_coding_names_counts_where_it_could_matter():
    found = of(include(WORDS, "red", version="3.0"))
    assert inside(found, "red", version="3.0")
    assert "another version" in reason(found, "red", version="3.0.1")
    found = of(include())
    assert inside(found, "red", version="9")
    assert "another version" in reason(found, "blue", version="9")
    assert inside(found, "blue", version="2.0") is False


@pytest.mark.parametrize("url", ["http://hl7.org/fhir/ValueSet/observation-status|4.0.1"])
def test_r4s_own_are_found_under_their_version(url):
    found = Terminology(Definitions())
    assert found.membership(url, "final", None).inside
    assert found.membership(url, "done", None).inside is False
    assert found.membership(url.replace("4.0.1", "5.0.0"), "final", None).inside is None


def test_a_circle_of_imports_ends_with_a_reason():
    found = made(
        value_set("v", include("", valueSet=[A + "w"]), include(WORDS, "red")),
        value_set("w", include("", valueSet=[A + "x"])),
        value_set("x", include("", valueSet=[A + "v"])),
    )
    assert inside(found, "red")
    for url in ("v", "w", "x"):
        assert "in a circle" in reason(found, "blue", url=url)
        assert found.codes(A + url) is None


def test_a_chain_of_imports_ends_and_a_bush_of_them_takes_no_time():
    chain = [value_set(f"c{i}", include("", valueSet=[f"{A}c{i + 1}"])) for i in range(2000)]
    found = made(*chain)
    assert "imports more than" in reason(found, "red", url="c0")
    assert found.codes(A + "c0") is None
    bush = [
        value_set(f"b{i}", *[include("", valueSet=[f"{A}b{i + 1}"])] * 3, include(WORDS, "red"))
        for i in range(60)
    ]
    found = made(*bush, value_set("b60", include(WORDS, "rust")))
    began = time.perf_counter()
    assert inside(found, "rust", url="b0")
    assert inside(found, "blue", url="b0") is False
    assert inside(found, "rust", None, url="b0")
    assert time.perf_counter() - began < 2


def expansion(*codes, **more):
    return {"contains": [{"system": FOREIGN, "code": code} for code in codes]} | more


def test_an_expansion_is_used_where_the_definition_cannot_decide():
    for found in (of(expansion=expansion("a")), of(include(FOREIGN), expansion=expansion("a"))):
        assert listed(found, FOREIGN) == ["a"]
        assert inside(found, "a", None)
        assert inside(found, "b", FOREIGN) is False
    # What the definition decides, it decides.
    found = of(include(WORDS, "red"), expansion=expansion("a"))
    assert inside(found, "a", FOREIGN) is False


def test_the_codes_of_an_expansion_stand_at_any_depth_and_groups_are_none():
    nested = {
        "contains": [
            {"display": "group", "contains": [{"system": FOREIGN, "code": "a"}]},
            {"system": FOREIGN, "code": "top", "abstract": True},
            {"system": FOREIGN, "code": "b", "contains": [{"system": FOREIGN, "code": "c"}]},
        ]
    }
    assert listed(of(expansion=nested), FOREIGN) == ["a", "b", "c"]


URL = "http://hl7.org/fhir/StructureDefinition/valueset-"


@pytest.mark.parametrize(
    "more",
    [
        {"total": 2},
        {"offset": 10},
        {"extension": [{"url": URL + "toocostly", "valueBoolean": True}]},
        {"extension": [{"url": URL + "unclosed", "valueBoolean": True}]},
        {"parameter": [{"name": "filter", "valueString": "a"}]},
        {"parameter": [{"name": "activeOnly", "valueBoolean": True}]},
        {"parameter": [{"name": "count", "valueInteger": 1}]},
    ],
)
def test_an_expansion_that_is_not_whole_decides_only_what_it_has(more):
    found = of(expansion=expansion("a", **more))
    assert inside(found, "a", FOREIGN)
    assert reason(found, "b", FOREIGN)
    assert found.codes(A + "v") is None


@pytest.mark.parametrize(
    "more",
    [
        {"total": 1, "offset": 0},
        {"total": 1, "parameter": [{"name": "count", "valueInteger": 1}]},
        {"extension": [{"url": URL + "unclosed", "valueBoolean": False}]},
        {"parameter": [{"name": "activeOnly", "valueBoolean": False}]},
    ],
)
def test_an_expansion_that_is_whole_decides(more):
    assert inside(of(expansion=expansion("a", **more)), "b", FOREIGN) is False


@pytest.mark.parametrize(
    "compose",
    [
        {"include": [{}]},
        {"include": [{"concept": [{"code": "red"}]}]},
        {"include": [{"system": WORDS, "valueSet": A + "w"}]},
        {"include": [include(WORDS, "red") | {"filter": []}]},
        {"include": [{"system": WORDS, "concept": [{"display": "red"}]}]},
        {"include": [{"system": WORDS, "filter": [{"property": "code"}]}]},
        {"include": [{"system": WORDS, "concept": [{"code": 5}]}]},
        {"include": [{"system": 5, "concept": [{"code": "red"}]}]},
        {"include": ["red"]},
        {"include": "red"},
        {},
        "red",
    ],
)
def test_a_value_set_that_is_broken_is_undecided(compose):
    found = made({"resourceType": "ValueSet", "url": A + "v", "compose": compose})
    assert reason(found, "red")
    assert reason(found, "red", None)
    assert found.codes(A + "v") is None
    assert found.near(A + "v", "red") == ""


@pytest.mark.parametrize(
    "more",
    [
        {"concept": "a"},
        {"concept": [{"display": "a"}]},
        {"concept": [{"code": {"a": 1}}]},
        {"concept": [{"code": 5}]},
    ],
)
def test_a_code_system_that_is_broken_is_undecided_and_spoils_no_other_include(more):
    found = made(value_set("v", include(PARTS), include(WORDS, "red")), base=[system(PARTS) | more])
    assert "broken" in reason(found, "a", PARTS)
    assert inside(found, "red")


def test_an_unknown_value_set_is_undecided():
    found = made()
    for system in (None, WORDS, ""):
        assert "gone is not at hand" in reason(found, "red", system, "gone")
    assert found.codes(A + "gone") is None


def test_large_sets_are_made_ready_once_and_too_large_ones_not_at_all(monkeypatch):
    many = 300_000
    base = system(PARTS, *({"code": f"c{i}"} for i in range(many)))
    found = made(
        value_set("v", include(PARTS)), value_set("w", include("", valueSet=[A + "v"])), base=[base]
    )
    began = time.perf_counter()
    assert inside(found, f"c{many - 1}", PARTS, "w")
    for _ in range(1000):
        assert found.membership(A + "w", f"c{many}", PARTS).inside is False
    assert time.perf_counter() - began < 5
    assert found.codes(A + "w")[PARTS] is found.codes(A + "v")[PARTS]

    monkeypatch.setattr(codesystems, "MOST_CODES", 1000)
    monkeypatch.setattr(valuesets, "MOST_CODES", 1000)
    one_by_one = [str(i) for i in range(1001)]
    found = made(
        value_set("v", include(PARTS)),
        value_set("w", include(FOREIGN, *one_by_one)),
        value_set("x", expansion=expansion(*one_by_one)),
        base=[base],
    )
    assert "more than 1000 codes" in reason(found, "c1", PARTS)
    assert "more than 1000 codes" in reason(found, "1", FOREIGN, "w")
    assert "more than 1000 codes" in reason(found, "1", FOREIGN, "x")


# -- systems that no package lists -------------------------------------------------------------

# RFC 5646, appendix A and 2.2.9 (from memory): well-formed tags, and one broken in each way.
LANGUAGES = {
    True: "de fr zh-Hant zh-cmn-Hans-CN sr-Latn-RS sl-rozaj-biske de-CH-1901 es-419 de-a-value "
    "x-whatever de-CH-x-phonebk i-klingon en-a-myext-b-another EN art-lojban",
    False: "de_AT a-DE de- en--us toolonglang x- i-notone de-a 12",
}
# RFC 6838, 4.2 and RFC 2045, 5.1.
MIME = {
    True: 'text/plain application/fhir+json;fhirVersion=4.0 text/a;b="c\\"d" image/svg+xml TEXT/HTML',
    False: "text text/ /plain text/pl(ain text/plain; text/plain;charset -a/b",
}
# The Unified Code for Units of Measure 2.2, sections 5 to 7, 12 and its examples (from memory).
UNITS = {
    True: "m kg mL mm[Hg] cm[H2O] 10*3/uL {score} % 1 /min kg.m/s2 mL/(24.h) m2 g{creat} [degF] 10*-3",
    False: "mmHg cc mL/hr m{ mL/24h 10+3/ul m**2 M[Hg] {a{b}} m/ kgm2/",
}
MIGHT_BE = {
    LOINC: "9129-8 LA6576-8 LP43571-6",
    SNOMED: "251843005 251843005:363698007=3120008",
    "urn:iso:std:iso:4217": "EUR",
    "urn:iso:std:iso:3166:-2": "AT-9",
    "urn:iso:std:iso:3166": "AUT 040 XX",
}
CANNOT_BE = {
    LOINC: "9129-7 9129 la6576-8",
    SNOMED: "251843006 12345 chest drain",
    "urn:iso:std:iso:4217": "eur €",
    "urn:iso:std:iso:3166:-2": "AUT-9",
    "urn:iso:std:iso:3166": "at Austria",
}


@pytest.mark.parametrize(
    ("system", "examples"),
    [("urn:ietf:bcp:47", LANGUAGES), ("urn:ietf:bcp:13", MIME), (UCUM, UNITS)],
)
def test_a_grammar_decides(system, examples):
    found = of(include(system))
    for expected, codes in examples.items():
        for code in codes.split():
            assert found.membership(A + "v", code, system).inside is expected, code


@pytest.mark.parametrize("system", MIGHT_BE)
def test_a_code_of_a_broken_form_is_outside_and_another_is_undecided(system):
    found = of(include(system), where("concept", "is-a", "1", system))
    for code in MIGHT_BE[system].split():
        assert reason(found, code, system), code
    for code in CANNOT_BE[system].split():
        assert found.membership(A + "v", code, system).inside is False, code
        assert found.membership(A + "v", code, None).inside is False, code


def test_a_country_that_r4_lists_is_inside():
    assert of(include("urn:iso:std:iso:3166")).membership(A + "v", "AT", None).inside


def test_languages_that_are_enumerated_have_no_case():
    found = of(include("urn:ietf:bcp:47", "de-AT"))
    assert found.membership(A + "v", "DE-at", "urn:ietf:bcp:47").inside
    assert found.membership(A + "v", "de", "urn:ietf:bcp:47").inside is False


def test_filters_over_a_system_that_is_not_listed():
    known = {"property": "concept", "op": "is-a", "value": "251843005"}
    found = of(include(SNOMED, filter=[known]))
    assert found.membership(A + "v", "251843005", SNOMED).inside  # the code the set is built on
    assert "SNOMED CT is not at hand" in reason(found, "396276007", SNOMED)
    members = of(where("concept", "in", "251843005", SNOMED))
    assert reason(members, "251843005", SNOMED)  # a reference set, which is not a code of itself
    lengths = of(where("canonical", "=", "m", UCUM))
    assert reason(lengths, "cm", UCUM)
    assert lengths.membership(A + "v", "feet", UCUM).inside is False
    tags = of(where("code", "regex", "de.*", "urn:ietf:bcp:47"))
    assert tags.membership(A + "v", "de-AT", None).inside
    assert tags.membership(A + "v", "fr", None).inside is False
    assert tags.membership(A + "v", "de_AT", None).inside is False


@pytest.mark.parametrize(
    ("url", "code"),
    [(f"{UCUM}/vs", "mL"), (f"{LOINC}/vs", "9129-8"), (f"{SNOMED}?fhir_vs", "251843005")],
)
def test_the_value_set_of_a_whole_system_needs_no_resource(url, code):
    found = Terminology(Definitions())
    assert found.membership(url, code, None).inside is (True if "units" in url else None)
    assert found.membership(url, "no such", None).inside is False


def test_a_unit_that_goes_on_and_on_is_not_looked_at():
    assert is_ucum("m." * MOST_CHARACTERS + "m") is None
    assert reason(of(include(UCUM)), "m." * MOST_CHARACTERS + "m", UCUM)


# -- hints and the rest --------------------------------------------------------------------------


def test_the_nearest_code_is_named_and_only_one_that_is_inside():
    found = of(include(), exclude=[include(WORDS, "red")])
    assert found.near(A + "v", "bright_red") == "bright-red"
    assert found.near(A + "v", "MILKY") == "milky"
    assert found.near(A + "v", "redd") != "red"
    assert found.near(A + "v", "xyzzy") == ""
    assert found.near(A + "gone", "red") == ""
    assert of(include(UCUM)).near(A + "v", "cmH2O") == "cm[H2O]"
    partly = of(include(WORDS, "tight"), where("concept", "is-a", "251843005", SNOMED))
    assert partly.near(A + "v", "tigth") == "tight"


def test_no_reason_tells_the_code():
    found = of(include(FOREIGN), include(LOINC), include(), where("weight", "=", "1"))
    for system in (FOREIGN, LOINC, WORDS, None):
        answer = found.membership(A + "v", "secret-8", system)
        assert "secret-8" not in answer.reason


def test_answers_are_joined_as_logic_has_it():
    perhaps = undecided("why")
    assert any_of([OUTSIDE, perhaps, INSIDE]) == INSIDE
    assert any_of([OUTSIDE, perhaps]) == perhaps
    assert any_of([]) == OUTSIDE
    assert all_of([INSIDE, perhaps, OUTSIDE]) == OUTSIDE
    assert all_of([INSIDE, perhaps]) == perhaps
    assert all_of([]) == INSIDE


def test_codes_of_r4_are_listed():
    statuses = codes_of("http://hl7.org/fhir/ValueSet/observation-status")
    assert statuses is not None
    assert {len(codes) for codes in statuses.values()} == {8}
    assert codes_of("http://hl7.org/fhir/ValueSet/mimetypes") is None

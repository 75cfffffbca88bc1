"""A list of elements as a tree and back."""

from __future__ import annotations

import pytest

from fhirdrain.conformance.definitions import Definitions
from fhirdrain.conformance.tree import is_one_of, keyed, slice_names, tree_of


@pytest.mark.parametrize("name", ["Observation", "Questionnaire", "Quantity", "string", "Resource"])
def test_a_type_comes_out_as_it_went_in_with_the_base_of_each_element(name):
    definition = Definitions().type(name)
    elements = list(tree_of(definition).flat())
    assert [{k: v for k, v in e.items() if k != "base"} for e in elements] == (
        definition["snapshot"]["element"]
    )
    assert all(e["base"].keys() == {"path", "min", "max"} for e in elements)


@pytest.mark.parametrize("with_ids", [True, False])
def test_what_leads_to_an_element(with_ids):
    expected = {
        "A": [("A", "")],
        "A.b": [("A", ""), ("b", "")],
        "A.b.c": [("A", ""), ("b", ""), ("c", "")],
        "A.b:x": [("A", ""), ("b", "x")],
        "A.b:x.c": [("A", ""), ("b", "x"), ("c", "")],
        "A.b:x.c:y.d": [("A", ""), ("b", "x"), ("c", "y"), ("d", "")],
        "A.b:x/z": [("A", ""), ("b", "x/z")],
        "A.e.f": [("A", ""), ("e", ""), ("f", "")],
    }
    elements = []
    for place, keys in expected.items():
        element = {"path": ".".join(name for name, _ in keys)}
        if with_ids:
            element["id"] = place
        if keys[-1][1]:
            element["sliceName"] = keys[-1][1]
        elements.append(element)
        if place == "A.b:x.c" and not with_ids:
            elements.append({"path": "A.b.c", "sliceName": "y"})
    found = [keys for keys, _ in keyed(elements, "u")]
    assert [keys for keys in found if keys[-1] != ("c", "y")] == list(expected.values())


def test_an_id_that_belies_the_path_is_not_believed():
    elements = [
        {"id": "A.b:x", "path": "A.b", "sliceName": "x"},
        {"id": "A.q:z.c", "path": "A.b.c"},
    ]
    assert [keys for keys, _ in keyed(elements, "u")][1] == [("A", ""), ("b", "x"), ("c", "")]


def test_without_ids_what_was_below_another_slice_is_forgotten():
    x, y = ({"path": "A.b", "sliceName": name} for name in "xy")
    elements = [x, {"path": "A.b.c", "sliceName": "z"}, y, {"path": "A.b.c.d"}]
    below = [keys for keys, _ in keyed(elements, "u")][-1]
    assert below[2:] == [("c", ""), ("d", "")]
    assert below[1] == ("b", "y")


def test_a_copy_stands_alone():
    tree = tree_of(Definitions().type("Observation"))
    copy = tree.copy()
    copy.children[0].slice = "x"
    copy.children.pop()
    assert (len(copy.children), tree.children[0].slice) == (len(tree.children) - 1, "")
    assert copy.children[1].facts is tree.children[1].facts
    assert tree.size() == len(Definitions().type("Observation")["snapshot"]["element"])
    assert tree.depth() == 3


def test_names():
    assert list(slice_names("a/b/c")) == ["a", "a/b", "a/b/c"]
    assert list(slice_names("")) == []
    assert is_one_of("value[x]", "valueString")
    assert not is_one_of("value[x]", "value[x]")
    assert not is_one_of("value", "valueString")
    assert not is_one_of("value[x]", "note")

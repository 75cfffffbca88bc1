from __future__ import annotations

import json
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhirdrain.conformance.raw import line_and_column, parse, positions


@pytest.mark.parametrize(
    ("data", "message", "place"),
    [
        (b"", "is empty", (0, 0)),
        (b"  \n ", "is empty", (0, 0)),
        (b"\x89PNG\r\n\x1a\n\0\0\0", "binary", (0, 0)),
        (b'{"a": "caf\xe9"}', "not UTF-8 at byte 11", (1, 0)),
        (b'{\n "a": 1,\n "b": [1, 2', "not JSON", (3, 12)),
        (b'{"a": "unfinis', "not JSON", (1, 7)),
        (b'{"a": 1} {"b": 2}', "not JSON", (1, 10)),
        (b'{"a": NaN}', "NaN is not JSON", (1, 7)),
        (b'{"a": 1e99999999999999999999}', "beyond all measure", (1, 7)),
        (b'{"a": 1e5000}', "beyond all measure", (1, 7)),
        (b'{"a": "\\ud800"}', "lone surrogate", (0, 0)),
        (b'{"a": 01}', "not JSON", (1, 8)),
        (b"[" * 100000, "deep", (0, 0)),
    ],
)
def test_what_is_not_json(data, message, place):
    value, _, issues = parse(data, "f.json")
    assert value is None
    assert message in issues[-1].message
    assert (issues[-1].line, issues[-1].column) == place
    assert issues[-1].severity == "fatal"


def test_a_cut_short_file_says_so():
    _, _, (issue,) = parse(b'{"a": [1,')
    assert "cut short" in issue.hint


def test_numbers_keep_their_digits():
    value, _, _ = parse(b'{"a": 19.00, "b": 19}')
    assert str(value["a"]) == "19.00"
    assert isinstance(value["a"], Decimal)


def test_a_key_that_stands_twice_has_its_place():
    _, _, (issue,) = parse(b'{"a": {"b": 1,\n  "b": 2}}', "f.json")
    assert (issue.rule, issue.line, issue.column) == ("duplicate-key", 2, 3)


def test_a_byte_order_mark_is_only_a_warning():
    value, _, (issue,) = parse(b'\xef\xbb\xbf{"a": 1}')
    assert (value, issue.severity) == ({"a": 1}, "warning")


jsons = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4)
    ),
    max_leaves=20,
)


@given(jsons, st.sampled_from([None, 1, 4]))
def test_positions_lead_to_every_element(value, indent):
    text = json.dumps(value, indent=indent, ensure_ascii=False)
    found = positions(text)

    def visit(part, path):
        offset = found[path]
        if path and isinstance(path[-1], str):
            assert text.startswith(json.dumps(path[-1], ensure_ascii=False), offset)
        elif path:
            decoded, _ = json.JSONDecoder().raw_decode(text, offset)
            assert decoded == part
        if isinstance(part, dict):
            for key, inner in part.items():
                visit(inner, (*path, key))
        elif isinstance(part, list):
            for index, inner in enumerate(part):
                visit(inner, (*path, index))

    visit(value, ())


def test_lines_and_columns_count_from_one():
    assert line_and_column("ab\ncd", 0) == (1, 1)
    assert line_and_column("ab\ncd", 4) == (2, 2)

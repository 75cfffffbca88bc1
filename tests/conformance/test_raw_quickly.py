"""A text that is as our writer makes it is read quickly, and to the same: no other is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from fhirdrain.conformance import raw
from fhirdrain.vocabulary.jsontext import encode

TEXTS = [
    b'{"a":1E5}', b'{"a":1e5}', b'{"a":1E400}', b'{"a":1E-2000}', b'{"a":1.0}', b'{"a":-0.0}',
    b'{"a":-0}', b'{"a":0.10}', b'{"a":1,"a":2}', b'{"a":{"b":1,"b":1}}', b'{"a":"\\ud800"}',
    b'{"a":123456789012345678901234567890}', b"[]", b"{}", b'"x"', b"1", b"null", b"",
    b'{"a":1E-245}', b'{"a":1E+5}', b'{"a":NaN}', b'{"a":' + b"9" * 5000 + b"}",
    b'{"a":' * 200 + b"1" + b"}" * 200, b'{"a":' * 9000 + b"1" + b"}" * 9000,
    b'{"a":"\xc3\xa4"}', b'{"a":"\xff"}', b'\xef\xbb\xbf{"a":1}', b'{ "a" : 1 }\n', b'{"a":1}\n',
    b'{"a":"\\u00e4"}', b'{"a":"\\/"}', b'{"a":1}{"b":2}', b'{"a":1', b"\0",
]  # fmt: skip


def slowly(data, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(raw, "_as_written", lambda data: (False, None))
        return raw.parse(data)


@pytest.mark.parametrize("data", TEXTS, ids=lambda data: repr(data[:24]))
def test_both_ways_say_the_same(data, monkeypatch):
    value, text, issues = raw.parse(data)
    other, same_text, same_issues = slowly(data, monkeypatch)
    assert (repr(value), text, issues) == (repr(other), same_text, same_issues)


def test_what_we_write_is_read_quickly():
    assert raw._as_written(b'{"resourceType":"Patient","x":19.00}\n')[0]
    assert not raw._as_written(b'{"a":1,"a":2}')[0]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5)
    | st.decimals(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=10,
)  # fmt: skip


@hypothesis_settings(max_examples=300, deadline=None)
@given(value=JSON)
def test_any_value_is_read_to_the_same(value):
    data = encode(value)
    with pytest.MonkeyPatch.context() as patch:
        other = slowly(data, patch)
    assert repr(raw.parse(data)) == repr(other)

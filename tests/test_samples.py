"""The samples: valid ones are what map makes, invalid ones have just the findings beside them."""

from __future__ import annotations

import io
import json

import pytest

from fhirdrain.conformance import check_file
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from tests.conftest import ROOT

SAMPLES = ROOT / "sample_bundles"
INVALID = sorted(p for p in (SAMPLES / "invalid").glob("*.json") if ".expected" not in p.name)


@pytest.mark.parametrize(
    ("source", "file", "form", "made"),
    [
        ("rounds", "rounds.csv", "transaction", "rounds.transaction.json"),
        ("surgery", "surgery.tsv", "ndjson", "surgery.ndjson"),
    ],
)
def test_valid_samples_are_what_map_makes_today(tmp_path, source, file, form, made):
    site = load_site(SAMPLES / "scenario" / "site.toml")
    stream = io.BytesIO()
    path = SAMPLES / "scenario" / file
    map_sources([path], site, site.source(source), stream, form=form, rejects=tmp_path / "r")
    assert stream.getvalue() == (SAMPLES / "valid" / made).read_bytes()
    assert check_file(SAMPLES / "valid" / made) == []


@pytest.mark.parametrize("path", INVALID, ids=lambda p: p.stem)
def test_invalid_samples_have_the_findings_beside_them(path):
    expected = json.loads(path.with_suffix(".expected.json").read_text())
    issues = check_file(path)
    assert [(i.rule, i.location) for i in issues] == [(e["rule"], e["location"]) for e in expected]
    for issue, wanted in zip(issues, expected, strict=True):
        assert issue.is_error
        assert issue.line == wanted.get("line", issue.line) > 0
        assert issue.column == wanted.get("column", issue.column)


def test_there_are_invalid_samples_of_each_kind():
    assert len(INVALID) >= 10

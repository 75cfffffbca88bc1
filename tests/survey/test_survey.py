"""The survey: every verdict met with, and without, its fault; streams; what is written."""

from __future__ import annotations

import csv
import html
import io
import json
from html.parser import HTMLParser

import pytest
from click.testing import CliRunner

from fhirdrain.cli.main import group
from fhirdrain.street.surveying import Layout, survey_of
from fhirdrain.survey.judging import VERDICTS, judged
from tests.conftest import ROOT

LOCAL = "https://fhirdrain.example/fhir/CodeSystem/drain"
LOINC, SNOMED = "http://loinc.org", "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"


def observation(system, code, value=None, unit="mL", *, n=0, whose="p", **more):
    found = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": system, "code": code, **more.pop("coding", {})}]},
        "subject": {"identifier": {"value": whose}},
        "effectiveDateTime": f"2025-01-{1 + n // 24:02}T{n % 24:02}:00:00+01:00",
        **more,
    }
    if value is not None:
        found["valueQuantity"] = {"value": value, "unit": unit, "system": UCUM, "code": unit}
    return found


@pytest.fixture
def survey(tmp_path):
    def made(*resources, name="in.ndjson"):
        path = tmp_path / name
        path.write_text("".join(json.dumps(r) + "\n" for r in resources))
        return survey_of([str(path)])

    return made


def rows(found, of):
    return [(r.what, r.verdict, r.write) for r in judged(found) if r.of == of]


@pytest.mark.parametrize(
    ("system", "code", "unit", "verdict", "write"),
    [  # units by LOINC's property: 9129-8 is a volume, 9130-6 to 9134-8 are rates
        (LOINC, "9129-8", "mL", "right", ""),
        (LOINC, "9129-8", "cm3", "not preferred", "mL"),
        (LOINC, "9129-8", "ml", "not preferred", "mL"),
        (LOINC, "9129-8", "cc", "spelling", "mL"),
        (LOINC, "9129-8", "mls", "spelling", "mL"),
        (LOINC, "9129-8", "ML", "wrong kind", "mL"),
        (LOINC, "9129-8", "mL/h", "wrong kind", ""),
        (LOINC, "9129-8", "mg", "wrong kind", ""),
        (LOINC, "9129-8", "buckets", "unknown unit", ""),
        (LOINC, "9134-8", "mL/(24.h)", "right", ""),
        (LOINC, "9134-8", "mL/d", "not preferred", "mL/(24.h)"),
        (LOINC, "9134-8", "mL/24h", "spelling", "mL/(24.h)"),
        (LOINC, "9134-8", "mL/24.h", "wrong kind", "mL/(24.h)"),
        (LOINC, "9134-8", "mL", "wrong kind", ""),
        (LOINC, "9130-6", "mL/hr", "spelling", "mL/h"),
        (LOCAL, "suction-set", "cmH2O", "spelling", "cm[H2O]"),
        (LOCAL, "suction-set", "cmH20", "spelling", "cm[H2O]"),
        (LOCAL, "suction-set", "mBar", "spelling", "mbar"),
        (LOCAL, "suction-set", "kPa", "not preferred", "cm[H2O]"),
        ("http://x.example", "1", "mL", "not judged", ""),
    ],
)
def test_a_verdict_for_each_pair_of_code_and_unit(survey, system, code, unit, verdict, write):
    assert rows(survey(observation(system, code, 5, unit)), "unit") == [(unit, verdict, write)]


def test_a_number_without_a_unit_and_a_text_that_disagrees(survey):
    bare = observation(LOINC, "9129-8", 5)
    bare["valueQuantity"] = {"value": 5}
    assert rows(survey(bare), "unit") == [("(none)", "no unit", "")]
    torn = observation(LOINC, "9129-8", 5)
    torn["valueQuantity"]["unit"] = "L"
    assert rows(survey(torn), "unit") == [("mL / L", "disagrees", "")]
    same = observation(LOINC, "9129-8", 5)
    same["valueQuantity"]["unit"] = "ml"
    assert rows(survey(same), "unit") == [("mL / ml", "right", "")]


@pytest.mark.parametrize(
    ("system", "code", "verdict"),
    [
        (LOINC, "9129-9", "check digit"),  # 9129-8 has the check digit 8 (mod 10)
        (SNOMED, "251843006", "check digit"),  # 251843005 has 5 (Verhoeff)
        (LOINC, "9187-6", "not a chest drain's"),
        (LOINC, "9257-7", "not a chest drain's"),
        (SNOMED, "251844004", "not a chest drain's"),
        ("urn:iso:std:iso:11073:10101", "26668", "not a chest drain's"),
        (LOCAL, "levle", "not a chest drain's"),
    ],
)
def test_a_code_that_is_none_or_of_something_else(survey, system, code, verdict):
    assert [v for _, v, _ in rows(survey(observation(system, code, 5)), "code")] == [verdict]


def test_a_code_that_is_right_has_no_line_of_its_own(survey):
    assert rows(survey(observation(LOINC, "9129-8", 5)), "code") == []


def test_a_name_that_is_not_the_codes(survey):
    wrong = observation(LOINC, "9129-8", 5, coding={"display": "Urine output"})
    right = observation(LOINC, "9129-8", 5, coding={"display": "fluid output CHEST TUBE"})
    assert rows(survey(wrong, right), "name") == [
        ("Urine output", "other name", "Fluid output chest tube")
    ]


LEVELS = [0, 40, 90, 150, 150, 230, 300, 20, 60, 110, 170]
AMOUNTS = [40, 60, 30, 80, 20, 50, 10, 40, 30, 60, 20]


@pytest.mark.parametrize(
    ("system", "code", "series", "verdict"),
    [
        (LOINC, "9129-8", LEVELS, ["like levels"]),
        (LOINC, "9129-8", AMOUNTS, []),
        (LOINC, "9129-8", [0] * 11, []),
        (LOCAL, "level", AMOUNTS, ["like amounts"]),
        (LOCAL, "level", LEVELS, []),
    ],
)
def test_series_that_are_of_the_other_kind(survey, system, code, series, verdict):
    found = survey(
        *(observation(system, code, value, n=n) for n, value in enumerate(series)),
        *(observation(system, code, value, n=n, whose="q") for n, value in enumerate(series)),
    )
    seen = [v for _, v, _ in rows(found, "values") if v.startswith("like")]
    assert seen == verdict


def test_two_drains_are_two_series(survey):
    """Two rising series, one after the other in the file, are no falling one."""
    both = [
        observation(LOCAL, "level", value, n=n, whose=whose)
        for n, value in enumerate([10, 20, 30, 40, 50, 60, 70, 80])
        for whose in ("p", "q")
    ]
    assert [v for _, v, _ in rows(survey(*both), "values")] == []


@pytest.mark.parametrize(
    ("code", "unit", "values", "write"),
    [
        ("level", "mL", [0.2, 0.35, 0.41, 0.5], "L"),
        ("level", "mL", [2, 5, 3, 4, 1], None),  # a small child's drain: whole numbers
        ("level", "L", [200, 350, 410], "mL"),
        ("suction-set", "kPa", [20, 20], "cm[H2O]"),  # 20 kPa are 204 cm[H2O]
        ("suction-set", "kPa", [2, 2], None),
        ("suction-set", "cm[H2O]", [2, 2, 1.5], "kPa"),
        ("suction-set", "cm[H2O]", [20, 10], None),
        ("suction-set", "cm[H2O]", [-20, -10], ""),
        ("level", "mL", [40000], ""),
    ],
)
def test_values_whose_size_speaks_for_another_unit(survey, code, unit, values, write):
    found = survey(*(observation(LOCAL, code, v, unit, n=n) for n, v in enumerate(values)))
    seen = [w for _, v, w in rows(found, "values") if v == "size"]
    assert seen == ([] if write is None else [write])


def word(system, code, *codings, text=None, n=0):
    value = {"coding": [{"system": s, "code": c} for s, c in codings]}
    if text is not None:
        value = {"text": text}
    return observation(system, code, n=n, valueCodeableConcept=value)


@pytest.mark.parametrize(
    ("one", "expected"),
    [
        (word(LOCAL, "swing", (LOCAL, "present")), (f"{LOCAL}|present", "right", "")),
        (word(LOCAL, "swing", (LOCAL, "postive")), (f"{LOCAL}|postive", "unknown word", "")),
        (
            word(SNOMED, "396276007", (SNOMED, "256913008")),
            (f"{SNOMED}|256913008", "not preferred", f"{LOCAL}|serous"),
        ),
        (word(SNOMED, "396276007", (SNOMED, "256913009")),
         (f"{SNOMED}|256913009", "check digit", "")),
        (word("http://x.example", "1", ("http://x.example", "A")),
         ("http://x.example|A", "not judged", "")),
    ],
)  # fmt: skip
def test_words(survey, one, expected):
    assert rows(survey(one), "word") == [expected]


def test_codes_near_ours_are_named_with_what_is_lost(survey):
    """SNOMED CT 18368008 Chyle and 38785003 Air leakage, by the project's ConceptMaps."""
    chyle = survey(word(SNOMED, "396276007", (SNOMED, "18368008")))
    (row,) = [r for r in judged(chyle) if r.of == "word"]
    assert row.verdict == "unknown word"
    assert row.why.startswith("inexact to our milky: ")
    leak = survey(observation(SNOMED, "38785003"))
    (row,) = [r for r in judged(leak) if r.of == "code"]
    assert (row.verdict, row.why.partition(":")[0]) == ("not judged", "inexact to our air-leak")


def test_a_rare_text_is_counted_and_not_shown(survey, tmp_path):
    found = survey(
        *(word(LOCAL, "swing", text="swings", n=n) for n in range(3)),
        word(LOCAL, "swing", text="told his wife", n=4),
    )
    assert rows(found, "word") == [("swings", "unknown word", ""), ("", "not judged", "")]
    for form in ("text", "csv", "json", "html"):
        result = CliRunner().invoke(
            group, ["survey", str(tmp_path / "in.ndjson"), "--as", form], catch_exceptions=False
        )
        assert "wife" not in result.stdout
        assert "swings" in result.stdout


def test_profiles(survey):
    ours = f"{LOCAL.removesuffix('/CodeSystem/drain')}/StructureDefinition/level"
    based = "https://quay-end.example/fhir/StructureDefinition/level"
    other = "https://guide.example/StructureDefinition/x"
    found = survey(
        *(observation(LOCAL, "level", 5, n=n, meta={"profile": [p]})
          for n, p in enumerate((ours, based, other)))
    )  # fmt: skip
    assert sorted(rows(found, "profile")) == sorted(
        [(ours, "right", ""), (based, "not preferred", ""), (other, "unknown profile", "")]
    )


def test_components_are_met_too(survey):
    part = {"code": {"coding": [{"system": LOINC, "code": "9130-6"}]},
            "valueQuantity": {"value": 5, "system": UCUM, "code": "mL/hr"}}  # fmt: skip
    found = survey(observation("http://x.example", "round", component=[part]))
    assert ("mL/hr", "spelling", "mL/h") in rows(found, "unit")


def test_how_often_first_and_last(survey):
    found = survey(*(observation(LOCAL, "level", 5, n=n) for n in (30, 2, 17)))
    (row,) = [r for r in judged(found) if r.of == "unit"]
    assert (row.count, row.first, row.last) == (
        3, "2025-01-01T02:00:00+01:00", "2025-01-02T06:00:00+01:00",
    )  # fmt: skip


# -- files ---------------------------------------------------------------------------------


def test_bundles_lines_and_what_cannot_be_read(tmp_path):
    one = observation(LOCAL, "level", 5)
    (tmp_path / "b.json").write_text(
        json.dumps({"resourceType": "Bundle", "type": "collection",
                    "entry": [{"resource": one}, {"resource": {"resourceType": "Patient"}}]},
                   indent=2)
    )  # fmt: skip
    (tmp_path / "l.ndjson").write_text(json.dumps(one) + "\n{broken\n[]\n")
    (tmp_path / "x.json").write_text("{ not json at all")
    found = survey_of([str(p) for p in sorted(tmp_path.iterdir())])
    assert found.records == 2
    assert found.others == {"Patient": 1}
    assert found.unreadable.total() == 3


def test_messages_of_hl7v2():
    path = ROOT / "sample_bundles" / "forms" / "rounds.hl7"
    found = survey_of([str(path)])
    messages = path.read_bytes().count(b"MSH|")
    assert found.records == messages
    obx = path.read_bytes().count(b"OBX|")
    met = sum(t.seen.count for t in found.tallies.values())
    assert met >= obx
    assert any(r.of == "unit" and r.what == "ml" for r in judged(found))


def test_a_table_by_its_columns_and_by_a_site_file():
    path = ROOT / "sample_bundles" / "scenario" / "rounds.csv"
    lines = len(path.read_text().splitlines()) - 1
    plain = survey_of([str(path)], Layout({"item": "item", "value": "value", "unit": "unit",
                                           "time": "seen"}))  # fmt: skip
    assert plain.records == lines
    site = ROOT / "sample_bundles" / "scenario" / "site.toml"
    result = CliRunner().invoke(
        group,
        ["survey", str(path), "--site", str(site), "--source", "rounds", "--as", "csv"],
        catch_exceptions=False,
    )
    found = list(csv.DictReader(io.StringIO(result.stdout)))
    assert "level" in {row["observable"] for row in found}
    assert {row["verdict"] for row in found} <= set(VERDICTS)
    wide = ROOT / "sample_bundles" / "forms" / "rounds.wide.csv"
    forms = ROOT / "sample_bundles" / "forms" / "site.toml"
    result = CliRunner().invoke(
        group, ["survey", str(wide), "--site", str(forms), "--source", "rounds-wide"],
        catch_exceptions=False,
    )  # fmt: skip
    assert result.exit_code == 0
    assert "level" in result.stdout


@pytest.mark.parametrize(
    ("args", "why"),
    [
        ([], "which of its columns"),
        (["--columns", "value=value"], "needs item and value"),
        (["--columns", "colour=c"], "names no column"),
        (["--columns", "item=nope,value=value"], 'no column "nope"'),
    ],
)
def test_a_table_whose_columns_are_not_said(args, why):
    path = ROOT / "sample_bundles" / "scenario" / "rounds.csv"
    result = CliRunner().invoke(group, ["survey", str(path), *args])
    assert why in str(result.exception)


def test_what_is_written_says_the_same_in_every_form(survey, tmp_path):
    survey(
        *(observation(LOINC, "9129-8", v, "cc", n=n) for n, v in enumerate(AMOUNTS)),
        observation("http://x.example", "<b>&", 5),
    )
    said = {}
    for form in ("text", "csv", "json", "html"):
        out = tmp_path / f"survey.{form}"
        args = ["survey", str(tmp_path / "in.ndjson"), "--as", form, "--out", str(out)]
        result = CliRunner().invoke(group, args, catch_exceptions=False)
        assert "12 records, 2 codes, 1 lines to look at" in result.output
        said[form] = out.read_text()
    body = json.loads(said["json"])
    table = list(csv.DictReader(io.StringIO(said["csv"])))
    assert [r["verdict"] for r in table] == [r["verdict"] for r in body["rows"]]
    assert "look: spelling" in said["text"]
    assert "write: mL" in said["text"]
    assert "look: spelling" in said["html"]
    assert "<b>&" not in said["html"]  # whatever a source sent is escaped
    assert "&lt;b&gt;&amp;" in said["html"]


def test_the_page_needs_nothing_else_and_plots_each_code(survey, tmp_path):
    survey(*(observation(LOINC, "9129-8", v, n=n) for n, v in enumerate(AMOUNTS)))
    out = tmp_path / "survey.html"
    CliRunner().invoke(
        group, ["survey", str(tmp_path / "in.ndjson"), "--out", str(out)], catch_exceptions=False
    )
    text = out.read_text()

    class Tags(HTMLParser):
        def __init__(self):
            super().__init__()
            self.tags, self.bars = set(), 0

        def handle_starttag(self, tag, attrs):
            self.tags.add(tag)
            self.bars += tag == "rect"
            assert not {"src", "href"} & {name for name, _ in attrs}

    tags = Tags()
    tags.feed(text)
    assert "script" not in tags.tags
    assert "default-src 'none'" in html.unescape(text)
    # Ten steps to a power of ten: 10, 12.6, ..., 39.8, 50.1, ...; 40 and 50 are of one size.
    assert tags.bars == 6
    assert "11 numbers in mL, from 10 to 80" in text

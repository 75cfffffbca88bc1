"""JSON lines: paths, nested lists, numbers as they were written, refused lines mended in place."""

from __future__ import annotations

import json

import pytest

from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.site.paths import nest_of, parse_path, value_at, write_path
from tests.intake.conftest import said

LONG = """
kind = "jsonlines"
[sources.one.columns]
row = "readings[].id"
patient = "patient.number"
drain = "readings[].drain"
time = "readings[].at"
item = "readings[].what"
value = "readings[].value"
unit = "readings[].unit"
round = "round"
[sources.one.columns.components]
unit-number = "readings[].more.no"
[sources.one.items.lvl]
observable = "level"
unit = "mL"
[sources.one.items.swg]
observable = "swing"
words = { "true" = "present", "false" = "absent" }
"""
AT = "2025-01-10T10:00:00+01:00"


def reading(id_, what, value, **more):
    return {"id": id_, "drain": "right 1", "at": AT, "what": what, "value": value, **more}


def line(*readings, **more):
    return (
        json.dumps({"patient": {"number": "p-1"}, "round": "r-1", "readings": readings, **more})
        + "\n"
    )


def test_every_element_of_a_list_is_an_item(run):
    text = line(reading("1", "lvl", 100, more={"no": 2}), reading("2", "swg", True)) + line()
    done = run(LONG, ("in.jsonl", text))
    assert said(done) == {("R1", "level", "100", "final"), ("R1", "swing", "present", "final")}
    assert {r.round for r in done.report.readings} == {"r-1"}
    assert [dict(r.parts) for r in done.report.readings if r.observable == "level"] == [
        {"unit-number": 2}
    ]


def test_numbers_keep_their_digits_and_their_marks_mean_one_thing(run):
    text = line(reading("1", "lvl", 0)).replace('"value": 0', '"value": 1.790')
    assert said(run(LONG, ("in.jsonl", text))) == {("R1", "level", "1.790", "final")}
    for written, digits in (("19.00", "19.00"), ("1e3", "1E+3")):
        done = run(LONG, ("in.jsonl", text.replace("1.790", written)))
        assert {v for _, _, v, _ in said(done)} == {digits}
    as_text = run(LONG, ("in.jsonl", text.replace("1.790", '"1.790"')))
    assert [i.rule for i in as_text.report.issues] == ["unsure-mark"]
    comma = LONG.replace('kind = "jsonlines"', 'kind = "jsonlines"\ndecimal = ","')
    assert said(run(comma, ("in.jsonl", text.replace("1.790", "17.5")))) == {
        ("R1", "level", "17.5", "final")
    }


@pytest.mark.parametrize("written", ["NaN", "1e999", "-Infinity", "1e400000000000"])
def test_numbers_beyond_all_measure_are_refused(run, written):
    text = line(reading("1", "lvl", 0)).replace('"value": 0', f'"value": {written}')
    assert [i.rule for i in run(LONG, ("in.jsonl", text)).report.issues] == ["number"]


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ('{"patient": \n', "json"),
        ("[1]\n", "json"),
        ('{"patient": 1, "patient": 2}\n', "json"),
        ('{"patient": {"number": "p-1"}}\n', "no-list"),
        (line(reading("1", "lvl", {"mL": 5})), "value"),
        ('{"patient": {"number": "p-1"}, "readings": 5}\n', "no-list"),
        ("[" * 100000 + "\n", "json"),
    ],
)
def test_lines_that_cannot_be_read(run, text, rule):
    done = run(LONG, ("in.jsonl", text + line(reading("9", "swg", "present"))))
    assert [(i.rule, i.line) for i in done.report.issues] == [(rule, 1)]
    assert (done.report.items, done.report.mapped) == (2, 1)


@pytest.mark.parametrize("value", ["\\ud800", "a\\u0000b", "a\\u001fb", "\\udcfc"])
def test_what_no_text_of_fhir_can_hold_is_refused_and_goes_out_as_it_stood(run, value):
    for key, text in (
        ("value", line(reading("1", "swg", "X"))),
        ("patient", line(reading("1", "swg", "present")).replace("p-1", "X")),
        ("round", line(reading("1", "swg", "present"), round="X")),
    ):
        done = run(LONG, ("in.jsonl", text.replace("X", value)))
        assert [i.rule for i in done.report.issues] == ["character"], key
        assert value in done.rejects.read_text()
        again = run(LONG, ("r.jsonl", done.rejects.read_bytes()), rejects="b.jsonl")
        assert [i.rule for i in again.report.issues] == ["character"]


def test_a_list_or_object_where_a_part_or_a_mark_should_be_is_refused(run):
    done = run(LONG, ("in.jsonl", line(reading("1", "lvl", 5, more={"no": [2]}))))
    assert [i.rule for i in done.report.issues] == ["value"]
    marked = LONG.replace(
        "[sources.one.columns]",
        'set_aside = [{ column = "readings[].state", values = ["closed"] }]\n[sources.one.columns]',
    )
    assert dict(
        run(marked, ("in.jsonl", line(reading("1", "lvl", 5, state="closed")))).report.set_aside
    )
    done = run(marked, ("in.jsonl", line(reading("1", "lvl", 5, state=["closed"]))))
    assert [i.rule for i in done.report.issues] == ["value"]


def test_an_id_of_the_whole_line_cannot_tell_its_elements_apart(run):
    source = LONG.replace('row = "readings[].id"', 'row = "id"')
    with pytest.raises(ConfigurationError, match="is the same for all of it"):
        run(source, ("in.jsonl", line()))


def test_rejects_of_wide_characters_are_known_as_rejects(run):
    source = LONG.replace('kind = "jsonlines"', 'kind = "jsonlines"\nencoding = "utf-16"')
    text = line(reading("1", "swg", "wild"))
    done = run(source, ("in.jsonl", text.encode("utf-16")))
    mended = done.rejects.read_text("utf-16").replace("wild", "reduced").encode("utf-16")
    again = run(source, ("in.jsonl", text.encode("utf-16")), ("m.jsonl", mended), rejects="b.jsonl")
    assert (again.report.mapped, again.report.rejected) == (1, 0)


def test_an_issue_names_the_element(run):
    text = line(reading("1", "lvl", 5), reading("2", "lvl", "many"))
    (issue,) = run(LONG, ("in.jsonl", text)).report.issues
    assert issue.message.startswith("readings[1].value: ")
    assert issue.value == "many"


def test_a_refused_element_goes_out_alone_and_comes_back_mended(run):
    text = line(reading("1", "lvl", 100), reading("2", "swg", "swinging"), note="7.50")
    done = run(LONG, ("in.jsonl", text))
    assert (done.report.mapped, done.report.rejected) == (1, 1)
    (refused,) = map(json.loads, done.rejects.read_text().splitlines())
    assert refused["readings"][0] is None
    assert refused["readings"][1]["value"] == "swinging"
    assert "not a value that item" in refused["fhirdrain_why"]
    mended = done.rejects.read_text().replace('"swinging"', '"reduced"')
    again = run(LONG, ("in.jsonl", text), ("mended.jsonl", mended), rejects="again.jsonl")
    assert (again.report.items, again.report.mapped, again.report.rejected) == (3, 2, 0)
    assert ("R1", "swing", "reduced", "final") in said(again)


def test_a_line_that_is_no_json_comes_back_mended(run):
    text = line(reading("1", "lvl", 100)).rstrip()[:-1] + "\n"
    done = run(LONG, ("in.jsonl", text))
    (refused,) = map(json.loads, done.rejects.read_text().splitlines())
    assert refused["fhirdrain_line"] == text.rstrip()
    refused["fhirdrain_line"] += "}"
    mended = json.dumps(refused) + "\n"
    again = run(LONG, ("in.jsonl", text), ("mended.jsonl", mended), rejects="again.jsonl")
    assert (again.report.mapped, again.report.rejected) == (1, 0)
    still = run(
        LONG, ("in.jsonl", text), ("mended.jsonl", done.rejects.read_text()), rejects="b.jsonl"
    )
    assert (still.report.mapped, still.report.rejected) == (0, 1)


@pytest.mark.parametrize("inner", ["[1]", "5", "null", "true", '"x"', "[]"])
def test_a_mended_line_that_is_no_object_is_refused_again(run, inner):
    mended = f'{{"fhirdrain_why": "in.jsonl:1:00000000: not JSON", "fhirdrain_line": {inner}}}\n'
    done = run(LONG, ("m.jsonl", mended))
    assert [i.rule for i in done.report.issues] == ["json"]
    assert [
        i.rule for i in run(LONG, ("r.jsonl", done.rejects.read_bytes()), rejects="b").report.issues
    ] == ["json"]


def test_an_unknown_key_mended_in_part_withdraws_nothing(run):
    first = {
        "id": "1",
        "pat": "p-1",
        "at": AT,
        "chamber": {"level": 100},
        "swing": "wild",
        "more": 1,
    }
    text = json.dumps(first) + "\n"
    done = run(WIDE, ("in.jsonl", text))
    second = run(
        WIDE, ("in.jsonl", text), ("m.jsonl", done.rejects.read_bytes()), rejects="b.jsonl"
    )
    mended = second.rejects.read_text().replace("wild", "reduced").replace(', "more": 1', "")
    again = run(WIDE, ("in.jsonl", text), ("m.jsonl", mended), rejects="c.jsonl")
    assert said(again) == {("R1", "level", "100", "final"), ("R1", "swing", "reduced", "final")}


def test_a_line_that_is_no_json_is_mended_into_all_its_elements(run):
    text = line(reading("1", "lvl", 100), reading("2", "swg", "present")).rstrip()[:-2] + "\n"
    done = run(LONG, ("in.jsonl", text))
    refused = json.loads(done.rejects.read_text())
    refused["fhirdrain_line"] += "]}" if not refused["fhirdrain_line"].endswith("]") else "}"
    mended = json.dumps(refused) + "\n"
    again = run(LONG, ("in.jsonl", text), ("m.jsonl", mended), rejects="b.jsonl")
    assert said(again) == {("R1", "level", "100", "final"), ("R1", "swing", "present", "final")}
    assert again.report.rejected == 0


WIDE = """
kind = "jsonlines"
layout = "wide"
[sources.one.columns]
row = "id"
patient = "pat"
time = "at"
[sources.one.items."chamber.level"]
observable = "level"
unit = "mL"
drain = "R1"
[sources.one.items.swing]
observable = "swing"
drain = "R1"
"""


def test_wide_lines_name_an_item_by_its_path(run):
    first = {"id": "1", "pat": "p-1", "at": AT, "chamber": {"level": 100}, "swing": "present"}
    second = {"id": "1", "pat": "p-1", "at": AT, "chamber": {}, "swing": "absent"}
    text = json.dumps(first) + "\n" + json.dumps(second) + "\n"
    assert said(run(WIDE, ("in.jsonl", text))) == {
        ("R1", "level", "100", "entered-in-error"),
        ("R1", "swing", "absent", "corrected"),
    }


def test_a_refused_value_of_a_wide_line_comes_back_mended(run):
    text = json.dumps(
        {"id": "1", "pat": "p-1", "at": AT, "chamber": {"level": 100}, "swing": "wild"}
    )
    done = run(WIDE, ("in.jsonl", text + "\n"))
    (refused,) = map(json.loads, done.rejects.read_text().splitlines())
    assert refused["chamber"] == {}
    mended = done.rejects.read_text().replace("wild", "reduced")
    again = run(WIDE, ("in.jsonl", text + "\n"), ("m.jsonl", mended), rejects="again.jsonl")
    assert (again.report.mapped, again.report.rejected) == (2, 0)
    assert said(again) == {("R1", "level", "100", "final"), ("R1", "swing", "reduced", "final")}


@pytest.mark.parametrize(
    "more",
    [{"swng": "present"}, {"chamber.level": 12}, {"chamber": [{"level": 12}]}, {"more": {"x": 1}}],
)
def test_what_a_wide_line_says_beyond_the_site_file_is_refused(run, more):
    text = json.dumps({"id": "1", "pat": "p-1", "at": AT, "swing": "present", **more})
    done = run(WIDE, ("in.jsonl", text + "\n"))
    assert [i.rule for i in done.report.issues] == ["unknown-item"]
    assert (done.report.items, done.report.mapped) == (2, 1)
    empty = dict.fromkeys(more)
    done = run(WIDE, ("in.jsonl", json.dumps({"id": "1", "pat": "p-1", "at": AT, **empty}) + "\n"))
    assert done.report.items == 0


@pytest.mark.parametrize("chamber", ["oops", 5, True, [], ["x"], None])
def test_a_refused_line_of_another_shape_goes_out_all_the_same(run, chamber):
    line_ = {"id": "1", "pat": "p-1", "at": AT, "chamber": chamber, "swing": "wild"}
    done = run(WIDE, ("in.jsonl", json.dumps(line_) + "\n"))
    assert "unknown-word" in {i.rule for i in done.report.issues}
    assert "wild" in done.rejects.read_text()


def test_bytes_of_another_encoding_are_refused_and_written_out_whole(run):
    good = line(reading("1", "lvl", 100))
    bad = line(reading("2", "swg", "x")).encode().replace(b'"x"', b'"\xfc"')
    done = run(LONG, ("in.jsonl", good.encode() + bad))
    assert [(i.rule, i.line) for i in done.report.issues] == [("encoding", 2)]
    mended = done.rejects.read_bytes().replace(b"\xfc", b"present")
    again = run(LONG, ("in.jsonl", good.encode() + bad), ("m.jsonl", mended), rejects="again.jsonl")
    assert (again.report.mapped, again.report.rejected) == (2, 0)


def test_an_empty_file_is_no_source(run):
    with pytest.raises(SourceError, match="empty"):
        run(LONG, ("in.jsonl", b""))


@pytest.mark.parametrize("path", ["", "a..b", ".a", "a.", "a[x]", "a[", "a b"])
def test_paths_that_are_none(path):
    with pytest.raises(ValueError, match="not a path"):
        parse_path(path)


def test_paths_are_written_as_they_are_read():
    for path in ("a.b", "a[].b[0]", '"a.b".c', "a[][]"):
        assert write_path(parse_path(path)) == path
    assert value_at({"a": [{"b": [7]}]}, parse_path("a[].b[0]"), (0,)) == 7
    assert value_at({"a": [{"b": []}]}, parse_path("a[].b[0]"), (0,)) is None


def test_lists_side_by_side_are_a_fault_of_the_site_file(run):
    with pytest.raises(ValueError, match="side by side"):
        nest_of([parse_path("a[].b"), parse_path("c[].d")])
    source = LONG.replace('"patient.number"', '"patients[].number"')
    with pytest.raises(ConfigurationError, match="side by side"):
        run(source, ("in.jsonl", line()))

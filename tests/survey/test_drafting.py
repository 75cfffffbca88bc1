"""draft-site: measured on two real dictionaries, and tried on invented ones in seven languages.

The real dictionaries (see README.md beside this) are read where they lie beside the project; the
labels were made by hand before the code. The invented ones are no measure: what is in them was
mended until it came out.
"""

from __future__ import annotations

import csv
import re
import tomllib
from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner

from fhirdrain.cli.main import group
from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.site import load_site, read_site
from fhirdrain.street.drafting import read_dictionary, read_names
from fhirdrain.survey.drafting import Entry, draft, languages_of
from fhirdrain.survey.proposing import site_file
from fhirdrain.survey.terms import LANGUAGES, matches, terms, words_of
from fhirdrain.vocabulary.observables import CHARTED
from tests.conftest import SHARED

HERE = Path(__file__).parent
REAL = SHARED / "real"
NAMES = ("items", "dutch_items")

needs_real = pytest.mark.skipif(
    not (REAL / "items.csv").is_file(), reason="the real dictionaries are not beside the project"
)


def labels(name="labels.csv"):
    with (HERE / name).open(encoding="utf-8") as stream:
        return {(row["dictionary"], row["code"]): row for row in csv.DictReader(stream)}


def is_right(label, found):
    """Tell whether a firm proposal is what the label says, in side and space too."""
    if label["verdict"] != "drain" or label["ask"] == "yes":
        return False
    proposed = set(found.observables)
    rights = [set(right.split("+")) for right in label["observables"].split("|")]
    return (
        any(proposed and proposed <= right for right in rights)
        and label["side"] in ("", found.side)
        and label["space"] in ("", found.space)
    )


def measured(half, file="labels.csv"):
    counts = Counter()
    wrong = []
    halves, known = labels(), labels(file)
    for name in NAMES:
        for found in draft(read_dictionary(str(REAL / f"{name}.csv"))):
            label = known[name, found.entry.code]
            if halves[name, found.entry.code]["half"] != half:
                continue
            firm = found.grade == "firm"
            counts["firm"] += firm
            counts["right"] += firm and is_right(label, found)
            counts["drain items"] += label["verdict"] == "drain"
            counts["can be known"] += label["verdict"] == "drain" and label["ask"] == "no"
            counts["drain items left out"] += label["verdict"] == "drain" and found.grade == "out"
            if firm and not is_right(label, found):
                wrong.append((name, found.entry.code, label["kind"] or label["observables"]))
            if firm and label["verdict"] == "out":
                counts["firm, and no chest drain's"] += 1
            if firm and "level" in label["observables"] and "output" in found.observables:
                counts["a level proposed as an output"] += 1
            if firm and label["space"] == "pericardial" != found.space:
                counts["a pericardial drain proposed as a chest tube"] += 1
    return counts, wrong


@needs_real
@pytest.mark.parametrize("file", ["labels.csv", "labels_second.csv"])
@pytest.mark.parametrize("half", ["a", "b"])
def test_on_the_real_dictionaries(half, file):
    counts, wrong = measured(half, file)
    print(half, file, dict(counts), wrong)
    assert counts["right"] >= 0.95 * counts["firm"], wrong
    assert counts["right"] >= 0.85 * counts["can be known"]
    for never in (
        "firm, and no chest drain's",
        "a level proposed as an output",
        "a pericardial drain proposed as a chest tube",
    ):
        assert counts[never] == 0, never
    # The second labelling asks of what was put in by some irrigations; they are left out here.
    assert counts["drain items left out"] <= (0 if file == "labels.csv" else 4)


def test_every_label_is_of_a_half_and_names_observables_that_are_there():
    assert all(row["half"] in "ab" for row in labels().values())
    assert labels().keys() == labels("labels_second.csv").keys()
    assert len(labels()) == 265 + 59
    for row in (*labels().values(), *labels("labels_second.csv").values()):
        names = [n for n in re.split(r"[|+]", row["observables"]) if n]
        assert set(names) <= set(CHARTED)
        assert (row["verdict"] == "out") == bool(row["kind"])


# -- invented dictionaries in seven languages ------------------------------------------------


def invented():
    with (HERE / "dictionaries.csv").open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def entry(row):
    words = {word: 1 for word in row["words"].split("|") if word}
    return Entry(row["code"], row["label"], row["unit"], row["category"], words)


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_dictionary_of_each_language(language):
    rows = [row for row in invented() if row["language"] == language]
    assert len(rows) >= 18
    found = draft([entry(row) for row in rows])
    said = [(d.entry.code, d.grade, d.observables[0] if d.grade == "firm" else "") for d in found]
    assert said == [(row["code"], row["grade"], row["observables"]) for row in rows]
    assert all(d.reasons for d in found)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_language_is_told_by_the_labels(language):
    rows = [entry(row) for row in invented() if row["language"] == language]
    assert languages_of(rows)[0] == language


def test_the_tables_of_terms_have_the_same_entries():
    english = {section: set(entries) for section, entries in terms("en").items()}
    for language in LANGUAGES:
        assert {s: set(e) for s, e in terms(language).items()} == english
    assert english["says"] <= set(CHARTED)


def test_how_patterns_are_looked_for():
    words = words_of("Thoraxdrain1 Füllstand, 24h")
    assert words == ["thoraxdrain", "1", "fullstand", "24", "h"]
    assert [m.text for m in matches(words, ["*drain*"])] == ["thoraxdrain"]
    assert [m.text for m in matches(words, ["drain*"])] == []
    assert [m.text for m in matches(words, ["*stand"])] == ["fullstand"]
    assert [m.text for m in matches(words, ["24h"])] == ["24 h"]


# -- the proposed file ------------------------------------------------------------------------


@pytest.fixture
def proposed(tmp_path):
    """Propose a site file from the invented dictionary of all languages."""

    def made(rows):
        found = draft([entry(row) for row in rows], LANGUAGES[:])
        path = tmp_path / "site.toml"
        path.write_text(site_file(found, "rounds"), encoding="utf-8")
        return path, found

    return made


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_is_proposed_is_toml_in_which_only_the_marks_are_faults(tmp_path, language):
    rows = [entry(row) for row in invented() if row["language"] == language]
    found = draft(rows)
    path = tmp_path / "site.toml"
    path.write_text(site_file(found, "rounds"), encoding="utf-8")
    data = tomllib.loads(path.read_text())
    items = data["sources"]["rounds"]["items"]
    assert set(items) == {d.entry.code for d in found if d.grade != "out"}
    for d in found:
        if d.grade != "out":
            assert items[d.entry.code].get("draft", False) == (d.grade == "ask")
    for code in (d.entry.code for d in found if d.grade == "out"):
        assert f"#   {code} " in path.read_text()
    _, issues = read_site(path)
    assert {issue.message for issue in issues} == {"still a draft"}
    # Once somebody has looked, and taken the marks away, map takes it.
    path.write_text(re.sub(r"(?m)^draft = true.*\n", "", path.read_text()))
    site = load_site(path)
    assert set(site.sources["rounds"].items) == set(items)


def test_map_refuses_a_file_with_a_mark_left(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(site_file(draft([Entry("1", "Chest drain level", "mL")]), "rounds"))
    (tmp_path / "in.csv").write_text("row,patient,drain,time,item,value,unit\n")
    result = CliRunner().invoke(
        group, ["map", str(tmp_path / "in.csv"), "--site", str(path), "--out", "-"]
    )
    assert isinstance(result.exception, ConfigurationError)
    assert "still a draft" in str(result.exception)


def one(label, unit="", beside="", words=()):
    return draft([Entry("x", label, unit, beside, dict.fromkeys(words, 1))], ["en"])[0]


def test_what_it_never_does():
    assert one("Chest drain level", "mL").observables == ("level",)
    assert one("Chest drain level", "mL", "output table").observables == ("level",)
    assert one("Pericardial drain output", "mL").space == "pericardial"
    assert one("Pericardial drain 1").drain == "P1"
    assert one("Chest drain total", "mL").grade == "ask"
    assert one("Chest drain fluctuation/leak").grade == "ask"
    assert one("Chest tube irrigation output", "mL", "output").grade == "out"
    assert one("Left thoracentesis #2", "mL", "output").grade == "out"


def test_side_number_and_drain():
    assert (one("L Pleural #2", "", "outputevents").drain, one("CT #3 Leak").drain) == ("L2", "T3")
    assert one("Chest drain left 24h total").drain == "L1"
    right = one("Chest drain right swing")
    assert (right.side, right.drain) == ("right", "R1")


def test_suction_from_a_gauge_is_asked_and_settings_are_read():
    assert one("Chest drain suction", "kPa").grade == "ask"
    assert one("Chest drain suction", "cmH2O").scale == "regulator"
    assert one("Chest drain suction amount").grade == "firm"
    assert one("Chest drain suction").grade == "ask"  # how much, or whether
    assert one("Chest drain air leak score").grade == "ask"
    found = one("Chest drain suction", words=["-20 cm H2O", "- 10 cmH2O", "Water seal", "Clamped"])
    assert found.words == {
        "-20 cm H2O": {"mode": "suction", "suction-set": "20 cm[H2O]"},
        "- 10 cmH2O": {"mode": "suction", "suction-set": "10 cm[H2O]"},
        "Water seal": {"mode": "water-seal"},
        "Clamped": {"mode": "clamped"},
    }


def test_no_leak_is_not_none_where_nobody_says_that_cough_was_tried():
    found = one("Chest drain air leak", words=["+", "-"])
    assert found.words == {
        "+": {"value": "present"}, "-": {"at-rest": "none", "on-cough": "not-tested"},
    }  # fmt: skip


def test_values_without_a_meaning_are_named():
    found = one("Chest drain colour", words=["Serous", "Bloody", "Tea"])
    assert (found.grade, found.open_words) == ("firm", ("Tea",))
    assert "Tea" in "; ".join(found.reasons)
    assert one("Chest drain colour", words=["A", "B", "Serous"]).grade == "ask"


# -- dictionaries as files ----------------------------------------------------------------------


def test_a_value_a_row_and_other_names_of_columns(tmp_path):
    path = tmp_path / "items.csv"
    path.write_text(
        "ItemID;Bezeichnung;Einheit;Wert;Anzahl\n"
        "7;Thoraxdrain Farbe;;serös;12\n7;Thoraxdrain Farbe;;blutig;3\n8;Thoraxdrain Stand;ml;;\n",
        encoding="utf-8-sig",
    )
    first, second = read_dictionary(str(path))
    assert (first.code, first.label, first.words) == (
        "7", "Thoraxdrain Farbe", {"serös": 12, "blutig": 3},
    )  # fmt: skip
    assert (second.unit, second.words) == ("ml", {})


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("a,b\n1,2\n", "which column is the code"),
        ("code,label\n", "no item in it"),
        ("code,label\n,x\n", "line 2 has no code"),
        ("code,label\n1,\n", "line 2 has no code or no label"),
        ('code,label\n1,"x\n', "not a CSV"),
    ],
)
def test_a_dictionary_that_cannot_be_read(tmp_path, text, why):
    path = tmp_path / "items.csv"
    path.write_text(text)
    with pytest.raises((SourceError, ConfigurationError), match=why):
        read_dictionary(str(path))


def test_columns_by_name(tmp_path):
    path = tmp_path / "items.csv"
    path.write_text("a,b,c\n1,Chest drain level,mL\n")
    (found,) = read_dictionary(str(path), read_names("code=a,label=b,unit=c"))
    assert (found.label, found.unit) == ("Chest drain level", "mL")
    with pytest.raises(ConfigurationError, match='no column "z"'):
        read_dictionary(str(path), read_names("code=z,label=b"))
    with pytest.raises(ConfigurationError, match="names no column"):
        read_names("colour=a")


@pytest.mark.parametrize("form", ["toml", "csv"])
def test_the_command(tmp_path, form):
    path = tmp_path / "items.csv"
    path.write_text(
        'code,label,unit\n"a ""b""",Chest drain level,mL\n2,Thoracentesis,mL\n3,Chest drain x,\n'
    )
    result = CliRunner().invoke(
        group, ["draft-site", str(path), "--as", form, "--name", "ward"], catch_exceptions=False
    )
    assert result.exit_code == 0
    assert "3 items: 1 firm, 1 to be asked, 1 left out" in result.output
    if form == "toml":
        items = tomllib.loads(result.stdout)["sources"]["ward"]["items"]
        assert items['a "b"'] == {"observable": "level", "unit": "mL"}
    bad = CliRunner().invoke(group, ["draft-site", str(path), "--name", "a b"])
    assert "cannot name a source" in str(bad.exception)

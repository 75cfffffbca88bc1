"""What sources differ in: encodings, marks, line ends, times, and words of four languages."""

from __future__ import annotations

import codecs
from decimal import Decimal

import pytest

from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.site.words import LANGUAGES, word_list
from fhirdrain.vocabulary.observables import OBSERVABLES
from tests.intake.conftest import said

TABLE = """
kind = "table"
{more}
[sources.one.columns]
row = "id"
patient = "pat"
drain = "drain"
time = "seen"
item = "item"
value = "value"
note = "note"
recorded = "stored"
{columns}
[sources.one.items.lvl]
observable = "level"
unit = "mL"
[sources.one.items.out]
observable = "output"
unit = "mL"
[sources.one.items.col]
observable = "appearance"
{use}
[sources.one.items.swg]
observable = "swing"
"""
HEAD = "id,pat,drain,seen,item,value,note,stored,extra\n"


def source(more="", columns="", use=""):
    return TABLE.format(more=more, columns=columns, use=use)


def row(item, value, *, id_="1", seen="2025-01-10 10:00", note="", stored="", extra=""):
    return f"{id_},p-1,right 1,{seen},{item},{value},{note},{stored},{extra}\n"


# -- encodings and line ends ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("named", "codec", "mark"),
    [
        ("utf-8", "utf-8", b""),
        ("utf-8", "utf-8", codecs.BOM_UTF8),
        ("UTF_8", "utf-8", codecs.BOM_UTF8),
        ("cp1252", "cp1252", b""),
        ("iso-8859-15", "iso-8859-15", b""),
        ("utf-16", "utf-16", b""),  # the codec writes its mark itself
        ("utf-16-le", "utf-16-le", b""),
        ("utf-16-le", "utf-16-le", codecs.BOM_UTF16_LE),
    ],
)
def test_encodings_with_and_without_their_marks(run, named, codec, mark):
    data = mark + (HEAD + row("lvl", "19.0", note="Größe")).encode(codec)
    done = run(source(f'encoding = "{named}"'), ("in.csv", data))
    assert said(done) == {("R1", "level", "19.0", "final")}
    assert done.report.readings[0].note == "Größe"


@pytest.mark.parametrize("mark", [codecs.BOM_UTF8, codecs.BOM_UTF16_LE])
def test_a_mark_of_another_encoding_is_said(run, mark):
    with pytest.raises(SourceError, match="mark of utf"):
        run(source('encoding = "cp1252"'), ("in.csv", mark + HEAD.encode()))


def test_line_ends_of_windows_and_inside_quotes(run):
    text = (
        HEAD
        + row("lvl", "19", note='"two\nlines, and ""quoted"""')
        + row("swg", "present", id_="2")
    )
    done = run(source(), ("in.csv", text.replace("\n", "\r\n").encode()))
    assert done.report.mapped == 2
    assert {r.note for r in done.report.readings} == {'two\r\nlines, and "quoted"', None}


def test_decimal_comma_and_thousands(run):
    text = (HEAD + row("lvl", '"1.790,50"')).encode()
    done = run(source('decimal = ","\nthousands = "."'), ("in.csv", text))
    assert said(done) == {("R1", "level", "1790.50", "final")}
    without = run(source('decimal = ","'), ("in.csv", text))
    assert [i.rule for i in without.report.issues] == ["number"]


# -- times ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("minutes", "time"),
    [
        ("0", "2025-10-25T22:00:00+02:00"),
        ("-90", "2025-10-25T20:30:00+02:00"),
        ("90.5", "2025-10-25T23:30:30+02:00"),
        # True minutes go through the hour that comes twice: 22:00 and six hours is 03:00.
        ("360", "2025-10-26T03:00:00+01:00"),
    ],
)
def test_minutes_from_admission(run, minutes, time):
    text = HEAD + row("lvl", "5", seen=minutes, extra="25.10.2025 22:00")
    more = 'time_format = "minutes"\nadmission_format = "%d.%m.%Y %H:%M"'
    done = run(source(more, 'admission = "extra"'), ("in.csv", text))
    assert [r.time.isoformat() for r in done.report.readings] == [time]


def test_minutes_have_the_marks_of_the_source_and_admission_its_own_column(run):
    text = HEAD + row("lvl", "5", seen='"61,5"', extra="2025-01-10 07:00")
    more = 'time_format = "minutes"\ndecimal = ","'
    done = run(source(more, 'admission = "extra"'), ("in.csv", text))
    assert [r.time.isoformat() for r in done.report.readings] == ["2025-01-10T08:01:30+01:00"]
    bad = HEAD + row("lvl", "5", seen="61", extra="yesterday")
    (issue,) = run(source(more, 'admission = "extra"'), ("in.csv", bad)).report.issues
    assert issue.message.startswith('column "extra"')


@pytest.mark.parametrize("minutes", ["", "ten", "1e3", "99999999999", "999999999"])
def test_minutes_that_are_none(run, minutes):
    text = HEAD + row("lvl", "5", seen=minutes, extra="2025-10-25 22:00")
    done = run(source('time_format = "minutes"', 'admission = "extra"'), ("in.csv", text))
    assert [i.rule for i in done.report.issues] == ["time"]


def test_minutes_need_the_time_they_count_from(run):
    with pytest.raises(ConfigurationError, match='"admission" is not named'):
        run(source('time_format = "minutes"'), ("in.csv", HEAD))


def test_a_date_alone_is_refused_until_the_site_file_says_what_it_means(run):
    text = HEAD + row("out", "240", seen="2025-10-24")
    (issue,) = run(source(), ("in.csv", text)).report.issues
    assert (issue.rule, "date_only" in issue.hint) == ("date-only", True)
    at_seven = run(source('date_only = "07:00"'), ("in.csv", text))
    assert [r.time.isoformat() for r in at_seven.report.readings] == ["2025-10-24T07:00:00+02:00"]
    assert dict(at_seven.report.assumed) == {"a date without a time of day read as 07:00": 1}


def test_a_date_can_mean_the_day_that_begins_on_it(run):
    text = (
        HEAD
        + row("out", "240", seen="25.10.2025")
        + row("swg", "present", id_="2", seen="25.10.2025")
    )
    done = run(source('date_only = "day"\ntime_format = "%d.%m.%Y"'), ("in.csv", text))
    (reading,) = done.report.readings
    # Clocks go back in that night: the day has 25 hours.
    assert (reading.start.isoformat(), reading.time.isoformat()) == (
        "2025-10-25T07:00:00+02:00",
        "2025-10-26T07:00:00+01:00",
    )
    assert [(i.rule, i.line) for i in done.report.issues] == [("date-only", 3)]


def test_a_time_of_day_still_counts_where_dates_may_stand_alone(run):
    text = (
        HEAD
        + row("lvl", "5", seen="10.01.2025 14:30")
        + row("lvl", "6", id_="2", seen="11.01.2025")
    )
    more = 'date_only = "07:00"\ntime_format = "%d.%m.%Y %H:%M"'
    done = run(source(more), ("in.csv", text))
    assert [r.time.strftime("%d %H:%M") for r in done.report.readings] == ["10 14:30", "11 07:00"]


def test_a_pattern_without_a_time_of_day_needs_date_only(run):
    with pytest.raises(ConfigurationError, match="no full time of day"):
        run(source('time_format = "%d.%m.%Y"'), ("in.csv", HEAD))
    with pytest.raises(ConfigurationError, match="not a time of day"):
        run(source('date_only = "7 h"'), ("in.csv", HEAD))


def test_charted_ahead_is_kept_and_counted(run):
    text = HEAD + row("lvl", "5", stored="2025-01-10 09:40")
    done = run(source(), ("in.csv", text))
    assert (done.report.mapped, done.report.ahead) == (1, 1)
    assert done.observation("level")[0]["issued"] == "2025-01-10T09:40:00+01:00"


# -- word lists -----------------------------------------------------------------------------


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_word_of_a_list_is_one_that_a_site_file_could_say(run, language):
    for name in word_list(language):
        sections = (
            f'[sources.one.items.x]\nobservable = "{name}"\nuse = "{language}"\ndrain = "R1"\n'
        )
        run(source() + sections, ("in.csv", HEAD))  # a site file with a fault is refused


def test_the_lists_speak_of_the_same_things():
    spoken = {language: set(word_list(language)) for language in LANGUAGES}
    assert len(set(map(frozenset, spoken.values()))) == 1
    words = {name: set(OBSERVABLES[name].words) for name in spoken["de"]}
    for language in LANGUAGES:
        for name, entries in word_list(language).items():
            said = {e if isinstance(e, str) else e.get("value") for e in entries.values()}
            if name not in ("air-leak", "mode", "mode-ordered", "appearance", "unit-change"):
                assert said == words[name], (language, name)


# design: bare words that could mean two things are not mapped until the site file says so.
@pytest.mark.parametrize(
    "word",
    ["blubbert", "intermittierend", "blutig tingiert", "auf Schwerkraft", "bulle", "intermittent",
     "teinté de sang", "borrelt", "intermitterend", "op hevel", "burbujea", "a gravedad",
     "bubbling", "to gravity", "off suction", "1", "grade 2", "positiv", "negativ"],
)  # fmt: skip
def test_words_that_could_mean_two_things_are_on_no_list(word):
    for language in LANGUAGES:
        for entries in word_list(language).values():
            assert word.lower() not in {text.lower() for text in entries}


@pytest.mark.parametrize(
    ("language", "word", "value", "parts"),
    [
        ("de", "Serös-blutig", "serosanguineous", {}),
        ("de", "blutig, dunkelrot", "bloody", {"hue": "dark-red"}),
        ("fr", "séro-hématique", "serosanguineous", {}),
        ("nl", "troebel", "cloudy", {}),
        ("es", "lechoso", "milky", {}),
    ],
)
def test_a_list_is_drawn_on_only_by_name_and_each_use_is_counted(run, language, word, value, parts):
    text = HEAD + row("col", f'"{word}"')
    silent = run(source(), ("in.csv", text))
    assert [i.rule for i in silent.report.issues] == ["unknown-word"]
    done = run(source(use=f'use = "{language}"'), ("in.csv", text))
    (reading,) = done.report.readings
    assert (reading.value, dict(reading.parts), reading.text) == (value, parts, word)
    assert dict(done.report.drawn) == {(word, language): 1}


def test_the_site_files_own_words_come_before_the_list(run):
    use = 'use = "de"\nwords = { "trüb" = "milky" }'
    done = run(source(use=use), ("in.csv", HEAD + row("col", "trüb")))
    assert said(done) == {("R1", "appearance", "milky", "final")}
    assert not done.report.drawn


@pytest.mark.parametrize(
    ("item", "message"),
    [
        ('observable = "swing"\nuse = "dk"', 'there is no word list "dk"'),
        ('observable = "level"\nunit = "mL"\nuse = "de"', "has no level"),
        ('words = { "x" = { mode = "suction" } }\nuse = "de"', "needs the observable"),
    ],
)
def test_lists_that_cannot_be_drawn_on(run, item, message):
    with pytest.raises(ConfigurationError, match=message):
        run(source() + f"[sources.one.items.x]\n{item}\n", ("in.csv", HEAD))


def test_a_word_that_two_lists_read_differently_is_a_fault(run, monkeypatch):
    lists = {"de": {"swing": {"weg": "absent"}}, "nl": {"swing": {"Weg": "present"}}}
    monkeypatch.setattr("fhirdrain.site.items.word_list", lists.__getitem__)
    item = '[sources.one.items.x]\nobservable = "swing"\nuse = ["nl", "de"]\n'
    with pytest.raises(ConfigurationError, match="means different things in nl and de"):
        run(source() + item, ("in.csv", HEAD))


def test_a_grade_goes_along_with_the_name_of_its_scale(run):
    item = """[sources.one.items.air]
observable = "air-leak"
graded_by = "our scale of leaks, 0 to 7"
words = { "3" = { at-rest = "present", on-cough = "present" } }
"""
    done = run(source() + item, ("in.csv", HEAD + row("air", "3")))
    (leak,) = done.observation("air-leak")
    assert leak["valueCodeableConcept"]["text"] == "3 (our scale of leaks, 0 to 7)"
    assert leak["valueCodeableConcept"]["coding"][0]["code"] == "present"


# -- numbers --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "unit", "text", "value"),
    [
        ("pleural-pressure", "cm[H2O]", "-8", "-8"),
        ("pleural-pressure", "cm[H2O]", "\u22128.5", "-8.5"),
        ("pleural-pressure", "mm[Hg]", "-10", "-13.5951"),
        ("air-leak-flow", "L/min", "0.5", "500"),
        ("skin-mark", "cm", "14.0", "14.0"),
        ("water-seal-level", "mm", "20", "2"),
        ("instilled", "mL", "50", "50"),
    ],
)
def test_further_quantities(run, name, unit, text, value):
    item = f'[sources.one.items.x]\nobservable = "{name}"\nunit = "{unit}"\n'
    done = run(source() + item, ("in.csv", HEAD + row("x", text)))
    assert [r.value for r in done.report.readings] == [Decimal(value)]


@pytest.mark.parametrize(
    ("name", "unit", "text"),
    [
        ("pleural-pressure", "cm[H2O]", "-201"),
        ("skin-mark", "cm", "-1"),
        ("instilled", "mL", "10001"),
    ],
)
def test_numbers_that_are_not_possible(run, name, unit, text):
    item = f'[sources.one.items.x]\nobservable = "{name}"\nunit = "{unit}"\n'
    done = run(source() + item, ("in.csv", HEAD + row("x", text)))
    assert [i.rule for i in done.report.issues] == ["impossible"]


@pytest.mark.parametrize("count", ["0", "-1", "1.0", "x", "10000", "9" * 5000])
def test_a_unit_number_is_a_number_of_units(run, count):
    columns = '[sources.one.columns.components]\nunit-number = "extra"'
    done = run(source(columns=columns), ("in.csv", HEAD + row("lvl", "5", extra=count)))
    assert [i.rule for i in done.report.issues] == ["number"]


def test_a_part_that_an_item_does_not_have_is_counted(run):
    columns = '[sources.one.columns.components]\nunit-number = "extra"'
    text = HEAD + row("swg", "present", extra="2") + row("lvl", "5", id_="2", extra="2")
    done = run(source(columns=columns), ("in.csv", text))
    assert dict(done.report.unused) == {("extra", "swg"): 1}


def test_a_control_character_is_refused_and_not_sent(run):
    done = run(source(), ("in.csv", HEAD + row("lvl", "5", note="a\x0bb")))
    assert [i.rule for i in done.report.issues] == ["character"]


def test_bytes_that_no_encoding_knows_go_out_as_they_stood(run):
    # A second half of a UTF-16 pair, alone.
    text = HEAD + row("swg", "X")
    data = text.encode("utf-16-be").replace("X".encode("utf-16-be"), b"\xdc\xdf")
    done = run(source('encoding = "utf-16-be"'), ("in.csv", data))
    assert [i.rule for i in done.report.issues] == ["encoding"]
    assert b"\xdc\xdf" in done.rejects.read_bytes()


def test_a_refused_row_run_again_unmended_is_refused_again(run):
    for cut in (",", ",,,"):  # short of its last cell, or of more
        text = HEAD + row("lvl", "5").rstrip("\n").removesuffix(cut) + "\n"
        done = run(source(), ("in.csv", text))
        assert [i.rule for i in done.report.issues] == ["row-length"]
        refused = done.rejects.read_bytes()
        again = run(source(), ("in.csv", text), ("r.csv", refused), rejects="b.csv")
        assert [i.rule for i in again.report.issues] == ["row-length"]
        assert again.report.readings == []
        mended = refused.replace(b'"in.csv', b'last cell,"in.csv') if cut == "," else refused
        third = run(source(), ("in.csv", text), ("r.csv", mended), rejects="c.csv")
        assert (third.report.mapped, cut) in ((1, ","), (0, ",,,"))

"""One row in, one outcome out: what each column, word and unit does."""

from __future__ import annotations

from decimal import Decimal

import pytest

from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.intake.sources import open_source
from fhirdrain.site import load_site
from tests.conftest import HEADER, make_site, row, site_text


def read(site, tmp_path, *lines, raw: bytes | None = None):
    path = tmp_path / "in.csv"
    text = "\n".join([",".join(HEADER), *lines]) + "\n"
    path.write_bytes(raw if raw is not None else text.encode())
    table = open_source(path, site.source(None), site)
    return list(table), table


def one(site, tmp_path, **cells):
    (item,), _ = read(site, tmp_path, row(**cells))
    return item


def said(item):
    assert item.issue is None, item.issue
    return {r.observable: (str(r.value) if r.value is not None else None) for r in item.readings}


def test_a_level_with_everything_about_it(site, tmp_path):
    item = one(
        site, tmp_path, id="7", stay="s", stored="2025-01-10 10:05", item="lvl", value="19.00",
        unit="ml", by="n-1", note="marked", no="2",
    )  # fmt: skip
    (reading,) = item.readings
    assert (str(reading.value), reading.unit, reading.drain) == ("19.00", "mL", "R1")
    assert reading.parts == {"unit-number": 2}
    assert (reading.row, reading.encounter, reading.performer, reading.note) == (
        "7",
        "s",
        "n-1",
        "marked",
    )
    assert reading.time.isoformat() == "2025-01-10T10:00:00+01:00"
    assert item.respelled == (("ml", "mL"),)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("20 cm", {"mode": "suction", "suction-set": "20"}),
        ("on seal", {"mode": "water-seal"}),
        ("minus 20", {"suction-set": "20"}),
        ("Wasserschloss", {"mode": "water-seal"}),
        ("15", {"suction-set": "15"}),
        ("15 cmH2O", {"suction-set": "15"}),
        ("2 kPa", {"suction-set": "20.3943"}),
    ],
)
def test_suction_as_text_means_what_the_site_file_says(site, tmp_path, text, expected):
    assert said(one(site, tmp_path, item="suc", value=text)) == expected


def test_a_converted_value_keeps_what_was_charted(site, tmp_path):
    (reading,) = one(site, tmp_path, item="suc", value="2 kPa").readings
    assert reading.original == (Decimal(2), "kPa")


@pytest.mark.parametrize("unit", ["mmHg", "mm[Hg]"])
def test_a_pressure_in_mmhg_never_becomes_suction_set(site, tmp_path, unit):
    assert one(site, tmp_path, item="suc", value="80", unit=unit).issue.rule == "wall-gauge"
    assert one(site, tmp_path, item="suc", value=f"80 {unit}").issue.rule == "wall-gauge"


def test_a_wall_gauge_is_set_aside_with_its_reason(site, tmp_path):
    for value in ("80", "20"):
        item = one(site, tmp_path, item="wall", value=value)
        assert "wall gauge" in item.set_aside
        assert item.readings == ()


def test_a_regulator_in_mmhg_is_read_where_the_site_file_says_so(tmp_path):
    source = '[sources.rounds.items.reg]\nobservable = "suction-set"\nunit = "mm[Hg]"\nscale = "regulator"\n'
    from fhirdrain.site import load_site
    from tests.conftest import site_text

    path = tmp_path / "site.toml"
    path.write_text(site_text().replace("[units]", source + "[units]"), encoding="utf-8")
    item = one(load_site(path), tmp_path, item="reg", value="15")
    assert said(item) == {"suction-set": "20.3926"}
    assert item.readings[0].original == (Decimal(15), "mm[Hg]")


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ({"item": "air", "value": "none"}, "none"),
        ({"item": "air", "value": "cough only"}, "present"),
        ({"item": "air", "value": "none at rest"}, "undetermined"),
        ({"item": "swg", "value": "not-assessable"}, "not-assessable"),
        ({"item": "col", "value": "blutig"}, "bloody"),
        ({"item": "mod", "value": "clamped for the walk"}, "clamped"),
        ({"item": "rem", "value": "planned"}, "planned"),
        ({"item": "chg", "value": "full", "closing": "1870", "opening": "0"}, "full"),
    ],
)
def test_words(site, tmp_path, cells, expected):
    (value,) = said(one(site, tmp_path, **cells)).values()
    assert value == expected


def test_a_word_keeps_the_text_it_was_charted_as(site, tmp_path):
    (reading,) = one(site, tmp_path, item="col", value="blutig").readings
    assert (reading.value, reading.text, reading.parts) == ("bloody", "blutig", {"hue": "dark-red"})


def test_an_order_is_two_readings(site, tmp_path):
    assert said(one(site, tmp_path, item="ord", value="suction 20")) == {
        "mode-ordered": "suction",
        "suction-ordered": "20",
    }


def test_no_reading_not_done_and_zero_are_three_things(site, tmp_path):
    assert one(site, tmp_path, item="out", value="", unit="mL").set_aside == "the value is empty"
    (absent,) = one(site, tmp_path, item="air", value="not looked at").readings
    assert (absent.value, absent.absent) == (None, "not_done")
    (refused,) = one(site, tmp_path, item="swg", value="would not").readings
    assert refused.absent == "refused"
    (zero,) = one(site, tmp_path, item="out", value="0", unit="mL").readings
    assert zero.value == 0


def test_marks_and_ignored_items_are_set_aside(site, tmp_path):
    for cells in ({"note": "closed"}, {"by": "nobody"}):
        item = one(site, tmp_path, item="out", value="0", unit="mL", **cells)
        assert "no reading" in item.set_aside
    assert "free text" in one(site, tmp_path, item="txt", value="anything").set_aside


@pytest.mark.parametrize(
    ("cells", "rule", "column"),
    [
        ({"item": "bub", "value": "yes"}, "unknown-item", "item"),
        ({"item": "", "value": "yes"}, "unknown-item", "item"),
        ({"item": "lvl", "value": "1.790"}, "unsure-mark", "value"),
        ({"item": "lvl", "value": "-5"}, "impossible", "value"),
        ({"item": "lvl", "value": "123456"}, "impossible", "value"),
        ({"item": "lvl", "value": "11 L"}, "impossible", "value"),
        ({"item": "lvl", "value": "5", "unit": "kPa"}, "unit", "unit"),
        ({"item": "lvl", "value": "5", "unit": "ML"}, "unit", "unit"),
        ({"item": "out", "value": "5", "unit": "mL/24.h"}, "unit", "unit"),
        ({"item": "out", "value": "5", "unit": "buckets"}, "unit", "unit"),
        ({"item": "out", "value": "5"}, "unit", "unit"),
        ({"item": "lvl", "value": "5 L", "unit": "mL"}, "unit", "unit"),
        ({"item": "lvl", "value": "high"}, "unknown-word", "value"),
        ({"item": "suc", "value": "-20"}, "impossible", "value"),
        ({"item": "suc", "value": "300"}, "impossible", "value"),
        ({"item": "mod", "value": "to gravity"}, "unknown-word", "value"),
        ({"item": "air", "value": "present?"}, "unknown-word", "value"),
        ({"item": "lvl", "value": "5", "drain": "chest tube"}, "unknown-drain", "drain"),
        ({"item": "lvl", "value": "5", "drain": ""}, "no-drain", "drain"),
        ({"item": "out2", "value": "5", "drain": "right 1"}, "two-drains", "drain"),
        ({"item": "lvl", "value": "5", "seen": "2025-10-26 02:30"}, "ambiguous-time", "seen"),
        ({"item": "lvl", "value": "5", "seen": "tomorrow"}, "time", "seen"),
        ({"item": "lvl", "value": "5", "pat": ""}, "no-patient", "pat"),
        ({"item": "lvl", "value": "5", "state": "odd"}, "status", "state"),
        ({"item": "lvl", "value": "5", "no": "0"}, "number", "no"),
        ({"item": "chg", "value": "full", "closing": "1.870"}, "unsure-mark", "closing"),
        ({"item": "out2", "value": "5", "drain": "left 1", "since": "2025-01-10 10:00"}, "interval", "since"),
    ],
)  # fmt: skip
def test_what_is_refused_has_its_place_and_no_value_in_its_words(
    site, tmp_path, cells, rule, column
):
    line = row(**cells)
    (item,), _ = read(site, tmp_path, line)
    issue = item.issue
    assert issue is not None
    assert (issue.rule, issue.line) == (rule, 2)
    assert f'column "{column}"' in issue.message
    assert issue.column == len(",".join(line.split(",")[: HEADER.index(column)])) + 2
    assert "p-1" not in issue.message + issue.hint


def test_the_unit_comes_from_cell_column_or_site_file(site, tmp_path):
    for cells in ({"value": "5 mls"}, {"value": "5", "unit": "mls"}, {"value": "5"}):
        assert said(one(site, tmp_path, item="lvl", **cells)) == {"level": "5"}
    assert one(site, tmp_path, item="lvl", value="5", unit="mls").respelled == (("mls", "mL"),)
    assert said(one(site, tmp_path, item="lvl", value="0.25", unit="L")) == {"level": "250"}


def test_a_withdrawal_needs_no_content(site, tmp_path):
    item = one(site, tmp_path, id="3", item="lvl", value="", state="struck")
    assert item.withdraws
    assert not item.readings


def test_rows_too_short_and_too_long(site, tmp_path):
    (item,), table = read(site, tmp_path, raw=(",".join(HEADER) + "\n1,p-1,,right").encode())
    assert item.issue.rule == "row-length"
    assert "cut short" in item.issue.hint
    assert table.cut_short
    (item,), _ = read(site, tmp_path, row(item="lvl", value="5") + ",more")
    assert item.issue.rule == "row-length"


def test_an_unclosed_quote_takes_nothing_with_it_unseen(site, tmp_path):
    lines = [row(item="lvl", value="5"), row(item="lvl", value='"6'), row(item="lvl", value="7")]
    items, _ = read(site, tmp_path, *lines)
    assert [i.issue.rule if i.issue else None for i in items] == [None, "quote"]
    assert items[1].raw.count("\n") == 2


def test_a_quoted_newline_is_one_row(site, tmp_path):
    items, _ = read(site, tmp_path, row(item="lvl", value="5", note='"two\nlines"'), row(item="x"))
    assert items[0].readings[0].note == "two\nlines"
    assert items[1].line == 4


def test_bytes_of_another_encoding_are_refused_and_kept(site, tmp_path):
    raw = (",".join(HEADER) + "\n" + row(item="lvl", value="5", note="caf@") + "\n").encode()
    (item,), _ = read(site, tmp_path, raw=raw.replace(b"@", b"\xe9"))
    assert item.issue.rule == "encoding"
    assert item.raw.encode("utf-8", "surrogateescape").count(b"\xe9") == 1


def test_byte_order_mark_and_windows_line_ends(site, tmp_path):
    raw = (
        b"\xef\xbb\xbf" + (",".join(HEADER) + "\r\n" + row(item="lvl", value="5") + "\r\n").encode()
    )
    (item,), _ = read(site, tmp_path, raw=raw)
    assert said(item) == {"level": "5"}


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (b"", "is empty"),
        (b"PK\x03\x04\0\0\0", "binary"),
        (b"a,b,c\n1,2,3\n", "is missing"),
        (",".join(HEADER).replace(",", ";").encode() + b"\n", "delimiter"),
        ((",".join(HEADER) + ",value\n").encode(), "stands twice"),
    ],
)
def test_files_that_cannot_be_read_at_all(site, tmp_path, raw, message):
    with pytest.raises(SourceError) as caught:
        read(site, tmp_path, raw=raw)
    assert message in str(caught.value)


def test_a_missing_column_names_the_nearest(site, tmp_path):
    with pytest.raises(SourceError) as caught:
        read(site, tmp_path, raw=",".join(HEADER).replace("stored", "store").encode() + b"\n")
    assert 'the column "stored" (recorded in the site file) is missing' in str(caught.value)
    assert '"store"' in caught.value.hint


def test_a_kind_that_is_none_is_refused_not_misread(tmp_path):
    text = site_text().replace('kind = "table"', 'kind = "sheet"')
    (tmp_path / "site.toml").write_text(text)
    with pytest.raises(ConfigurationError, match='unknown word "sheet"'):
        load_site(tmp_path / "site.toml")


def test_levels_in_columns_have_the_units_of_their_row(site, tmp_path):
    (placed,) = one(site, tmp_path, item="plc", value="in", opening="0.5", unit="L").readings
    assert placed.parts == {"opening-level": Decimal(500)}
    (changed,) = one(site, tmp_path, item="chg", value="full", closing="1.87", unit="L").readings
    assert changed.parts == {"closing-level": Decimal(1870)}
    for unit, rule in (("ML", "unit"), ("kPa", "unit"), ("cups", "unit")):
        item = one(site, tmp_path, item="chg", value="full", closing="5", unit=unit)
        assert item.issue.rule == rule


def test_an_order_cannot_end_before_it_begins(site, tmp_path):
    item = one(site, tmp_path, item="ord", value="seal", until="2025-01-10 09:00")
    assert item.issue.rule == "interval"


def test_what_slipped_a_column_is_not_quoted(site, tmp_path):
    item = one(site, tmp_path, item="lvl", value="5", unit="MRN-99871234")
    assert "99871234" not in item.issue.message + item.issue.hint
    with pytest.raises(SourceError) as caught:
        read(site, tmp_path, raw=b"1,MRN-99871234,R1,2025-10-24T09:00,lvl,5\n")
    assert "99871234" not in str(caught.value)
    assert "first line" in caught.value.hint


def test_a_struck_row_is_struck_whatever_else_marks_it(site, tmp_path):
    item = one(site, tmp_path, id="1", item="lvl", value="5", state="struck", note="closed")
    assert item.readings[0].status == "entered-in-error"


def test_a_file_of_wide_characters_cut_short(tmp_path):
    site = make_site(tmp_path, source='encoding = "utf-16"')
    text = ",".join(HEADER) + "\n" + row(item="lvl", value="5") + "\n" + row(item="lvl", value="6")
    items, _ = read(site, tmp_path, raw=text.encode("utf-16")[:-1])
    assert items[-1].issue.rule == "encoding"


def test_a_last_row_without_its_line_end_may_have_lost_more(site, tmp_path):
    raw = (
        ",".join(HEADER) + "\n" + row(item="lvl", value="5") + "\n" + row(item="lvl", value="11")
    ).encode()
    items, _ = read(site, tmp_path, raw=raw)
    assert [i.issue.rule if i.issue else None for i in items] == [None, "no-line-end"]
    assert (items[1].issue.line, items[1].issue.column) == (3, len(row(item="lvl", value="11")) + 1)


def test_an_ambiguous_time_is_mended_as_the_hint_says(tmp_path):
    site = make_site(tmp_path, source='time_format = "%d.%m.%Y %H:%M"')
    item = one(site, tmp_path, item="lvl", value="5", seen="26.10.2025 02:30")
    assert item.issue.hint == "write its offset behind it: +02:00 or +01:00"
    (reading,) = one(site, tmp_path, item="lvl", value="5", seen="26.10.2025 02:30 +01:00").readings
    assert reading.time.isoformat() == "2025-10-26T02:30:00+01:00"


@pytest.mark.parametrize(
    ("cells", "hint"), [({"value": "-5"}, "sign"), ({"value": "20000"}, "really in mL")]
)
def test_impossible_numbers_have_a_hint(site, tmp_path, cells, hint):
    assert hint in one(site, tmp_path, item="lvl", **cells).issue.hint


def test_parts_without_a_value_say_what_they_imply_or_are_refused(site, tmp_path):
    (placed,) = one(site, tmp_path, item="plc", value="", opening="10").readings
    assert placed.parts == {"opening-level": 10}
    item = one(site, tmp_path, id="1", item="chg", value="", closing="820")
    assert item.issue.rule == "part-alone"
    # A number of the unit stands in a row for whatever else is charted in it.
    assert one(site, tmp_path, id="1", item="lvl", value="", no="2").set_aside


def test_an_air_leak_follows_from_its_parts_in_columns(tmp_path):
    text = site_text().replace('unit-number = "no"', 'at-rest = "no"\non-cough = "closing"')
    text = text.replace('closing-level = "closing"\n', "")
    (tmp_path / "site.toml").write_text(text)
    site = load_site(tmp_path / "site.toml")
    (leak,) = one(site, tmp_path, item="air", value="", no="none", closing="present").readings
    assert (leak.value, leak.text) == ("present", None)
    (leak,) = one(site, tmp_path, item="air", value="none", no="none", closing="none").readings
    assert leak.value == "none"


def test_a_part_of_what_was_not_observed_is_refused(tmp_path):
    text = site_text().replace('unit-number = "no"', 'at-rest = "no"')
    (tmp_path / "site.toml").write_text(text)
    site = load_site(tmp_path / "site.toml")
    item = one(site, tmp_path, item="air", value="not looked at", no="none")
    assert item.issue.rule == "two-values"


def test_a_struck_row_with_parts_alone_is_struck_with_what_it_says(site, tmp_path):
    item = one(site, tmp_path, id="1", item="plc", value="", opening="10", state="struck")
    assert [(r.observable, r.status) for r in item.readings] == [("placed", "entered-in-error")]
    item = one(site, tmp_path, id="1", item="chg", value="", closing="10", state="struck")
    assert item.withdraws


def test_a_part_may_have_its_unit_in_its_cell(site, tmp_path):
    (changed,) = one(site, tmp_path, item="chg", value="full", closing="1.87 L").readings
    assert changed.parts == {"closing-level": Decimal(1870)}
    for cell, rule in (("5 kPa", "unit"), ("5 cups", "unit"), ("many", "number")):
        assert one(site, tmp_path, item="chg", value="full", closing=cell).issue.rule == rule


def test_an_empty_value_can_have_a_meaning(tmp_path):
    text = site_text().replace(
        '[sources.rounds.items.drs]\nobservable = "dressing"\n',
        '[sources.rounds.items.drs]\nobservable = "dressing"\nno_reading = ["-"]\nwords = { "" = "dry-intact" }\n',
    )
    (tmp_path / "site.toml").write_text(text)
    site = load_site(tmp_path / "site.toml")
    assert said(one(site, tmp_path, item="drs", value="")) == {"dressing": "dry-intact"}
    assert one(site, tmp_path, item="drs", value="-").set_aside
    assert one(site, tmp_path, id="1", item="drs", value="", state="struck").withdraws

"""HL7 v2 messages; all of them are invented.

The rows of the tables are those of HL7's "V2-to-FHIR" concept maps (tables 0085 and 0125) and of the
point-of-care device guide's mapping of PCD-01, as the project's notes on them have them.
"""

from __future__ import annotations

import logging
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhirdrain.conformance.terminology import codes_of
from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.exchange.mllp import FAULTS
from fhirdrain.resources.recover import recover
from fhirdrain.site import load_site
from fhirdrain.vocabulary.hl7text import CHARSETS, Hl7Error, Message, charset_of, messages
from fhirdrain.vocabulary.v2tables import (
    DEVICE_MARKS,
    MDC_UNITS,
    RESULT_STATUS,
    VALUE_TYPES,
)
from tests.conftest import map_files

SITE = """[site]
id = "pier"
name = "Pier"
time_zone = "Europe/Vienna"
windows = ["07:00", "19:00"]
day_starts = "07:00"
[site.systems]
patient = "https://pier.example/patient"
reading = "https://pier.example/reading"
device = "https://pier.example/drain"
item = "https://pier.example/item"
performer = "https://pier.example/staff"
[drains.R1]
side = "right"
space = "pleural"
labels = ["right 1"]
[drains.L1]
side = "left"
space = "pleural"
labels = ["left 1"]
[sources.feed]
kind = "hl7v2"
{source}
[sources.feed.columns]
start = "since"
end = "until"
[sources.feed.columns.components]
unit-number = "no"
closing-level = "closing"
[sources.feed.items.lvl]
observable = "level"
unit = "mL"
{drain}
[sources.feed.items.out]
observable = "output"
unit = "mL"
{drain}
[sources.feed.items.157740]
observable = "output"
unit = "mL"
{drain}
[sources.feed.items.suc]
words = {{ "20 cm" = {{ mode = "suction", suction-set = "20 cm[H2O]" }}, "seal" = {{ mode = "water-seal" }} }}
number = {{ observable = "suction-set", unit = "cm[H2O]", scale = "regulator" }}
{drain}
[sources.feed.items.col]
observable = "appearance"
words = {{ "blutig" = {{ value = "bloody", hue = "dark-red" }} }}
{drain}
[sources.feed.items.chg]
observable = "unit-change"
{drain}
[sources.feed.items.ord]
words = {{ "suction 20" = {{ mode-ordered = "suction", suction-ordered = "20 cm[H2O]" }} }}
{drain}
"""
DRAIN = 'drain = "R1"'
MSH = "MSH|^~\\&|a|b|||20250110120000+0100||ORU^R01^ORU_R01|m-1|P|2.6"
PID = "PID|||p-1^^^PIER^MR"
OBR = "OBR|1||f-1||||202501101000+0100"


def site_text(source: str = "", drain: str = DRAIN) -> str:
    return SITE.format(source=source, drain=drain)


def obx(value="100", item="lvl", kind="NM", unit="mL", status="F", **more: str) -> str:
    """Return an OBX; fields by number, as `f4`."""
    fields = {"f2": kind, "f3": item, "f5": value, "f6": unit, "f11": status, **more}
    return "|".join(["OBX", *(fields.get(f"f{n}", "") for n in range(1, 22))]).rstrip("|")


@pytest.fixture
def fed(tmp_path):
    """Map a message of these segments behind MSH, PID and OBR, or of these alone."""

    def run(*segments: str, whole: bool = False, end: str = "\r", site: str | None = None, **more):
        head = [] if whole else [MSH, PID, OBR]
        data = end.join([*head, *segments]) + end
        return map_files(tmp_path, site or site_text(**more), ("in.hl7", data))

    return run


def only(run):
    """Return the only reading."""
    assert [str(i) for i in run.report.issues] == []
    (reading,) = run.report.readings
    return reading


def refused(run):
    """Return the rule and the message of the only refusal."""
    assert run.report.readings == []
    (issue,) = run.report.issues
    return issue.rule, issue.message


# -- the published tables -------------------------------------------------------------------

# OBX-11: what is published, and what is this project's own rule ("ours").
PUBLISHED = {
    "A": "amended", "C": "corrected", "D": "entered-in-error", "F": "final", "P": "preliminary",
    "W": "entered-in-error", "X": "cancelled",
}  # fmt: skip
OURS = {
    "B": "amended", "I": "registered", "N": "final", "O": "registered", "R": "preliminary",
    "S": "preliminary", "U": "final", "V": "final",
}  # fmt: skip


def test_the_table_of_obx_11_is_the_published_one_row_by_row():
    assert {k: r.status for k, r in RESULT_STATUS.items() if not r.ours} == PUBLISHED
    assert {k: r.status for k, r in RESULT_STATUS.items() if r.ours} == OURS
    assert {k for k, r in RESULT_STATUS.items() if r.absent} == {"X", "N"}


# OBX-2 to value[x], as published.
TYPES = {
    "NM": "Quantity", "ST": "string", "FT": "string", "TX": "string", "CE": "CodeableConcept",
    "CWE": "CodeableConcept", "CNE": "CodeableConcept", "CF": "CodeableConcept",
    "IS": "CodeableConcept", "DR": "Period", "DT": "dateTime", "DTM": "dateTime",
    "TS": "dateTime", "TM": "time", "NR": "Range", "SN": "Quantity",
}  # fmt: skip


def test_the_table_of_obx_2_is_the_published_one_row_by_row(fed):
    assert {kind: row.target for kind, row in VALUE_TYPES.items()} == TYPES
    # Ours: what no observable of a drain is, is refused, and never made into something else.
    assert {kind for kind, row in VALUE_TYPES.items() if not row.read} == {"DR", "TM", "NR"}
    for kind in ("DR", "TM", "NR"):
        assert refused(fed(obx("1^2", kind=kind)))[0] == "value-type"
    # So is an SN that is published as a ratio, a range or a text, by what stands between.
    for mark in (":", "/", "-", "<>", "+"):
        assert refused(fed(obx(f"^1^{mark}^2", kind="SN")))[0] == "number"


# R4 has the codes of HL7's tables as code systems, as it was published with them.
def test_the_codes_of_tables_are_those_that_r4_has():
    (results,) = codes_of("http://terminology.hl7.org/ValueSet/v2-0085").values()
    assert RESULT_STATUS.keys() == results
    (charsets,) = codes_of("http://terminology.hl7.org/ValueSet/v2-0211").values()
    assert CHARSETS.keys() - {""} <= charsets
    (faults,) = codes_of("http://terminology.hl7.org/ValueSet/v2-0357").values()
    assert FAULTS.keys() <= faults


@pytest.mark.parametrize("letter", sorted({**PUBLISHED, **OURS} - {"D": "", "W": ""}.keys()))
def test_a_status(fed, letter):
    value = "" if letter in "XN" else "100"
    run = fed(obx(value, status=letter))
    (level,) = run.observation("level")
    assert level["status"] == {**PUBLISHED, **OURS}[letter]
    assert ("valueQuantity" in level) == (letter not in "XN")
    reasons = {"X": "unknown", "N": "not-asked"}
    if letter in reasons:
        assert level["dataAbsentReason"]["coding"][0]["code"] == reasons[letter]
    noted = [n["text"] for n in level.get("note", ())]
    assert noted == ([f"OBX-11: {letter}"] if letter in "BV" else [])


# OBX-8 of device feeds with the OBX-11 that goes with it, and what becomes of it.
MARKS = {
    "INV": ("X", "error"), "QUES": ("R", None), "NAV": ("X", "temp-unknown"), "CAL": ("R", None),
    "TEST": ("R", None), "DEMO": ("R", None), "VAL": ("F", None), "EARLY": ("R", None),
    "BUSY": ("X", "temp-unknown"), "ALACT": ("R", None), "ALINH": ("R", None),
    "OFF": ("X", "not-performed"),
}  # fmt: skip


def test_no_mark_of_a_device_is_left_out():
    assert DEVICE_MARKS.keys() == MARKS.keys()


@pytest.mark.parametrize("mark", MARKS)
def test_a_mark_of_a_device(fed, mark):
    letter, reason = MARKS[mark]
    run = fed(obx("" if letter == "X" else "100", status=letter, f8=mark))
    (level,) = run.observation("level")
    assert level["status"] == {"X": "cancelled", "R": "preliminary", "F": "final"}[letter]
    found = [c["code"] for c in level.get("dataAbsentReason", {}).get("coding", ())]
    assert found == ([reason] if reason else [])
    test = [c["code"] for c in level["meta"].get("security", ())]
    assert test == (["HTEST"] if mark in ("TEST", "DEMO") else [])
    said = [n["text"] for n in level.get("note", ())]
    assert said == ([] if mark == "VAL" else [f"OBX-8: {mark}"])
    again, issues = recover(run.resources)
    assert issues == []
    assert [(r.test, r.absent) for r in again] == [(r.test, r.absent) for r in run.report.readings]


def test_what_a_device_made_up_is_no_output(fed):
    run = fed(
        obx("10", f21="a", f14="202501100800"), obx("900", f21="b", f14="202501100900", f8="DEMO"),
        obx("30", f21="c", f14="202501101000"),
    )  # fmt: skip
    (drain,) = run.report.drains
    assert [o.value for o in drain.ledger.outputs] == [20]
    whole = fed(MSH.replace("|P|", "|T|"), PID, OBR, obx("10"), obx("30", f4="2"), whole=True)
    assert all(r.test for r in whole.report.readings)
    assert all(s.ledger.outputs == [] for s in whole.report.drains)
    order = fed(obx("suction 20", "ord", "ST", "", f8="TEST"))
    assert dict(order.report.set_aside) == {"an order or an act of a test": 1}


@pytest.mark.parametrize(
    ("kind", "value", "number"),
    [
        ("NM", "100", "100"),
        ("NM", "100.50", "100.50"),
        ("NM", "+100", "100"),
        ("NM", "1.790", "1.790"),  # the standard knows one mark alone
        ("SN", "^100", "100"),
        ("SN", "=^100", "100"),
        ("ST", "100", "100"),
        ("ST", "100 cc", "100"),
        ("", "100", "100"),
    ],
)
def test_numbers_by_their_type(fed, kind, value, number):
    assert str(only(fed(obx(value, kind=kind))).value) == number


@pytest.mark.parametrize(
    ("kind", "value", "rule"),
    [
        ("SN", ">^100", "number"),
        ("SN", "^100^-^120", "number"),
        ("SN", "^1^:^128", "number"),
        ("NM", "1,5", "number"),
        ("NM", "1E3", "number"),
        ("NM", "NaN", "number"),
        ("NM", "1~2", "two-values"),
        ("NR", "1^2", "value-type"),
        ("ED", "x", "value-type"),
        ("ST", "1.790", "unsure-mark"),
        ("ST", "much", "unknown-word"),
    ],
)
def test_what_is_no_number(fed, kind, value, rule):
    assert refused(fed(obx(value, kind=kind)))[0] == rule


@pytest.mark.parametrize(
    "value", ["blutig", "x^blutig^L", "x^y^L^blutig^bloody^L", "bloody^Blood^L", "z^^L^^blutig"]
)
def test_a_coded_value_is_found_by_any_of_its_texts(fed, value):
    reading = only(fed(obx(value, "col", "CWE", "")))
    assert (reading.observable, reading.value) == ("appearance", "bloody")


def test_a_text_with_a_unit_is_read_by_the_site_file(fed):
    """The published table keeps OBX-6 only for NM and SN: an ST "20 cm" would lose its unit."""
    run = fed(obx("20 cm", "suc", "ST", ""))
    assert {(r.observable, str(r.value)) for r in run.report.readings} == {
        ("mode", "suction"), ("suction-set", "20"),
    }  # fmt: skip
    assert str(only(fed(obx("20", "suc", "ST", "cm[H2O]"))).value) == "20"


# -- codes and units ------------------------------------------------------------------------


def test_a_device_feed_in_mdc(fed):
    codes = "157740^MDC_VOL_DRAIN^MDC"
    run = fed(obx("80", codes, unit="263762^MDC_DIM_MILLI_L^MDC", status="R", f4="1.2.1.5"))
    reading = only(run)
    assert (reading.observable, str(reading.value), reading.unit) == ("output", "80", "mL")
    assert reading.codes == (("urn:iso:std:iso:11073:10101", "157740"),)
    (output,) = run.observation("157740")
    assert ("http://loinc.org", "9129-8") in [
        (c["system"], c["code"]) for c in output["code"]["coding"]
    ]
    assert recover(run.resources)[0][0].codes == reading.codes


@pytest.mark.parametrize(
    ("unit", "code"),
    [
        ("mL^^UCUM", "mL"),
        ("ml", "mL"),
        ("^millilitres", None),
        ("263762^MDC_DIM_MILLI_L^MDC", "mL"),
        ("MDC_DIM_MILLI_L^x^MDC", "mL"),
        ("263762^MDC_DIM_MILLI_L^MDC^mL^mL^UCUM", "mL"),
        ("265266^MDC_DIM_MILLI_L_PER_HR^MDC", None),
        ("1^x^MDC", None),
        ("ML^^UCUM", None),
    ],
)
def test_units(fed, unit, code):
    run = fed(obx("80", "out", unit=unit))
    if code is None:
        assert refused(run)[0] == "unit"
    else:
        assert only(run).unit == code


def test_mdc_units_are_known_by_code_and_by_name():
    codes = {unit for key, unit in MDC_UNITS.items() if key.isdigit()}
    assert codes == {unit for key, unit in MDC_UNITS.items() if not key.isdigit()}


def test_an_item_is_found_by_an_alternate_and_its_codes_go_along(fed):
    run = fed(obx("80", "x9^Drain^99X^out^Output^L^^^^9129-8^^LN"))
    reading = only(run)
    assert (reading.item, reading.codes) == ("out", (("http://loinc.org", "9129-8"),))
    (output,) = run.observation("out")
    assert [c["code"] for c in output["code"]["coding"]].count("9129-8") == 1
    rule, message = refused(fed(obx("80", "lvl^^L^9129-8^^LN")))
    assert (rule, "says output" in message) == ("two-codes", True)


def test_rows_that_describe_the_device_are_no_observations(fed):
    run = fed(
        obx("", "70001^MDC_DEV_X_MDS^MDC", "", "", "X", f4="1.0.0.0"),
        obx("", "70002^MDC_DEV_X_VMD^MDC", "", "", "X", f4="1.2.0.0"),
        obx("", "70003^MDC_DEV_X_CHAN^MDC", "", "", "X", f4="1.2.1.0"),
        obx("80", "out", f4="1.2.1.5"),
    )
    assert sum(run.report.set_aside.values()) == 3
    assert only(run).observable == "output"


def test_alarm_limits_are_no_normal_range(fed):
    (output,) = fed(obx("80", "out", f7="0-100", f17="auto", f18="dev-1")).observation("out")
    assert "referenceRange" not in output
    assert output["note"] == [{"text": "OBX-7: 0-100\nOBX-17: auto\nOBX-18: dev-1"}]


# -- times ----------------------------------------------------------------------------------


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


@pytest.mark.parametrize(
    ("text", "header", "time"),
    [
        # The field's own zone, else the header's, else the site's (Vienna).
        ("202501101000+0200", "+0100", "2025-01-10T10:00:00+02:00"),
        ("202501101000", "+0300", "2025-01-10T10:00:00+03:00"),
        ("202501101000", "", "2025-01-10T10:00:00+01:00"),
        ("202507101000", "", "2025-07-10T10:00:00+02:00"),
        ("20250110100030.1234-0500", "", "2025-01-10T10:00:30.123400-05:00"),
        # 0000 is the start of that date.
        ("202501100000", "+0100", "2025-01-10T00:00:00+01:00"),
    ],
)
def test_the_zone_of_a_time(fed, text, header, time):
    msh = MSH.replace("+0100", header)
    assert only(fed(msh, PID, OBR, obx(f14=text), whole=True)).time == at(time)


@pytest.mark.parametrize("text", ["2025", "202501", "2025011010", "20251310", "10.1.2025", "x"])
def test_what_is_no_time(fed, text):
    rule, message = refused(fed(obx(f14=text)))
    assert rule in ("time", "date-only")
    assert message.startswith("OBX-14: ")


def test_a_date_alone_asks_the_site_file(fed):
    assert refused(fed(obx(f14="20250110")))[0] == "date-only"
    told = fed(obx(f14="20250110"), source='date_only = "06:00"')
    assert only(told).time == at("2025-01-10T06:00:00+01:00")


def test_the_hour_that_comes_twice_is_told_by_an_offset_or_refused(fed):
    msh = MSH.replace("+0100", "")
    assert refused(fed(msh, PID, obx(f14="202510260230"), whole=True))[0] == "ambiguous-time"
    early = only(fed(msh, PID, obx(f14="202510260230+0200"), whole=True)).time
    assert early.astimezone(UTC) == at("2025-10-26T00:30:00+00:00")


def test_where_a_time_stands(fed):
    ten, nine, eight = "202501101000+0100", "202501100900+0100", "202501100800+0100"
    first = fed(OBR.replace(ten, nine), obx("80", "out", f14=ten))
    assert (only(first).time, only(first).start) == (at("2025-01-10T10:00:00+01:00"), None)
    # OBR-7 and OBR-8 are the time of an amount; a level was read at OBR-7.
    both = f"OBR|1||f-2||||{eight}|{nine}"
    amount = only(fed(both, obx("80", "out")))
    assert (amount.start, amount.time) == (
        at("2025-01-10T08:00+01:00"),
        at("2025-01-10T09:00+01:00"),
    )
    assert only(fed(both, obx("80"))).time == at("2025-01-10T08:00+01:00")
    said = only(fed(obx(eight, "since", "DTM", ""), obx("80", "out")))
    assert said.start == at("2025-01-10T08:00+01:00")


def test_when_it_was_stored(fed):
    assert only(fed(obx())).recorded == at("2025-01-10T12:00:00+01:00")  # MSH-7
    stored = "OBR|1||f-1||||202501101000+0100" + "|" * 15 + "202501101103+0100"
    assert only(fed(stored, obx())).recorded == at("2025-01-10T11:03:00+01:00")


# -- who, which, what else ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pid", "source", "patient"),
    [
        ("p-1", "", "p-1"),
        ("p-1^^^PIER^MR", "", "p-1"),
        ("9^^^NAT^NI~p-1^^^PIER^MR", 'patient_type = "MR"', "p-1"),
        ("9^^^OTHER^MR~p-1^^^PIER&1.2.3&ISO^MR", 'patient_authority = "PIER"', "p-1"),
        ("9^^^OTHER^MR~p-1^^^PIER&1.2.3&ISO^MR", 'patient_authority = "1.2.3"', "p-1"),
        ("9^^^NAT^NI~p-1^^^PIER^MR", "", None),
        ("9^^^NAT^NI", 'patient_type = "MR"', None),
        ("", "", None),
    ],
)
def test_the_patient(fed, pid, source, patient):
    run = fed(MSH, f"PID|||{pid}", OBR, obx(), whole=True, source=source)
    if patient is None:
        assert refused(run)[0] == "no-patient"
    else:
        assert only(run).patient == patient


def test_two_patients_in_one_message(fed):
    run = fed(MSH, PID, OBR, obx(), "PID|||p-2", OBR, obx("7"), whole=True)
    assert sorted((r.patient, str(r.value)) for r in run.report.readings) == [
        ("p-1", "100"), ("p-2", "7"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("where", "segments"),
    [
        ("OBX-4", [obx(f4="left 1")]),
        ("OBX-20", [obx(f20="123^left 1^L")]),
        ("OBX-20", [obx(f20="left 1")]),
        ("PRT", [obx(), "PRT|1|UC||EQUIP^^HL70912||||||left 1^PIER"]),
    ],
)
def test_where_the_drain_is_named(fed, where, segments):
    run = fed(*segments, source=f'drain_from = "{where}"', drain="")
    assert only(run).drain == "L1"
    nameless = fed(obx(), source=f'drain_from = "{where}"', drain="")
    assert refused(nameless)[0] == "no-drain"


def test_identity_is_obx_21_or_order_code_sub_id_and_time(fed):
    assert only(fed(obx(f21="r-7^PIER"))).row == "r-7^PIER"
    assert only(fed(obx(f4="2"))).row == "f-1/lvl/2/2025-01-10T09:00:00+00:00"
    assert only(fed(OBR.replace("f-1", ""), obx())).row is None
    # The same value again is a resend; another one of the same name was put right.
    again = fed(obx(), MSH, PID, OBR, obx(status="C", value="90"))
    assert [(str(r.value), r.status) for r in again.report.readings] == [("90", "corrected")]


@pytest.mark.parametrize("letter", ["D", "W"])
@pytest.mark.parametrize("value", ["100", "", '""'])
def test_a_withdrawal(fed, letter, value):
    later = MSH.replace("20250110120000", "20250110130000")
    run = fed(obx(f21="r"), later, PID, OBR, obx(value, status=letter, f21="r"))
    assert [(r.status, str(r.value)) for r in run.report.readings] == [("entered-in-error", "100")]


def test_a_status_that_is_blank_or_not_known(fed):
    assert refused(fed(obx(status="")))[0] == "status"
    assert refused(fed(obx(status="Q")))[0] == "status"
    assert (
        only(fed(obx(status=""), source='default_status = "preliminary"')).status == "preliminary"
    )
    own = fed(obx(status="R"), source='status_words = { "R" = "final" }')
    assert only(own).status == "final"


def test_comments_visit_and_observer(fed):
    run = fed(
        MSH, PID, "PV1|||||||||||||||||||stay-1", OBR, "NTE|||of the round",
        obx(f16="n-1^Nurse"), "NTE|||first\\.br\\second~third \\T\\ fourth", whole=True,
    )  # fmt: skip
    reading = only(run)
    assert (reading.encounter, reading.performer) == ("stay-1", "n-1")
    assert reading.note == "of the round\nfirst\nsecond\nthird & fourth"


def test_parts_of_their_own_rows_and_z_segments(fed):
    run = fed(
        obx("2", "no", unit=""), obx("1990", "closing"), "ZXX|anything|goes",
        obx("full", "chg", "ST", ""),
    )  # fmt: skip
    reading = only(run)
    assert {k: str(v) for k, v in reading.parts.items()} == {
        "unit-number": "2", "closing-level": "1990",
    }  # fmt: skip
    alone = fed(obx("1990", "closing"), obx())
    assert refused(alone)[0] == "part-alone"
    sub = fed(obx("3", "no", unit="", f4="x"), obx(f4="x"), obx("7", f4="y"))
    assert [r.parts.get("unit-number") for r in sub.report.readings] in ([3, None], [None, 3])


def test_what_is_set_aside_by_a_field(fed):
    run = fed(
        obx(f8="CAL"), obx(f4="2"), source='set_aside = [{ column = "OBX-8", values = ["CAL"] }]'
    )
    assert sum(run.report.set_aside.values()) == 1
    assert only(run).value == 100


# -- files ----------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"])
@pytest.mark.parametrize("framed", [False, True])
def test_many_messages_with_any_line_end_and_with_frames(fed, tmp_path, end, framed):
    one = end.join([MSH, PID, OBR, obx("1", f21="a")]) + end
    two = end.join([MSH, PID, OBR, obx("2", f21="b", f14="202501101100")]) + end
    data = f"\x0b{one}\x1c\r\x0b{two}\x1c\r" if framed else one + two
    run = map_files(tmp_path, site_text(), ("in.hl7", data))
    assert [str(r.value) for r in run.report.readings] == ["1", "2"]


def test_batches_and_other_encoding_characters(fed):
    run = fed("FHS|^~\\&|a", "BHS|^~\\&|a", MSH, PID, OBR, obx(), "BTS|1", "FTS|1", whole=True)
    assert only(run).value == 100
    odd = [s.replace("|", "$").replace("^", "*") for s in (PID, OBR, obx(f21="a^b"))]
    msh = "MSH$*%!@$a$b$$$20250110120000+0100$$ORU*R01*ORU_R01$m$P$2.6"
    assert only(fed(msh, *odd, whole=True)).row == "a^b"


def test_character_sets(fed, tmp_path):
    body = "\r".join([MSH + "||||||8859/1", PID, OBR, obx(), "NTE|||prüfen"]) + "\r"
    run = map_files(tmp_path, site_text(), ("in.hl7", body.encode("latin-1")))
    assert only(run).note == "prüfen"
    wrong = map_files(
        tmp_path, site_text(), ("in.hl7", body.replace("||||||8859/1", "").encode("latin-1"))
    )
    assert refused(wrong)[0] == "message"
    assert refused(fed(MSH + "||||||BIG-5", PID, OBR, obx(), whole=True))[0] == "message"


@pytest.mark.parametrize(
    ("segments", "part"),
    [
        (["hello"], "does not begin"),
        (["MSH|^^\\&|a", PID], "encoding characters"),
        ([MSH.replace("ORU^R01^ORU_R01", "ADT^A01"), PID], "only ORU^R01"),
        ([MSH, PID, OBR, obx(f21="a\\b")], "escape"),
    ],
)
def test_what_is_no_message_is_refused_whole_and_nothing_is_quoted(fed, segments, part):
    rule, message = refused(fed(*segments, whole=True))
    assert rule == "message"
    assert part in message
    assert "p-1" not in message


def test_a_message_without_results_is_set_aside(fed):
    assert dict(fed(MSH, PID, whole=True).report.set_aside) == {"a message without a result": 1}


def test_nothing_of_a_message_is_logged(fed, caplog):
    with caplog.at_level(logging.DEBUG):
        fed(obx(), "NTE|||secret \\\\ \\Q\\")
    assert "secret" not in caplog.text


@pytest.mark.parametrize("odd", [" ", "\x0c", "\x1d", "MSH", "MSH|", "ZZZ", "|||", "OBX", "\\"])
def test_odd_segments_spoil_no_other_message(fed, odd):
    good = [MSH, PID, OBR, obx("2", f21="b")]
    run = fed(MSH, odd, PID, OBR, obx("1", f21="a"), *good, whole=True)
    assert "2" in [str(r.value) for r in run.report.readings]
    assert run.report.balanced


@pytest.mark.parametrize("number", range(1, 22))
def test_a_lone_escape_in_any_field_spoils_no_other_message(fed, number):
    bad = obx("1", **{f"f{number}": "a \\ b"})
    run = fed(bad, MSH, PID, OBR, obx("2", f21="b"))
    assert "2" in [str(r.value) for r in run.report.readings]
    read = "1" in [str(r.value) for r in run.report.readings]
    assert read or (run.report.rejected == 1 and bad in run.rejects.read_text())


def test_a_withdrawal_finds_its_original_however_its_time_is_written(fed):
    later = MSH.replace("20250110120000", "20250110130000")
    for time in ("202501100700+0000", "20250110080000.0+0100", "202501100800"):
        gone = obx("", status="W", f14=time)
        run = fed(obx("100", f14="202501100800+0100"), later, PID, OBR, gone)
        assert [r.status for r in run.report.readings] == ["entered-in-error"], time


@pytest.mark.parametrize(
    "large",
    [
        pytest.param(b"\xff" * (17 << 20), id="no line of it ends"),
        pytest.param((b"NTE|1||" + b"x" * 1000 + b"\r") * (17 << 10), id="a message does not end"),
        pytest.param(b"BHS" + b"x" * (17 << 20), id="a header of a batch does not end"),
    ],
)
def test_what_is_too_large_to_be_held_stops_the_run(fed, large):
    with pytest.raises(SourceError, match=r"of more than 16 MiB, behind the message of line 1"):
        fed(MSH, PID, OBR, obx("100"), MSH, large.decode("latin-1"), whole=True)
    with pytest.raises(SourceError, match=r"of more than 16 MiB \(hint"):
        fed(large.decode("latin-1"), whole=True)


@pytest.mark.parametrize("cut", [1, 5, 20])
@pytest.mark.parametrize("framed", [False, True])
def test_a_file_that_was_cut_is_noticed(tmp_path, cut, framed):
    whole = "\r".join([MSH, PID, OBR, obx("1", f21="reading-0011")]) + "\r"
    data = f"\x0b{whole}\x1c\r\x0b{whole}\x1c\r" if framed else whole + whole
    taken = cut + 2 if framed else cut
    run = map_files(tmp_path, site_text(), ("in.hl7", data[:-taken]))
    assert (run.report.mapped, run.report.rejected) == (1, 1)
    assert "cut short" in run.report.issues[0].message


# -- rejects --------------------------------------------------------------------------------


def test_what_was_refused_is_mended_and_run_again(fed, tmp_path):
    segments = (obx("1", f21="a"), obx("7", "unk", f21="b"), "NTE|||why", obx("x", f21="c"))
    run = fed(*segments)
    assert (run.report.mapped, run.report.rejected) == (1, 2)
    text = run.rejects.read_text()
    assert "|1|mL" not in text
    assert "NTE|||why" in text
    mended = text.replace("|unk|", "|lvl|").replace("|x|", "|9|")
    for name in ("again.hl7", "in.hl7"):
        files = [(name, mended)] if name == "again.hl7" else [("again.hl7", mended)]
        files += [("in.hl7", (tmp_path / "in.hl7").read_bytes())] if name == "in.hl7" else []
        both = map_files(tmp_path, site_text(), *files, rejects="r2")
        assert both.report.rejected == 0
        values = sorted(str(r.value) for r in both.report.readings)
        assert values == (["7", "9"] if name == "again.hl7" else ["1", "7", "9"])


def test_a_part_that_nothing_has_is_refused_in_a_mended_file_too(fed, tmp_path):
    """Of the other OBR something was left out, of this one nothing was."""
    run = fed(
        obx("1", f21="a"), obx("x", f21="b"), OBR, obx("x", "out", f21="c"), obx("30", "closing"),
    )  # fmt: skip
    assert (run.report.mapped, run.report.rejected) == (1, 2)
    mended = run.rejects.read_text().replace("|x|", "|9|")
    original = ("in.hl7", (tmp_path / "in.hl7").read_bytes())
    both = map_files(tmp_path, site_text(), original, ("again.hl7", mended), rejects="r2")
    assert [i.rule for i in both.report.issues] == ["part-alone"]
    assert sorted(str(r.value) for r in both.report.readings) == ["1", "9"]


def test_a_whole_message_is_mended(fed, tmp_path):
    run = fed(MSH.replace("R01^ORU_R01", "R99"), PID, OBR, obx(), whole=True)
    assert run.report.rejected == 1
    mended = run.rejects.read_text().replace("ORU^R99", "ORU^R01")
    original = ("in.hl7", (tmp_path / "in.hl7").read_bytes())
    both = map_files(tmp_path, site_text(), original, ("again.hl7", mended), rejects="r2")
    assert (both.report.rejected, only(both).value) == (0, 100)


def test_rejects_keep_the_bytes_of_another_character_set(tmp_path):
    body = "\r".join([MSH + "||||||8859/1", PID, OBR, obx("x"), "NTE|||prüfen"]) + "\r"
    run = map_files(tmp_path, site_text(), ("in.hl7", body.encode("latin-1")))
    assert "prüfen".encode("latin-1") in run.rejects.read_bytes()


# -- site files -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "drain", "part"),
    [
        ('delimiter = ";"', DRAIN, 'has no "delimiter"'),
        ("", "", "names no drain"),
        ('set_aside = [{ column = "OBX", values = ["x"] }]', DRAIN, "is no field"),
    ],
)
def test_a_site_file_that_cannot_be_right(tmp_path, source, drain, part):
    (tmp_path / "site.toml").write_text(site_text(source, drain))
    with pytest.raises(ConfigurationError, match=part):
        load_site(tmp_path / "site.toml")


# -- anything -------------------------------------------------------------------------------


@given(st.text(st.sampled_from('MSHPIDOBX|^~\\&\r\n123 F.\x0b\x1c"lvl'), max_size=120))
def test_no_text_makes_the_reader_fall_over(text):
    for _, data, _ in messages([text.encode()]):
        try:
            charset_of(data, "utf-8")
            message = Message(data.decode())
            for segment in message.segments:
                for number in range(1, 22):
                    segment.field(number)
        except Hl7Error:
            pass


@given(
    st.lists(st.sampled_from([b"MSH|^~\\&|x", b"PID|1", b"OBX|2", b""]), max_size=8), st.randoms()
)
def test_a_stream_is_cut_the_same_wherever_its_pieces_end(segments, random):
    data = b"\r\n".join(segments) + b"\r\n"
    cuts = sorted(random.randrange(len(data) + 1) for _ in range(4))
    pieces = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
    assert list(messages(pieces)) == list(messages([data]))

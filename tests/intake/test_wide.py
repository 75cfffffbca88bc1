"""Wide tables: a row a round, a column an item; each non-empty cell is an item of its own."""

from __future__ import annotations

import csv

import pytest

from fhirdrain.errors import SourceError
from tests.intake.conftest import said

WIDE = """
kind = "table"
layout = "wide"
status_words = { "struck" = "entered-in-error" }
[sources.one.columns]
row = "id"
patient = "pat"
drain = "drain"
time = "seen"
recorded = "stored"
status = "state"
performer = "by"
[sources.one.columns.components]
unit-number = "no"
closing-level = "closing"
[sources.one.items.level_ml]
observable = "level"
unit = "mL"
[sources.one.items.swing]
observable = "swing"
[sources.one.items.out_left]
observable = "output"
unit = "mL"
drain = "L1"
[sources.one.items.change]
observable = "unit-change"
[sources.one.items.remark]
ignore = "free text"
"""
HEAD = "id,pat,drain,seen,stored,state,by,no,closing,change,level_ml,swing,out_left,remark\n"


def row(
    id_: str,
    level="",
    swing="",
    out="",
    *,
    remark="",
    stored="",
    seen="10:00",
    state="",
    no="",
    closing="",
    change="",
):
    return f"{id_},p-1,right 1,2025-01-10 {seen},{stored},{state},n-1,{no},{closing},{change},{level},{swing},{out},{remark}\n"


def test_each_cell_is_an_item_and_an_empty_one_is_none(run):
    done = run(WIDE, ("in.csv", HEAD + row("1", "100", "present", remark="slept") + row("2")))
    assert said(done) == {("R1", "level", "100", "final"), ("R1", "swing", "present", "final")}
    assert (done.report.items, done.report.mapped) == (3, 2)
    assert dict(done.report.set_aside) == {'item "remark": free text': 1}


def test_an_item_that_names_its_drain_conflicts_with_another_in_the_column(run):
    done = run(WIDE, ("in.csv", HEAD + row("1", out="30")))
    assert [issue.rule for issue in done.report.issues] == ["two-drains"]
    alone = run(WIDE, ("in.csv", HEAD + row("1", out="30").replace("right 1", "")))
    assert said(alone) == {("L1", "output", "30", "final")}


def test_a_row_is_a_round(run):
    done = run(WIDE, ("in.csv", HEAD + row("7", "100", "present", no="2")))
    (panel,) = done.observation("round")
    members = {m["identifier"]["value"] for m in panel["hasMember"]}
    assert members == {r.identity for r in done.report.readings}
    assert panel["identifier"][1] == {"use": "secondary", "value": "7"}
    assert {r.observable: dict(r.parts) for r in done.report.readings} == {
        "level": {"unit-number": 2},
        "swing": {},
    }


def test_a_later_version_of_a_row_withdraws_what_it_leaves_empty(run):
    first = row("1", "100", "present", stored="2025-01-10 10:05")
    later = row("1", "", "absent", stored="2025-01-10 10:20")
    for rows in (first + later, later + first):
        assert said(run(WIDE, ("in.csv", HEAD + rows))) == {
            ("R1", "level", "100", "entered-in-error"),
            ("R1", "swing", "absent", "corrected"),
        }
    emptied = row("1", stored="2025-01-10 10:30")
    done = run(WIDE, ("in.csv", HEAD + first + emptied))
    assert {status for *_, status in said(done)} == {"entered-in-error"}
    assert done.report.items == 2
    for rows in (first + emptied, emptied + first):
        assert {status for *_, status in said(run(WIDE, ("in.csv", HEAD + rows)))} == {
            "entered-in-error"
        }
    only_remark = row("1", stored="2025-01-10 10:30", remark="see above")
    unreadable = row("1", "many", stored="2025-01-10 10:30")
    for later in (only_remark, unreadable):
        done = run(WIDE, ("in.csv", HEAD + first + later))
        assert ("R1", "swing", "present", "entered-in-error") in said(done)
    never = run(WIDE, ("in.csv", HEAD + emptied))
    assert (never.report.items, said(never)) == (0, set())


def test_a_struck_row_withdraws_every_cell_of_it(run):
    struck = row("1", "100", "present", stored="2025-01-10 11:00", state="struck")
    done = run(
        WIDE, ("in.csv", HEAD + row("1", "100", "present", stored="2025-01-10 10:05") + struck)
    )
    assert {status for *_, status in said(done)} == {"entered-in-error"}


def test_a_struck_row_without_a_word_withdraws_all_of_it_or_is_refused(run):
    first = row("1", "100", "present", stored="2025-01-10 10:05")
    struck = row("1", stored="2025-01-10 11:00", state="struck")
    for rows in (first + struck, struck + first):
        done = run(WIDE, ("in.csv", HEAD + rows))
        assert {status for *_, status in said(done)} == {"entered-in-error"}
        assert (done.report.items, done.report.mapped) == (3, 3)
    alone = run(WIDE, ("in.csv", HEAD + struck))
    assert [i.rule for i in alone.report.issues] == ["withdrawal"]


def test_a_zero_is_a_cell(run):
    assert said(run(WIDE, ("in.csv", HEAD + row("1", "0")))) == {("R1", "level", "0", "final")}


def test_a_part_of_something_not_charted_in_the_row_is_refused_and_comes_back_mended(run):
    text = HEAD + row("1", swing="present", closing="820")
    done = run(WIDE, ("in.csv", text))
    (issue,) = done.report.issues
    assert (issue.rule, issue.message.startswith('column "closing"')) == ("part-alone", True)
    assert (done.report.items, done.report.mapped) == (2, 1)
    mended = done.rejects.read_text().replace(",820,,", ",820,full,")
    again = run(WIDE, ("in.csv", text), ("m.csv", mended), rejects="b.csv")
    assert again.report.rejected == 0
    assert said(again) == {
        ("R1", "unit-change", "full", "final"),
        ("R1", "swing", "present", "final"),
    }


def test_the_number_of_a_unit_may_stand_in_every_row(run):
    done = run(
        WIDE,
        ("in.csv", HEAD + row("1", swing="present", no="2") + row("2", "5", no="2", seen="11:00")),
    )
    assert (done.report.mapped, done.report.rejected) == (2, 0)
    assert dict(done.report.unused) == {("no", "swing"): 1}


def test_a_cell_mended_beside_a_part_needs_nothing_more(run):
    text = HEAD + row("1", "200", "presnt", no="1")
    done = run(WIDE, ("in.csv", text))
    for right, expected in (("present", 2), ("", 1)):
        mended = done.rejects.read_text().replace("presnt", right)
        again = run(WIDE, ("in.csv", text), ("m.csv", mended), rejects="b.csv")
        assert again.report.mapped == expected
        assert again.report.rejected == 2 - expected  # emptied, it is still refused in its source
        assert ("R1", "level", "200", "final") in said(again)


def test_a_row_broken_in_length_is_mended_into_all_its_cells(run):
    whole = row("1", "100", "present", stored="2025-01-10 10:05")
    done = run(WIDE, ("in.csv", HEAD + whole.rstrip("\n")[:-1] + "\n"))
    assert [i.rule for i in done.report.issues] == ["row-length"]
    mended = done.rejects.read_text().replace(',"in.csv', ',,"in.csv')
    again = run(
        WIDE, ("in.csv", HEAD + whole.rstrip("\n")[:-1] + "\n"), ("m.csv", mended), rejects="b.csv"
    )
    assert said(again) == {("R1", "level", "100", "final"), ("R1", "swing", "present", "final")}
    assert again.report.rejected == 0
    # Mended, a later version does what it would have done unbroken: it empties and strikes.
    for later, expected in (
        (row("1", "110", stored="2025-01-10 10:20"), {"corrected", "entered-in-error"}),
        (row("1", stored="2025-01-10 10:20", state="struck"), {"entered-in-error"}),
    ):
        unbroken = run(WIDE, ("in.csv", HEAD + whole + later))
        broken = HEAD + whole + later.rstrip("\n")[:-1] + "\n"
        done = run(WIDE, ("in.csv", broken))
        mended = done.rejects.read_text().replace(',"in.csv', ',,"in.csv')
        again = run(WIDE, ("in.csv", broken), ("m.csv", mended), rejects="b.csv")
        assert said(again) == said(unbroken)
        assert {status for *_, status in said(again)} == expected
        assert again.report.rejected == 0


def test_a_struck_row_refused_alone_withdraws_beside_its_source(run):
    first = HEAD + row("1", "100", "present", stored="2025-01-10 10:05")
    struck = HEAD + row("1", stored="2025-01-10 11:00", state="struck")
    refused = run(WIDE, ("struck.csv", struck)).rejects.read_bytes()
    done = run(WIDE, ("in.csv", first), ("r.csv", refused), rejects="b.csv")
    assert {status for *_, status in said(done)} == {"entered-in-error"}
    assert (done.report.items, done.report.mapped) == (3, 3)


def test_a_rejects_file_without_our_reasons_withdraws_nothing(run):
    text = HEAD + row("1", "100", "presnt")
    done = run(WIDE, ("in.csv", text))
    head, refused = done.rejects.read_text().splitlines()
    mended = f"{head}\n{refused[: refused.index('in.csv') - 1].replace('presnt', 'present')}\n"
    again = run(WIDE, ("in.csv", text), ("m.csv", mended), rejects="b.csv")
    assert said(again) == {("R1", "level", "100", "final"), ("R1", "swing", "present", "final")}


def mended(run, text, wrong, right):
    """Map a file, put its rejects right, and map both."""
    done = run(WIDE, ("in.csv", text))
    assert done.report.rejected
    again = done.rejects.read_text().replace(wrong, right)
    return done, run(WIDE, ("in.csv", text), ("m.csv", again), rejects="b.csv")


@pytest.mark.parametrize(
    ("wrong", "right"),
    [("junk", "2025-01-10 10:01"), ("junk", "2025-01-10 10:30"), (",,right", ",p-1,right")],
)
def test_a_row_that_cannot_be_dated_takes_nothing_back_until_it_is_mended(run, wrong, right):
    first = row("1", "100", stored="2025-01-10 10:10")
    later = row("1", "", "present", stored=right if wrong == "junk" else "2025-01-10 10:20")
    if wrong != "junk":
        right = ",p-1,right"
    text = HEAD + first + later.replace(right, wrong)
    done, again = mended(run, text, wrong, right)
    assert said(done) == {("R1", "level", "100", "final")}
    assert said(again) == said(run(WIDE, ("in.csv", HEAD + first + later)))
    assert again.report.rejected == 0


@pytest.mark.parametrize("broken", ["junk", "nobody"])
def test_an_empty_row_that_cannot_be_dated_or_is_nobodys_is_refused(run, broken):
    empty = row("1", stored="junk" if broken == "junk" else "2025-01-10 10:20")
    empty = empty.replace(",p-1,", ",,") if broken == "nobody" else empty
    first = row("1", "100", stored="2025-01-10 10:10") + row("1", "200", stored="2025-01-10 10:15")
    done = run(WIDE, ("in.csv", HEAD + empty + first))
    assert [i.line for i in done.report.issues] == [2]
    assert said(done) == {("R1", "level", "200", "corrected")}


def test_a_value_moved_to_its_own_column_is_mended(run):
    text = HEAD + row("1", "present")
    done = run(WIDE, ("in.csv", text))
    moved = done.rejects.read_text().replace(",present,,", ",,present,")
    again = run(WIDE, ("in.csv", text), ("m.csv", moved), rejects="b.csv")
    assert said(again) == {("R1", "swing", "present", "final")}
    assert again.report.rejected == 0


def test_a_quoted_line_end_stays_quoted_in_the_rejects(run):
    text = HEAD.replace("by,", "by,").replace("remark", "remark") + row(
        "1", "x100", remark='"two\nlines"'
    )
    done, again = mended(run, text, "x100", "100")
    with done.rejects.open(encoding="utf-8", newline="") as stream:
        assert len(list(csv.reader(stream))) == 2
    assert said(again) == {("R1", "level", "100", "final")}


def test_magnitude_and_mode_of_one_row_are_one_order(run):
    source = WIDE + (
        '[sources.one.items.mode_ordered]\nobservable = "mode-ordered"\n'
        '[sources.one.items.cm_ordered]\nobservable = "suction-ordered"\nunit = "cm[H2O]"\n'
    )
    head = HEAD.replace("\n", ",mode_ordered,cm_ordered\n")
    done = run(source, ("in.csv", head + row("1").replace("\n", ",suction,20\n")))
    (order,) = done.of("ServiceRequest")
    assert str(order["quantityQuantity"]["value"]) == "20"
    assert order["orderDetail"][0]["coding"][0]["code"] == "suction"


def test_a_refused_cell_goes_out_alone_and_comes_back_mended(run):
    rows = row("1", "1.790", "present") + row("2", "110", "swinging", seen="11:00")
    done = run(WIDE, ("in.csv", HEAD + rows))
    assert [(i.rule, i.line, i.column) for i in done.report.issues] == [
        ("unsure-mark", 2, rows.index("1.790") + 1),
        ("unknown-word", 3, rows.splitlines()[1].index("swinging") + 1),
    ]
    with done.rejects.open(encoding="utf-8", newline="") as stream:
        refused = list(csv.DictReader(stream))
    assert [(r["level_ml"], r["swing"]) for r in refused] == [("1.790", ""), ("", "swinging")]
    mended = done.rejects.read_text().replace("1.790", "1790").replace("swinging", "present")
    again = run(WIDE, ("in.csv", HEAD + rows), ("mended.csv", mended), rejects="again.csv")
    assert (again.report.rejected, again.report.mapped) == (0, 4)
    assert said(again) == {
        ("R1", "level", "1790", "final"),
        ("R1", "level", "110", "final"),
        ("R1", "swing", "present", "final"),
    }
    assert {r.round for r in again.report.readings} == {"1", "2"}


def test_a_row_with_several_refused_cells_is_one_row_to_mend(run):
    bad = row("1", "100", "present", seen="99:99")
    done = run(WIDE, ("in.csv", HEAD + bad))
    assert (done.report.items, done.report.rejected) == (2, 2)
    lines = done.rejects.read_text().splitlines()
    assert len(lines) == 2
    mended = done.rejects.read_text().replace("99:99", "09:59")
    again = run(WIDE, ("in.csv", HEAD + bad), ("mended.csv", mended), rejects="again.csv")
    assert (again.report.rejected, again.report.mapped) == (0, 2)


def test_a_column_that_the_site_file_does_not_know_is_refused_cell_by_cell(run):
    text = (
        HEAD.replace("remark", "coment")
        + row("1", "100", remark="x")
        + row("2", "110", seen="11:00")
    )
    done = run(WIDE, ("in.csv", text))
    (issue,) = done.report.issues
    assert (issue.rule, issue.line) == ("unknown-item", 2)
    assert done.report.mapped == 2


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("id,pat,drain,seen,stored,state,by,no,closing,a,b\n", "none of its columns is an item"),
        (HEAD.replace("swing", "level_ml"), '"level_ml" stands twice'),
        (HEAD.replace("seen", "when"), '"seen"'),
    ],
)
def test_headers_that_cannot_be_right(run, header, message):
    with pytest.raises(SourceError, match=message):
        run(WIDE, ("in.csv", header))


def test_a_row_that_is_no_row_is_one_refused_item(run):
    done = run(WIDE, ("in.csv", HEAD + "1,p-1\n" + row("2", "110")))
    assert [(i.rule, i.line) for i in done.report.issues] == [("row-length", 2)]
    assert done.rejects.read_text().splitlines()[1].startswith('1,p-1,"in.csv:2:')


def test_without_a_row_id_the_time_tells_rounds_apart(run):
    source = WIDE.replace('row = "id"\n', "")
    rows = row("x", "100", "present") + row("x", "110", "present", seen="11:00")
    done = run(source, ("in.csv", HEAD + rows))
    assert len(done.observation("round")) == 2


def test_a_column_cannot_be_an_item_too(run):
    with pytest.raises(Exception, match='"by" is a column and an item'):
        run(WIDE + '[sources.one.items.by]\nobservable = "swing"\n', ("in.csv", HEAD))

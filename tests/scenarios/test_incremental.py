"""Runs one after the other into a store come to the same as one run over everything."""

from __future__ import annotations

import io
import tempfile
from datetime import datetime
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import Wanted
from fhirdrain.street.remembering import known_items
from fhirdrain.vocabulary.jsontext import decode
from tests.conftest import ROOT, row, rows_of, site_text
from tests.scenarios.test_arrival import rows, told

ISO = 'time_format = "iso"'


class Journal:
    """A store that is given one file after the other."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder = folder
        (folder / "site.toml").write_text(site_text(source=ISO), encoding="utf-8")
        self.site = load_site(folder / "site.toml")
        self.store = Store(folder / f"{name}.sqlite", self.site.id)
        self.data = b""

    def take(self, *lines: str):
        """Map some rows into the store."""
        path = self.folder / "in.csv"
        path.write_text(rows_of(*lines), encoding="utf-8")
        stream = io.BytesIO()
        report = map_sources(
            [path], self.site, self.site.source(None), stream,
            rejects=self.folder / "r", store=self.store, wanted=Wanted(totals=True),
        )  # fmt: skip
        assert report.balanced
        self.data = stream.getvalue()
        return report

    def put(self) -> int:
        """Return how often anything was put out."""
        (count,) = self.store._base.execute("SELECT count(*) FROM outgoing").fetchone()
        return count

    def out(self) -> dict[tuple[str, str], dict]:
        """Return the last content that was put out of each identity."""
        found = {}
        for body in self.store._base.execute("SELECT body FROM outgoing ORDER BY seq").fetchall():
            resource = decode(body[0])
            found[resource["resourceType"], resource["identifier"][0]["value"]] = resource
        return found


@settings(max_examples=40, deadline=None)
@given(rows, st.integers(1, 4), st.randoms(use_true_random=False))
def test_what_comes_bit_by_bit_is_what_comes_at_once(walk, pieces, random):
    lines = told(walk)
    cuts = [lines[n::pieces] for n in range(pieces)]
    cuts += [random.sample(lines, k=len(lines) // 2)]  # and some of it comes again
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole, bits = Journal(folder, "whole"), Journal(folder, "bits")
        whole.take(*lines)
        rejected = sum(bits.take(*cut).rejected for cut in cuts if cut)
        if rejected:
            return  # a withdrawal came before what it withdraws, and waits in the rejects file
        once, later = whole.out(), bits.out()
        assert once.keys() <= later.keys()
        for key, resource in once.items():
            assert later[key] == resource
        # What a later version took away again is taken back, and was a derived number.
        for key in later.keys() - once.keys():
            assert later[key]["status"] == "entered-in-error"
            assert later[key]["method"]["coding"][0]["code"] == "calculated"
        # All of it told again says nothing new.
        waiting = bits.store.outgoing_by_state()
        bits.take(*lines)
        assert bits.store.outgoing_by_state() == waiting


LEVELS = [
    row(id="1", item="lvl", value="100", seen="2025-01-10T08:00+01:00", stored="2025-01-10T08:04+01:00"),
    row(id="2", item="lvl", value="130", seen="2025-01-10T10:00+01:00", stored="2025-01-10T10:04+01:00"),
    row(id="3", item="lvl", value="170", seen="2025-01-10T12:00+01:00", stored="2025-01-10T12:04+01:00"),
]  # fmt: skip


def outputs(journal: Journal) -> list[tuple[str, str]]:
    found = [r for r in journal.out().values() if "derivedFrom" in r and "valueQuantity" in r]
    return sorted(
        (str(r["valueQuantity"]["value"]), r["status"])
        for r in found
        if r["code"]["coding"][0]["code"] == "9129-8"
    )


def test_only_what_a_row_touches_goes_out_again(tmp_path):
    journal = Journal(tmp_path, "one")
    journal.take(*LEVELS[:2])
    before, waiting = journal.put(), journal.store.outgoing_by_state()["waiting"]
    report = journal.take(LEVELS[2])
    assert (report.items, report.mapped) == (1, 1)
    assert outputs(journal) == [("30", "final"), ("40", "final")]
    # The new level, its output, and the totals of shift and day.
    assert journal.put() == before + 4
    # Totals that still waited are overtaken, and go out once.
    assert journal.store.outgoing_by_state() == {"waiting": waiting + 2}


def test_a_derived_number_that_no_longer_exists_is_taken_back(tmp_path):
    journal = Journal(tmp_path, "one")
    journal.take(*LEVELS)
    journal.take(
        row(id="2", item="lvl", value="130", seen="2025-01-10T10:00+01:00",
            stored="2025-01-10T13:00+01:00", state="struck")
    )  # fmt: skip
    assert ("30", "entered-in-error") in outputs(journal)
    # The one that took its place was told otherwise before, which its status says.
    assert ("70", "amended") in outputs(journal)
    # And if the withdrawal itself is put right, it is there again.
    journal.take(
        row(id="2", item="lvl", value="130", seen="2025-01-10T10:00+01:00",
            stored="2025-01-10T14:00+01:00")
    )  # fmt: skip
    assert [value for value, status in outputs(journal) if status != "entered-in-error"] == [
        "30", "40",
    ]  # fmt: skip


def of_drains(journal: Journal) -> dict[str, set[str]]:
    """Return the statuses of what is about each drain as a whole."""
    found: dict[str, set[str]] = {}
    for (kind, value), resource in journal.out().items():
        if kind in ("Device", "DeviceUseStatement"):
            found.setdefault(value.rpartition(".")[0], set()).add(resource["status"])
    return found


def test_a_tube_that_was_none_is_taken_back_with_all_that_was_worked_out_of_it(tmp_path):
    """What is placed after a removal is another tube; unless the removal was charted by mistake."""

    def charted(number: str, item: str, value: str, hour: str, stored: str, **more: str) -> str:
        return row(id=number, item=item, value=value, seen=f"2025-01-10T{hour}:00+01:00",
                   stored=f"2025-01-10T{stored}:00+01:00", **more)  # fmt: skip

    journal, once = Journal(tmp_path, "bits"), Journal(tmp_path, "once")
    first = [
        LEVELS[0],
        charted("4", "rem", "planned", "09", "09"),
        charted("5", "plc", "in", "10", "10"),
        charted("6", "lvl", "110", "11", "11"),
        charted("7", "lvl", "140", "12", "12"),
    ]
    journal.take(*first)
    assert of_drains(journal) == {"R1.1": {"inactive", "completed"}, "R1.2": {"active"}}
    later = charted("4", "rem", "", "09", "13", state="struck")
    journal.take(later)
    assert of_drains(journal) == {"R1.1": {"active"}, "R1.2": {"entered-in-error"}}
    once.take(*first, later)
    whole, out = once.out(), journal.out()
    assert {key: out[key] for key in whole} == whole
    assert {out[key]["status"] for key in out.keys() - whole.keys()} == {"entered-in-error"}


def test_a_row_put_right_to_another_drain_leaves_nothing_of_the_first(tmp_path):
    journal = Journal(tmp_path, "one")
    journal.take(LEVELS[0])
    journal.take(LEVELS[0].replace("right 1", "left 1").replace("08:04", "09:04"))
    assert of_drains(journal) == {"R1.1": {"entered-in-error"}, "L1.1": {"active"}}
    # And told once more, nothing goes out again.
    waiting = journal.store.outgoing_by_state()
    journal.take(LEVELS[0].replace("right 1", "left 1").replace("08:04", "09:04"))
    assert journal.store.outgoing_by_state() == waiting


def test_a_late_level_amends_the_number_it_cuts_in_two(tmp_path):
    journal = Journal(tmp_path, "one")
    journal.take(LEVELS[0], LEVELS[2])
    assert outputs(journal) == [("70", "final")]
    late = LEVELS[1].replace("10:04+01:00", "18:00+01:00")
    journal.take(late)
    assert outputs(journal) == [("30", "final"), ("40", "amended")]
    # Whatever the order of arrival: the times of recording say which was known first.
    other = Journal(tmp_path, "two")
    other.take(LEVELS[0], late, LEVELS[2])
    assert outputs(other) == outputs(journal)


def test_what_was_known_at_a_moment(tmp_path):
    journal = Journal(tmp_path, "one")
    journal.take(*LEVELS)
    journal.take(
        row(id="3", item="lvl", value="171", seen="2025-01-10T12:00+01:00",
            stored="2025-01-10T15:00+01:00")
    )  # fmt: skip

    def known(clock: str) -> list[str]:
        at = datetime.fromisoformat(f"2025-01-10T{clock}+01:00")
        return [
            str(reading.value)
            for _, items in known_items(journal.store, at)
            for item in items
            for reading in item.readings
        ]

    assert known("08:00") == []
    assert known("10:04") == ["100", "130"]
    assert known("14:00") == ["100", "130", "170"]
    assert known("15:00") == ["100", "130", "170", "171"]


def test_the_scenario_in_two_halves(tmp_path):
    """Each chart cut in the middle, and the first half told again with the second."""
    samples = ROOT / "sample_bundles" / "scenario"
    site = load_site(samples / "site.toml")
    for name, file in (("rounds", "rounds.csv"), ("surgery", "surgery.tsv")):
        head, *body = (samples / file).read_text("utf-8").splitlines(keepends=True)
        found = []
        for cuts in ([body], [body[: len(body) // 2], body]):
            with Store(tmp_path / f"{name}{len(cuts)}", site.id) as store:
                for cut in cuts:
                    path = tmp_path / file
                    path.write_text(head + "".join(cut), encoding="utf-8")
                    map_sources([path], site, site.source(name), io.BytesIO(),
                                rejects=tmp_path / "r", store=store)  # fmt: skip
                last = {}
                rows = store._base.execute("SELECT body FROM outgoing ORDER BY seq").fetchall()
                for (text,) in rows:
                    resource = decode(text)
                    last[resource["resourceType"], resource["identifier"][0]["value"]] = resource
            found.append(last)
        assert len(found[0]) > 100
        assert found[0] == found[1]


def levels_out(journal: Journal) -> list[tuple[str, str]]:
    found = journal.out().values()
    return [
        (str(r["valueQuantity"]["value"]), r["status"])
        for r in found
        if r["resourceType"] == "Observation" and "derivedFrom" not in r and "valueQuantity" in r
    ]


def test_without_stored_times_the_last_word_stands_in_whatever_run_it_came(tmp_path):
    hundred, other = (row(id="1", item="lvl", value=value, stored="") for value in ("100", "140"))
    for n, lines in enumerate(([hundred, other, hundred], [hundred, other], [other, hundred])):
        once, bits = Journal(tmp_path, f"once{n}"), Journal(tmp_path, f"bits{n}")
        once.take(*lines)
        for line in lines:
            bits.take(line)
        bits.take(row(id="2", drain="left 1", item="lvl", value="10", stored=""))
        once.take(row(id="2", drain="left 1", item="lvl", value="10", stored=""))
        assert levels_out(once)[:1] == [("140" if n == 1 else "100", "corrected")]
        assert bits.out() == once.out()


def test_what_was_struck_and_told_again_without_stored_times_stands_again(tmp_path):
    told, struck = row(id="1", item="lvl", value="100"), row(id="1", item="lvl", state="struck")
    once, bits = Journal(tmp_path, "once"), Journal(tmp_path, "bits")
    once.take(told, struck, told)
    for line in (told, struck, told):
        bits.take(line)
    assert levels_out(once) == [("100", "corrected")]
    assert bits.out() == once.out()
    items = [item for _, item in bits.store.items("p-1")]
    assert len(items) == 3
    # The same file again, in which nothing is new, is not kept once more.
    bits.take(told)
    assert len(list(bits.store.items("p-1"))) == 3


def test_a_row_whose_versions_are_stored_at_a_time_only_in_part_is_said_so(tmp_path):
    journal = Journal(tmp_path, "one")
    report = journal.take(
        row(id="1", item="lvl", value="100", stored="2025-01-10T08:04+01:00"),
        row(id="1", item="lvl", value="140"),
    )
    assert [note for note in report.notes if "stored time" in note] == [
        "1 rows have versions with a stored time and without one: of those the last that came stands"
    ]
    assert levels_out(journal) == [("140", "corrected")]


def test_a_row_without_an_id_told_twice_is_told_once(tmp_path):
    told = row(item="lvl", value="100", stored="2025-01-10T10:04+01:00")
    for lines in ([told, told], [told]):
        journal = Journal(tmp_path, f"of{len(lines)}")
        report = journal.take(*lines)
        assert (report.mapped, report.rejected) == (len(lines), 0)
        assert levels_out(journal) == [("100", "final")]
    again = Journal(tmp_path, "again")
    again.take(told)
    assert again.take(told).mapped == 1
    assert len(list(again.store.items("p-1"))) == 1
    other = row(item="lvl", value="101", stored="2025-01-10T10:04+01:00")
    assert Journal(tmp_path, "tie").take(told, other).rejected == 2

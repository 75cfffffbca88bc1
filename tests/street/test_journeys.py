"""Whole journeys: rows to a server and back, again, changed, and the tour."""

from __future__ import annotations

import csv
import io
import os
import subprocess
import sys
from dataclasses import replace
from decimal import Decimal

import pytest

from fhirdrain.conformance import check_bytes
from fhirdrain.errors import ConfigurationError, RefusedError, ServerError
from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.posting import note, post, prepare
from fhirdrain.street.reading import Wanted, moment, read_drains, rows_of
from fhirdrain.street.tour import SAME, Tour
from tests.conftest import HEADER, ROOT, make_site, row
from tests.resources.test_form import lines


@pytest.fixture
def client(server):
    client = Client(server, Bearer(None))
    yield client
    client.close()


def sent(client, tmp_path, run, **more):
    path = tmp_path / "bundle.json"
    path.write_bytes(run.data)
    return post(client, prepare(str(path)), **more)


def compared(readings):
    return {
        (r.identity, r.observable): {
            name: str(getattr(r, name)) if name == "value" else getattr(r, name) for name in SAME
        }
        for r in readings
    }


def test_there_and_back_again(mapped, client, tmp_path):
    run = mapped(*lines(), row(id="30", item="swg", value="absent", pat="p-2"))
    first = sent(client, tmp_path, run, create_patients=True)
    assert len(first.created) == len(run.resources)
    again = sent(client, tmp_path, run)
    assert (len(again.created), len(again.present)) == (0, len(run.resources))
    _, readings, issues = read_drains(client, Wanted())
    assert issues == []
    assert compared(readings) == compared(run.report.readings)


def test_a_changed_value_is_reported_and_not_written(mapped, client, tmp_path):
    sent(client, tmp_path, mapped(row(id="1", item="lvl", value="100")), create_patients=True)
    changed = sent(client, tmp_path, mapped(row(id="1", item="lvl", value="101")))
    ((entry, found),) = changed.different
    assert found == ["valueQuantity.value differs"]
    assert entry.body["resource"]["resourceType"] == "Observation"
    _, (reading,), _ = read_drains(client, Wanted())
    assert reading.value == 100


def test_digits_go_to_the_server_and_back(mapped, client, tmp_path):
    run = mapped(
        *(
            row(id=str(n), item="lvl", value=v, seen=f"2025-01-10 {10 + n}:00")
            for n, v in enumerate(["19", "19.0", "19.00"])
        )
    )
    sent(client, tmp_path, run, create_patients=True)
    _, readings, _ = read_drains(client, Wanted())
    assert [str(r.value) for r in readings] == ["19", "19.0", "19.00"]


def test_more_entries_than_one_piece_holds(mapped, client, tmp_path):
    many = [
        row(id=str(n), item="lvl", value=str(n), seen=f"2025-01-{1 + n // 24:02} {n % 24:02}:00")
        for n in range(240)
    ]
    run = mapped(*many)
    delivery = sent(client, tmp_path, run, create_patients=True)
    assert len(delivery.created) == len(run.resources) > 400
    resources, readings, _ = read_drains(client, Wanted())
    assert len(readings) == 240
    derived = [r for r in resources if "derivedFrom" in r]
    assert len(derived) == 239
    ids = {f"{r['resourceType']}/{r['id']}" for r in resources}
    assert all(ref["reference"] in ids for r in derived for ref in r["derivedFrom"])


def test_one_unknown_patient_does_not_hold_up_another(mapped, client, tmp_path):
    sent(
        client,
        tmp_path,
        mapped(row(id="1", item="lvl", value="5", pat="p-1")),
        create_patients=True,
    )
    run = mapped(
        row(id="2", item="lvl", value="5", pat="p-1"), row(id="3", item="lvl", value="5", pat="p-2")
    )
    delivery = sent(client, tmp_path, run)
    assert len(delivery.created) == 1
    assert {reason for _, reason in delivery.parked} == {
        "the server does not know the patient (--create-patients would create it)"
    }


def test_since_and_until_are_by_end_and_open_at_the_start(mapped, client, tmp_path):
    run = mapped(
        *(
            row(id=str(h), item="out", value="5", unit="mL", seen=f"2025-01-10 {h:02}:00")
            for h in (8, 12, 16)
        ),
        row(id="o", item="ord", value="suction 20", seen="2025-01-10 07:00"),
    )
    sent(client, tmp_path, run, create_patients=True)
    wanted = Wanted(since=moment("2025-01-10T08:00+01:00"), until=moment("2025-01-10T12:00+01:00"))
    resources, readings, _ = read_drains(client, wanted)
    assert [(r.observable, r.time.hour) for r in readings] == [("output", 12)]
    # The order that was in force all along is among the resources.
    assert [r["resourceType"] for r in resources].count("ServiceRequest") == 1
    _, readings, _ = read_drains(client, replace(wanted, until=None, drain="L1"))
    assert readings == []
    patient = ("https://test.example/patient", "p-1")
    assert len(read_drains(client, Wanted(patient=patient))[1]) == 5
    assert read_drains(client, Wanted(patient=(patient[0], "p-9")))[1] == []


def test_rows_say_everything_once(mapped, client, tmp_path):
    sent(
        client,
        tmp_path,
        mapped(row(id="1", item="lvl", value="19.00", note='"a, b"')),
        create_patients=True,
    )
    text = rows_of(read_drains(client, Wanted())[1])
    assert text.splitlines()[1].startswith("p-1,R1,1,level,2025-01-10T10:00:00+01:00,,19.00,mL,")
    assert '"a, b"' in text


def test_what_breaks_the_rules_is_not_sent(mapped, tmp_path):
    path = tmp_path / "b.json"
    path.write_bytes(
        mapped(row(id="1", item="lvl", value="5")).data.replace(b'"code":"mL"', b'"code":"ML"')
    )
    with pytest.raises(RefusedError, match=r"b\.json:\d+:\d+: the unit"):
        prepare(str(path))
    assert len(prepare(str(path), checked=False).entries) == 3


def test_what_would_be_doubled_is_not_sent(mapped, tmp_path):
    path = tmp_path / "b.json"
    path.write_bytes(
        mapped(row(id="1", item="lvl", value="5")).data.replace(b'"ifNoneExist"', b'"ifMatch"')
    )
    with pytest.raises(RefusedError, match="created again"):
        prepare(str(path))


@pytest.mark.parametrize("form", ["collection", "ndjson"])
def test_only_transactions_are_posted(tmp_path, form):
    site = make_site(tmp_path)
    source = tmp_path / "in.csv"
    source.write_text("\n".join([",".join(HEADER), *lines()]) + "\n")
    stream = io.BytesIO()
    map_sources([source], site, site.source(None), stream, form=form, rejects=tmp_path / "r.csv")
    path = tmp_path / f"out.{form}"
    path.write_bytes(stream.getvalue())
    assert check_bytes(stream.getvalue(), str(path)) == []
    with pytest.raises(RefusedError, match=r"only transaction|not JSON"):
        prepare(str(path))


def test_a_mended_rejects_file_goes_through_with_its_source(mapped, tmp_path):
    run = mapped(
        row(id="1", item="lvl", value="100", seen="2025-01-10 08:00"),
        row(
            id="2",
            item="lvl",
            value="1.790",
            seen="2025-01-10 09:00",
            note='"a ""quoted"", remark"',
        ),
        row(id="3", item="lvl", value="120", seen="2025-01-10 10:00"),
    )
    assert run.report.rejected == 1
    refused = run.rejects.read_text()
    assert "thousands or a decimal fraction?" in refused
    site = make_site(tmp_path)
    # Refused again it stays whole, with one reason and not two.
    stream = io.BytesIO()
    second = tmp_path / "second.csv"
    again = map_sources([run.rejects], site, site.source(None), stream, rejects=second)
    assert (again.items, again.rejected) == (1, 1)
    assert second.read_text() == refused
    run.rejects.write_text(refused.replace("1.790", "110"))
    mended = io.BytesIO()
    report = map_sources(
        [tmp_path / "rounds.csv", run.rejects], site, site.source(None), mended,
        rejects=second, keep_items=True,
    )  # fmt: skip
    assert (report.items, report.mapped, report.rejected) == (4, 3, 0)
    assert report.set_aside == {"refused, and mended in another row": 1}
    assert [r.value for r in report.readings] == [100, 110, 120]


def test_ties_without_a_row_id_are_refused_and_never_numbered(mapped):
    run = mapped(
        row(item="lvl", value="100"),
        row(item="lvl", value="110"),
        row(item="lvl", value="120", seen="2025-01-10 11:00"),
    )
    assert (run.report.mapped, run.report.rejected) == (1, 2)
    assert {issue.rule for issue in run.report.issues} == {"tie"}
    assert run.rejects.read_text().count("lvl") == 2


def test_a_withdrawal_of_nothing_is_refused(mapped):
    run = mapped(row(id="1", item="lvl", value="", state="struck"))
    assert (run.report.rejected, run.report.issues[0].rule) == (1, "withdrawal")


def test_the_tour_comes_out(tmp_path):
    tour = Tour(tmp_path)
    told = list(tour.lines())
    assert tour.faults == []
    assert 15 <= len(told) <= 30
    text = "\n".join(told)
    assert "306 created" in text
    assert "0 created, 306 there already and the same" in text
    assert "1 different" in text
    assert "at least 20" in text
    assert "drain out" in text


def test_the_tour_notices_when_it_does_not_come_out(tmp_path, monkeypatch):
    from fhirdrain.bedside import totals

    right = totals._covered
    monkeypatch.setattr(totals, "_covered", lambda pieces, place: right(pieces, place) / 2)
    tour = Tour(tmp_path)
    text = "\n".join(tour.lines())
    assert tour.faults
    assert "WRONG" in text


def test_an_incomplete_read_is_an_error(client, mapped, tmp_path, monkeypatch):
    sent(client, tmp_path, mapped(row(id="1", item="lvl", value="5")), create_patients=True)

    def half(kind, params):
        raise ServerError("the answer is not complete")
        yield

    monkeypatch.setattr(client, "search", half)
    with pytest.raises(ServerError):
        read_drains(client, Wanted())


def test_a_store_remembers_and_is_told_what_was_said(mapped, client, tmp_path):
    from fhirdrain.store import Store

    run = mapped(
        row(id="1", item="lvl", value="5"),
        row(id="2", item="lvl", value="9", seen="2025-01-10 11:00"),
    )
    site = make_site(tmp_path)
    with Store(tmp_path / "store", site.id) as store:
        report = map_sources(
            [tmp_path / "rounds.csv"], site, site.source(None), io.BytesIO(),
            rejects=tmp_path / "r.csv", store=store,
        )  # fmt: skip
        assert report.versions == 2
        assert store.outgoing_by_state() == {"waiting": len(run.resources)}
        note(store, client, sent(client, tmp_path, run, create_patients=True))
        assert store.outgoing_by_state() == {"sent": len(run.resources)}
        again = map_sources(
            [tmp_path / "rounds.csv"], site, site.source(None), io.BytesIO(),
            rejects=tmp_path / "r.csv", store=store,
        )  # fmt: skip
        assert again.versions == 0
        assert store.outgoing_by_state() == {"sent": len(run.resources)}


def test_amounts_in_litres_are_said_in_millilitres_once(mapped):
    run = mapped(row(id="1", item="out", value="0.25", unit="L"))
    (observation,) = run.of("Observation")
    assert observation["valueQuantity"]["value"] == Decimal(250)
    assert observation["component"][0]["valueQuantity"]["code"] == "L"


# -- at the edges


def test_a_reason_taken_away_while_mending_takes_no_cell_with_it(mapped, tmp_path):
    run = mapped(
        row(id="1", item="chg", value="full", opening="33", seen="soon"),
        row(id="2", item="lvl", value="5", note='tube 5" long', seen="soon"),
    )
    lines = run.rejects.read_text().splitlines()
    mended = [lines[0], lines[1].rpartition(',"')[0], lines[2]]
    run.rejects.write_text("\n".join(mended) + "\n")
    site, second = make_site(tmp_path), tmp_path / "second.csv"
    again = map_sources([run.rejects], site, site.source(None), io.BytesIO(), rejects=second)
    assert {issue.rule for issue in again.issues} == {"time"}
    one, two = list(csv.reader(second.read_text().splitlines()))[1:]
    assert (one[16], two[13]) == ("33", 'tube 5" long')
    assert len(one) == len(two) == len(HEADER) + 1


def test_no_file_that_was_given_is_overwritten(tmp_path):
    site = make_site(tmp_path)
    header, extra = ",".join(HEADER), ",".join([*HEADER, "more"])
    bad = row(id="1", item="lvl", value="x")
    files = [tmp_path / name for name in ("a.csv", "b.csv", "r-2.csv")]
    for file, text in zip(
        files, (f"{header}\n{bad}\n", f"{extra}\n{bad},\n", f"{extra}\n{bad},\n"), strict=True
    ):
        file.write_text(text)
    with pytest.raises(ConfigurationError, match="would be overwritten"):
        map_sources(files, site, site.source(None), io.BytesIO(), rejects=tmp_path / "r.csv")
    with pytest.raises(ConfigurationError, match="would be overwritten"):
        map_sources(
            files[:1], site, site.source(None), io.BytesIO(),
            rejects=tmp_path / "site.toml", protected=[tmp_path / "site.toml"],
        )  # fmt: skip
    assert files[2].read_text() == f"{extra}\n{bad},\n"


def test_an_order_without_a_row_id_is_no_tie_with_itself(mapped):
    run = mapped(row(item="ord", value="suction 20"), row(item="lvl", value="5"))
    assert (run.report.rejected, len(run.of("ServiceRequest"))) == (0, 1)


def test_a_row_charted_for_two_patients_is_said(mapped):
    run = mapped(
        row(id="1", item="out", value="45", unit="mL"),
        row(id="1", item="out", value="45", unit="mL", pat="p-2"),
    )
    assert any("several patients" in note for note in run.report.notes)


def test_a_blanked_row_and_a_bare_withdrawal_take_back_what_was_said(mapped):
    run = mapped(
        row(id="1", item="out", value="45", unit="mL", stored="2025-01-10 10:05"),
        row(id="1", item="out", value="", unit="mL", stored="2025-01-10 10:15"),
        row(
            id="2",
            item="out",
            value="30",
            unit="mL",
            seen="2025-01-10 11:00",
            stored="2025-01-10 11:05",
        ),
        row(id="2", item="out", value="", seen="2025-01-10 11:00", state="struck"),
    )
    assert {o["status"] for o in run.of("Observation")} == {"entered-in-error"}
    assert (run.report.mapped, run.report.set_aside.total()) == (3, 1)


def test_a_number_that_rests_on_a_corrected_one_is_amended(mapped):
    run = mapped(
        row(id="1", item="lvl", value="100", seen="2025-01-10 08:00"),
        row(id="2", item="lvl", value="120", stored="2025-01-10 10:05"),
        row(id="2", item="lvl", value="130", stored="2025-01-10 10:15"),
    )
    (output,) = run.derived
    assert (output["valueQuantity"]["value"], output["status"]) == (30, "amended")


def test_a_no_break_space_in_a_remark_goes_through(mapped, client, tmp_path):
    run = mapped(row(id="1", item="lvl", value="5", note="in\u00a0the unit"))
    assert check_bytes(run.data) == []
    assert len(sent(client, tmp_path, run, create_patients=True).created) == 3


def test_what_map_writes_can_be_posted_by_anybody(mapped, server):
    import requests

    run = mapped(
        row(id="1", item="lvl", value="5"),
        row(id="2", item="lvl", value="9", seen="2025-01-10 11:00"),
    )
    headers = {"Content-Type": "application/fhir+json"}
    patient = '{"resourceType":"Patient","identifier":[{"system":"https://test.example/patient","value":"p-1"}]}'
    assert requests.post(server, data=run.data, headers=headers, timeout=10).status_code == 412
    requests.post(f"{server}/Patient", data=patient, headers=headers, timeout=10)
    for status in (b"201", b"200"):
        answer = requests.post(server, data=run.data, headers=headers, timeout=10)
        assert answer.status_code == 200
        assert answer.content.count(b'"status":"' + status) == len(run.resources)


def test_another_systems_patient_of_the_same_number_is_not_read(
    mapped, client, tmp_path, monkeypatch
):
    sent(client, tmp_path, mapped(row(id="1", item="lvl", value="5")), create_patients=True)
    search = client.search
    # A server that passes over the parameters it does not know.
    monkeypatch.setattr(
        client,
        "search",
        lambda kind, params: search(kind, [p for p in params if "patient" not in p[0]]),
    )
    assert len(read_drains(client, Wanted(patient=("https://test.example/patient", "p-1")))[1]) == 1
    assert read_drains(client, Wanted(patient=("https://other.example", "p-1")))[1] == []


def test_a_row_id_that_says_two_things_at_once_is_a_tie(mapped):
    stored = {"stored": "2025-01-10 11:00"}
    run = mapped(
        row(id="1", item="out", value="10", unit="mL", **stored),
        row(id="1", item="out", value="99", unit="mL", drain="left 1", **stored),
        row(id="2", item="lvl", value="5", drain="left 1", **stored),
        row(id="2", item="lvl", value="5", drain="left 1", **stored),
    )
    assert (run.report.mapped, run.report.rejected) == (2, 2)
    assert {issue.rule for issue in run.report.issues} == {"tie"}


def test_a_mended_row_takes_the_place_of_the_one_that_was_refused(mapped, tmp_path):
    """An older version that was mended does not become the newest."""
    run = mapped(row(id="1", item="lvl", value="1O0"), row(id="1", item="lvl", value="130"))
    assert run.report.rejected == 1
    run.rejects.write_text(run.rejects.read_text().replace("1O0", "100"))
    site, sources = make_site(tmp_path), [tmp_path / "rounds.csv", run.rejects]
    for order in (sources, sources[::-1]):
        report = map_sources(
            order, site, site.source(None), io.BytesIO(), rejects=tmp_path / "r", keep_items=True
        )
        assert [(r.value, r.status) for r in report.readings] == [(130, "corrected")]
        assert (report.mapped, report.rejected, report.set_aside.total()) == (2, 0, 1)


def test_a_correction_that_was_refused_is_not_forgiven_by_what_it_corrects(mapped):
    run = mapped(row(id="1", item="lvl", value="100"), row(id="1", item="lvl", value="13O"))
    assert (run.report.mapped, run.report.rejected) == (1, 1)


def test_memory_does_not_grow_with_the_rows(tmp_path):
    """Ten times the rows in ten times the patients take less than a third more memory."""
    site = tmp_path / "site.toml"
    make_site(tmp_path)
    peaks = []
    for patients in (20, 200):
        path = tmp_path / f"{patients}.csv"
        with path.open("w") as stream:
            print(",".join(HEADER), file=stream)
            for number in range(patients * 75):
                hour = number // patients
                seen = f"2025-01-{1 + hour // 24:02} {hour % 24:02}:00"
                print(
                    row(
                        id=str(number),
                        pat=f"p{number % patients}",
                        item="lvl",
                        value=str(hour),
                        seen=seen,
                    ),
                    file=stream,
                )
        code = (
            "import resource, sys; from fhirdrain.cli.main import group;"
            "\ntry: group(sys.argv[1:])\nexcept SystemExit: pass"
            "\nprint(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
        )
        arguments = ["map", str(path), "--site", str(site), "--out", str(tmp_path / "o.json")]
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments],
            capture_output=True, text=True, check=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert f"{patients * 75} mapped" in done.stderr
        peaks.append(int(done.stdout))
    assert peaks[1] < peaks[0] * 1.33, peaks


# -- mending, row by row


def mending(mapped, tmp_path, lines, mend):
    """Map lines, mend the rejects by replacing texts, and map again in every order of the files."""
    run = mapped(*lines)
    text = run.rejects.read_text()
    for old, new in mend.items():
        assert text.count(old) == 1
        text = text.replace(old, new)
    mended = tmp_path / "mended.csv"
    mended.write_text(text)
    site, outcomes = make_site(tmp_path), []
    for files in ([tmp_path / "rounds.csv", mended], [mended, tmp_path / "rounds.csv"]):
        again = map_sources(
            files, site, site.source(None), io.BytesIO(), rejects=tmp_path / "again.csv",
            keep_items=True,
        )  # fmt: skip
        assert again.balanced
        standing = [(r.observable, str(r.value), r.status) for r in again.readings]
        outcomes.append((sorted(standing), again.rejected))
    assert outcomes[0] == outcomes[1]
    return outcomes[0]


def test_mending_one_of_two_rows_of_an_id_leaves_the_other_refused(mapped, tmp_path):
    lines = [row(id="7", item="lvl", value="abc"), row(id="7", item="suc", value="huh")]
    assert mending(mapped, tmp_path, lines, {"abc": "90"}) == ([("level", "90", "final")], 1)
    assert "huh" in (tmp_path / "again.csv").read_text()


def test_a_correction_still_refused_is_not_forgotten(mapped, tmp_path):
    lines = [
        row(id="7", item="out", value="abc", unit="mL"),
        row(id="7", item="out", value="1.790", unit="mL"),
    ]
    assert mending(mapped, tmp_path, lines, {",abc,": ",90,"}) == ([("output", "90", "final")], 1)
    assert "1.790" in (tmp_path / "again.csv").read_text()


def test_a_mended_row_comes_where_its_original_came(mapped, tmp_path):
    lines = [row(id="7", item="lvl", value=v) for v in ("abc", "100", "xyz")]
    found = mending(mapped, tmp_path, lines, {"xyz": "120"})
    assert found == ([("level", "120", "corrected")], 1)
    assert mending(mapped, tmp_path, lines, {"abc": "90"}) == ([("level", "100", "corrected")], 1)


def test_a_row_mended_into_silence_withdraws_nothing_newer(mapped, tmp_path):
    lines = [row(id="7", item="out", value=v, unit="mL") for v in ("abc", "100")]
    assert mending(mapped, tmp_path, lines, {",abc,": ",,"}) == ([("output", "100", "final")], 0)


def test_id_and_recorded_time_can_be_mended(mapped, tmp_path):
    lines = [row(id="7", item="lvl", value="5", stored="soon")]
    mend = {"7,p-1": "8,p-1", "soon": "2025-01-10 11:00"}
    assert mending(mapped, tmp_path, lines, mend) == ([("level", "5", "final")], 0)


def test_a_tie_can_be_mended(mapped, tmp_path):
    lines = [row(item="lvl", value="5"), row(item="lvl", value="9")]
    found = mending(
        mapped,
        tmp_path,
        lines,
        {",p-1,,right 1,2025-01-10 10:00,,,,lvl,9": ",p-1,,right 1,2025-01-10 11:00,,,,lvl,9"},
    )
    assert found == ([("level", "5", "final"), ("level", "9", "final")], 0)


def test_a_source_changed_since_is_noticed(mapped, tmp_path):
    run = mapped(row(id="1", item="lvl", value="abc"))
    mended = tmp_path / "mended.csv"
    mended.write_text(run.rejects.read_text().replace("abc", "90"))
    again = mapped(row(id="2", item="lvl", value="xyz"))
    assert again.report.rejected == 1
    site = make_site(tmp_path)
    both = map_sources(
        [tmp_path / "rounds.csv", mended], site, site.source(None), io.BytesIO(),
        rejects=tmp_path / "r",
    )  # fmt: skip
    assert (both.mapped, both.rejected, both.set_aside.total()) == (1, 1, 0)

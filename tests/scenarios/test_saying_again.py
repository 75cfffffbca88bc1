"""What came to be another is said again: from the store to the server, under the same identity."""

from __future__ import annotations

import io
import sqlite3

import pytest

from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client, Way
from fhirdrain.exchange.differences import differences
from fhirdrain.sandbox.server import running
from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import wanted_of
from fhirdrain.street.posting import post_waiting
from fhirdrain.street.reading import Wanted, read_drains
from fhirdrain.vocabulary.jsontext import encode
from tests.conftest import ROOT
from tests.scenarios.test_arrival import line
from tests.scenarios.test_incremental import Journal


@pytest.fixture
def client(server):
    return Client(server, Bearer(None))


def send(journal: Journal, client: Client):
    """Send what waits; nothing is refused, parked or left."""
    delivery = post_waiting(client, journal.store, create_patients=True)
    assert (delivery.refused, delivery.parked, delivery.waiting) == ([], [], [])
    assert (delivery.different, delivery.failure) == ([], None)
    assert set(journal.store.outgoing_by_state()) == {"sent"}
    return delivery


def held(client: Client) -> dict[tuple[str, str], dict]:
    resources, _, issues = read_drains(client, Wanted())
    assert issues == []
    found = {(r["resourceType"], r["identifier"][0]["value"]): r for r in resources}
    assert len(found) == len(resources)  # nothing stands there twice
    return found


def assert_is_said(journal: Journal, client: Client) -> None:
    there = held(client)
    out = journal.out()
    assert there.keys() == out.keys()
    assert [(k, d) for k, r in out.items() if (d := differences(r, there[k]))] == []


FIRST = [line(1, 0, "lvl", 100, 1), line(2, 60, "lvl", 130, 2), line(3, 120, "lvl", 170, 3)]


def test_a_correction_a_withdrawal_and_what_they_touch_reach_the_server(tmp_path, client):
    journal = Journal(tmp_path, "one")
    journal.take(*FIRST)
    assert len(send(journal, client).created) == len(journal.out())
    assert_is_said(journal, client)
    journal.take(line(2, 60, "lvl", 140, 100), line(4, 180, "lvl", 200, 4))
    again = send(journal, client)
    # The level put right, the two outputs it touches, shift and day; and the new level and output.
    assert (len(again.updated), len(again.created)) == (5, 2)
    assert_is_said(journal, client)
    journal.take(line(2, 60, "lvl", 140, 200, state="struck"))
    send(journal, client)
    assert_is_said(journal, client)
    statuses = {r["status"] for r in held(client).values()}
    assert {"entered-in-error", "amended", "final"} <= statuses
    nothing = send(journal, client)
    assert nothing.delivered == 0


def test_what_waited_and_was_overtaken_goes_out_once_as_it_last_was(tmp_path, client):
    journal = Journal(tmp_path, "one")
    journal.take(*FIRST)
    journal.take(line(2, 60, "lvl", 140, 100))
    delivery = send(journal, client)
    assert (len(delivery.created), delivery.updated) == (len(journal.out()), [])
    assert_is_said(journal, client)


def test_what_was_committed_there_and_never_confirmed_is_updated(tmp_path, client):
    """The sender died between the server's commit and its answer, and then a correction came."""
    journal = Journal(tmp_path, "one")
    journal.take(*FIRST)
    send(journal, client)
    journal.store._base.execute("DELETE FROM said")
    journal.store._base.execute("UPDATE outgoing SET state = 'waiting'")
    journal.take(line(2, 60, "lvl", 140, 100))
    delivery = post_waiting(client, journal.store)
    assert len(delivery.updated) == 3  # the level and the outputs on either side of it
    assert delivery.different == []
    assert_is_said(journal, client)


def test_what_somebody_else_changed_there_is_left_alone_and_said(tmp_path, client):
    journal = Journal(tmp_path, "one")
    journal.take(FIRST[0])
    send(journal, client)
    changed_by_somebody(client, 999)
    other = Journal(tmp_path, "two")
    other.take(FIRST[0])
    delivery = post_waiting(client, other.store)
    assert [found for _, found in delivery.different] == [["valueQuantity.value differs"]]
    assert other.store.outgoing_by_state()["refused"] == 1


def changed_by_somebody(client: Client, value: int) -> None:
    """Let somebody else change the one level that the server holds."""
    (level,) = [r for r in held(client).values() if "valueQuantity" in r and "method" not in r]
    level["valueQuantity"]["value"] = value
    put = client._session().put(
        f"{client.base}/Observation/{level['id']}",
        data=encode(level),
        headers={"Content-Type": "application/fhir+json"},
    )
    assert put.status_code == 200


@pytest.mark.parametrize("kind", ["transaction", "single"])
def test_a_correction_leaves_alone_what_somebody_else_changed_since(
    tmp_path, client, monkeypatch, kind
):
    monkeypatch.setattr(Client, "way", lambda _: Way(kind))
    journal = Journal(tmp_path, "one")
    journal.take(FIRST[0])
    send(journal, client)
    changed_by_somebody(client, 155)
    journal.take(line(1, 0, "lvl", 160, 100), line(2, 60, "lvl", 170, 101))
    delivery = post_waiting(client, journal.store)
    assert [found[0] for _, found in delivery.different] == ["status differs"]
    assert journal.store.outgoing_by_state()["refused"] == 1
    values = {str(r.get("valueQuantity", {}).get("value")) for r in held(client).values()}
    assert "155" in values
    assert "160" not in values
    assert "170" in values  # the others go


def test_an_update_whose_answer_was_lost_is_known_again(tmp_path, client):
    journal = Journal(tmp_path, "one")
    journal.take(FIRST[0])
    send(journal, client)
    journal.take(line(1, 0, "lvl", 160, 100))
    copy = tmp_path / "before.sqlite"
    target = sqlite3.connect(copy)
    journal.store._base._base.backup(target)
    target.close()
    send(journal, client)
    with Store(copy, journal.site.id) as before:  # as it was before the answer came
        delivery = post_waiting(client, before)
    assert (len(delivery.updated), delivery.different) == (1, [])
    assert_is_said(journal, client)


def test_another_server_gets_all_of_it_and_another_name_of_one_doubles_nothing(tmp_path, client):
    journal = Journal(tmp_path, "one")
    journal.take(*FIRST)
    send(journal, client)
    with running("0") as base:
        second = Client(base, Bearer(None))
        delivery = send(journal, second)
        assert len(delivery.created) == len(journal.out())
        assert any("another server" in note for note in delivery.notes)
        assert_is_said(journal, second)
        assert send(journal, second).delivered == 0
        second.close()
    named = Client(client.base.replace("127.0.0.1", "localhost"), Bearer(None))
    journal.take(line(2, 60, "lvl", 140, 100))
    again = send(journal, named)
    assert (again.created, len(again.updated)) == ([], 3)
    assert_is_said(journal, client)
    named.close()


def test_what_was_deleted_there_is_said_and_comes_back_when_it_is_asked_for(tmp_path, client):
    journal = Journal(tmp_path, "one")
    journal.take(FIRST[0])
    send(journal, client)
    (level,) = [r for r in held(client).values() if "valueQuantity" in r and "method" not in r]
    assert client._session().delete(f"{client.base}/Observation/{level['id']}").status_code < 300
    journal.take(line(1, 0, "lvl", 160, 100))
    delivery = post_waiting(client, journal.store)
    assert ["was on the server and is not any more" in why for _, why in delivery.refused] == [True]
    with journal.store.commit():
        journal.store.retry([one.number for one in journal.store.outgoing("refused")])
    assert len(send(journal, client).created) == 1
    assert_is_said(journal, client)


def test_a_patient_who_is_not_known_yet_is_tried_again(tmp_path, client):
    journal = Journal(tmp_path, "one")
    journal.take(*FIRST)
    parked = post_waiting(client, journal.store)
    assert len(parked.parked) == len(journal.out())
    assert set(journal.store.outgoing_by_state()) == {"parked"}
    send(journal, client)
    assert_is_said(journal, client)


def test_a_row_moved_to_another_drain_is_moved_there_too(tmp_path, client):
    journal = Journal(tmp_path, "one")
    journal.take(FIRST[0])
    send(journal, client)
    journal.take(FIRST[0].replace("right 1", "left 1").replace("00:01+01:00", "09:04+01:00"))
    send(journal, client)
    assert_is_said(journal, client)
    levels = [r for r in held(client).values() if "valueQuantity" in r and "method" not in r]
    assert [r["device"]["display"] for r in levels] == ["L1"]


def test_what_has_errors_is_not_sent_and_the_rest_is(tmp_path, client):
    journal = Journal(tmp_path, "one")
    journal.take(FIRST[0])
    broken = next(r for r in journal.out().values() if "valueQuantity" in r)
    broken["valueQuantity"]["code"] = "ML"
    journal.store.put_outgoing([broken], "lane")
    delivery = post_waiting(client, journal.store, create_patients=True)
    assert [reason.startswith("not sent") for _, reason in delivery.refused] == [True]
    assert len(delivery.created) == len(journal.out()) - 1
    assert journal.store.outgoing_by_state()["refused"] == 1


def test_the_scenario_told_in_five_parts_stands_there_as_told_at_once(tmp_path, client):
    """After each part all that waits is sent; some parts come twice."""
    samples = ROOT / "sample_bundles" / "scenario"
    site = load_site(samples / "site.toml")
    for name, file in (("rounds", "rounds.csv"), ("surgery", "surgery.tsv")):
        head, *body = (samples / file).read_text("utf-8").splitlines(keepends=True)
        fifth = len(body) // 5 + 1
        parts = [body[n : n + fifth] for n in range(0, len(body), fifth)]

        def told(store, rows, file=file, name=name, head=head):
            path = tmp_path / file
            path.write_text(head + "".join(rows), encoding="utf-8")
            map_sources(
                [path], site, site.source(name), io.BytesIO(), rejects=tmp_path / "r",
                store=store, wanted=wanted_of(["totals", "rates"], site),
            )  # fmt: skip

        with Store(tmp_path / f"{name}.parts", site.id) as store:
            for part in [*parts, parts[1], parts[3]]:
                told(store, part)
                delivery = post_waiting(client, store, create_patients=True)
                assert (delivery.refused, delivery.different, delivery.parked) == ([], [], [])
            assert set(store.outgoing_by_state()) == {"sent"}
        with Store(tmp_path / f"{name}.once", site.id) as store:
            told(store, body)
            once = [one.resource for one in store.outgoing("waiting")]
        there = held(client)
        keys = [(r["resourceType"], r["identifier"][0]["value"]) for r in once]
        assert len(keys) > 100
        assert [d for k, r in zip(keys, once, strict=True) if (d := differences(r, there[k]))] == []

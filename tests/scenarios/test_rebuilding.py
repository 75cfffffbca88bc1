"""A store made anew from a server goes on as if it had never been lost."""

from __future__ import annotations

import copy
import io
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhirdrain.errors import ConfigurationError
from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.sandbox.server import running
from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import wanted_of
from fhirdrain.street.posting import post, prepare
from fhirdrain.street.reading import Wanted, read_drains
from fhirdrain.street.rebuilding import rebuild
from fhirdrain.vocabulary.jsontext import decode
from tests.conftest import ROOT, row, rows_of, site_text
from tests.scenarios.test_arrival import line, rows, told
from tests.scenarios.test_incremental import Journal

SCENARIO = ROOT / "sample_bundles" / "scenario"
CHARTS = (("rounds", "rounds.csv"), ("surgery", "surgery.tsv"))


def held(resources):
    """Return resources as a server would hold them: with ids of its own."""
    return [{**copy.deepcopy(r), "id": str(number)} for number, r in enumerate(resources)]


def rebuilt(journal: Journal, name: str = "again", resources=None) -> tuple[Journal, object]:
    """Return a journal whose store was made from what another one put out."""
    other = Journal(journal.folder, name)
    resources = held(journal.out().values()) if resources is None else resources
    return other, rebuild(other.store, other.site, resources, "http://there")


@settings(max_examples=60, deadline=None)
@given(rows, st.integers(0, 24), st.randoms(use_true_random=False))
def test_what_comes_after_a_rebuilding_comes_to_the_same(walk, cut, random):
    lines = told(walk)
    random.shuffle(lines)
    cut = min(cut, len(lines))
    with tempfile.TemporaryDirectory() as name:
        lost = Journal(Path(name), "lost")
        rejected = lost.take(*lines[:cut]).rejected
        again, report = rebuilt(lost)
        assert report.waiting == 0
        assert again.out() == {
            key: one for key, one in lost.out().items()
            if one["status"] != "entered-in-error" or "method" not in one
        }  # fmt: skip
        rejected += lost.take(*lines[cut:]).rejected if lines[cut:] else 0
        rejected += again.take(*lines[cut:]).rejected if lines[cut:] else 0
        if rejected:
            return  # a withdrawal came before what it withdraws
        for key, resource in lost.out().items():
            if resource["status"] == "entered-in-error" and "method" in resource:
                assert again.out().get(key, resource)["status"] == resource["status"]
            else:
                assert again.out()[key] == resource
        # And all of it told once more says nothing new.
        sent = again.store.outgoing_by_state()
        again.take(*lines)
        assert again.store.outgoing_by_state() == sent


@pytest.fixture(scope="module")
def everything(tmp_path_factory):
    """The scenario posted to a server with totals and rates, and what the server gives back."""
    folder = tmp_path_factory.mktemp("rebuilding")
    site = load_site(SCENARIO / "site.toml")
    wanted = wanted_of(["totals", "rates"], site)
    with running("test") as base, Store(folder / "first.sqlite", site.id) as store:
        client = Client(base, Bearer(None))
        for name, file in CHARTS:
            stream = io.BytesIO()
            map_sources([SCENARIO / file], site, site.source(name), stream, wanted=wanted,
                        rejects=folder / "r", store=store)  # fmt: skip
            (folder / f"{name}.json").write_bytes(stream.getvalue())
            delivery = post(client, prepare(str(folder / f"{name}.json")), create_patients=True)
            assert (delivery.refused, delivery.different, delivery.parked) == ([], [], [])
        resources, _, issues = read_drains(client, Wanted())
        assert issues == []
    return folder, site, wanted, resources


def last_out(store: Store) -> dict:
    found = {}
    for (text,) in store._base.execute("SELECT body FROM outgoing ORDER BY seq").fetchall():
        resource = decode(text)
        found[resource["resourceType"], resource["identifier"][0]["value"]] = resource
    return found


def test_the_scenario_stands_in_the_store_as_it_went_out(everything, tmp_path):
    folder, site, _, resources = everything
    with Store(folder / "first.sqlite", site.id) as store:
        first = last_out(store)
    with Store(tmp_path / "again.sqlite", site.id) as store:
        report = rebuild(store, site, resources, "http://there")
        assert (report.waiting, report.others, report.without_rates) == (0, 0, False)
        assert store.outgoing_by_state() == {"sent": len(first)}
        assert last_out(store) == first


def test_the_charts_told_again_into_the_new_store_say_nothing_new(everything, tmp_path):
    _, site, wanted, resources = everything
    with Store(tmp_path / "again.sqlite", site.id) as store:
        rebuild(store, site, resources, "http://there")
        sent = store.outgoing_by_state()
        for name, file in CHARTS:
            report = map_sources([SCENARIO / file], site, site.source(name), io.BytesIO(),
                                 wanted=wanted, rejects=tmp_path / "r", store=store)  # fmt: skip
            assert report.balanced
        assert store.outgoing_by_state() == sent


def test_what_stands_otherwise_there_waits_to_go_out(tmp_path):
    journal = Journal(tmp_path, "lost")
    journal.take(line(1, 0, "lvl", 100, 1), line(2, 60, "lvl", 130, 2))
    resources = held(journal.out().values())
    output = next(r for r in resources if "derivedFrom" in r and "start" in r["effectivePeriod"])
    output["valueQuantity"]["value"] += 1
    again, report = rebuilt(journal, resources=resources)
    assert report.waiting == 1
    assert again.store.outgoing_by_state() == {"sent": report.confirmed, "waiting": 1}


def test_a_number_that_nothing_gives_any_more_is_taken_back(tmp_path):
    journal = Journal(tmp_path, "lost")
    journal.take(line(1, 0, "lvl", 100, 1), line(2, 60, "lvl", 130, 2))
    resources = held(journal.out().values())
    stale = copy.deepcopy(next(r for r in resources if "derivedFrom" in r))
    stale["identifier"][0]["value"] = "0" * 32
    again, report = rebuilt(journal, resources=[*resources, stale])
    assert report.waiting == 1
    taken_back = again.out()["Observation", "0" * 32]
    assert (taken_back["status"], "id" in taken_back) == ("entered-in-error", False)


def test_drains_of_another_site_are_passed_over(tmp_path):
    journal = Journal(tmp_path, "lost")
    journal.take(line(1, 0, "lvl", 100, 1))
    resources = held(journal.out().values())
    other = copy.deepcopy(next(r for r in resources if r["resourceType"] == "Observation"))
    other["identifier"][0]["system"] = "https://elsewhere.example/reading"
    _, report = rebuilt(journal, resources=[*resources, other])
    assert (report.others, report.readings, report.waiting) == (1, 1, 0)


def test_a_bare_withdrawal_finds_the_reading_that_only_the_server_held(tmp_path):
    journal = Journal(tmp_path, "lost")
    journal.take(line(1, 0, "lvl", 100, 1), line(2, 60, "lvl", 130, 2))
    again, _ = rebuilt(journal)
    gone = {"value": "", "seen": "", "state": "struck"}
    bare = row(id="2", item="lvl", stored="2025-02-02T00:00+01:00", **gone)
    for each in (journal, again):
        assert each.take(bare).rejected == 0
    assert again.out() == journal.out()
    withdrawn = [r for r in again.out().values() if r["status"] == "entered-in-error"]
    assert len(withdrawn) == 2  # the level, and the output that it ended


def test_without_a_row_id_the_same_is_known_again_and_another_is_a_tie(tmp_path):
    def bare(value: str, **more: str) -> str:
        return row(item="lvl", value=value, seen="2025-01-10T08:00+01:00", **more)

    journal = Journal(tmp_path, "lost")
    journal.take(bare("100"))
    again, _ = rebuilt(journal)
    sent = again.store.outgoing_by_state()
    assert again.take(bare("100")).rejected == 0
    assert again.store.outgoing_by_state() == sent
    assert again.take(bare("110")).rejected == 1


def test_rows_of_two_sources_with_one_id_are_two_items(tmp_path):
    """A store may hold several sources of a site, each with row ids of its own."""
    text = site_text(source='time_format = "iso"')
    second = text[text.index("[sources.rounds]") : text.index("[units]")]
    (tmp_path / "site.toml").write_text(
        text.replace("[units]", second.replace("sources.rounds", "sources.more") + "[units]")
    )
    site = load_site(tmp_path / "site.toml")
    with Store(tmp_path / "s", site.id) as store:
        for name, minute in (("rounds", 0), ("more", 60)):
            (tmp_path / "in.csv").write_text(rows_of(line(1, minute, "lvl", 100 + minute, minute)))
            map_sources([tmp_path / "in.csv"], site, site.source(name), io.BytesIO(),
                        rejects=tmp_path / "r", store=store)  # fmt: skip
        levels = [r for r in last_out(store).values() if r["resourceType"] == "Observation"]
    assert {r["status"] for r in levels} == {"final"}
    assert len(levels) == 3  # two levels and the output between them


def test_a_store_that_holds_something_is_left_alone(tmp_path):
    journal = Journal(tmp_path, "lost")
    journal.take(line(1, 0, "lvl", 100, 1))
    before = journal.out()
    with pytest.raises(ConfigurationError, match="holds something already"):
        rebuild(journal.store, journal.site, [], "http://there")
    assert journal.out() == before

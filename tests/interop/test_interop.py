"""Post, post again and read back, against a FHIR R4 server of another making."""

from __future__ import annotations

import csv
import io
import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import requests

from fhirdrain.bedside.reading import Reading
from fhirdrain.errors import ServerError
from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.delivery import MOST_ENTRIES, Delivery, entries_of
from fhirdrain.exchange.retrieval import fetch
from fhirdrain.site import Site, load_site
from fhirdrain.site.destination import read_destination
from fhirdrain.street.comparing import compare_readings
from fhirdrain.street.handing_over import known_from_files
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import Wanted as WantedExtras
from fhirdrain.street.posting import post, prepare
from fhirdrain.street.reading import Wanted, moment, read_drains
from fhirdrain.street.report import MapReport
from fhirdrain.street.samples import samples_folder
from fhirdrain.street.tour import SAME
from fhirdrain.vocabulary.codes import search_token
from fhirdrain.vocabulary.jsontext import decode, encode
from tests.conftest import Run, row

HERE = Path(__file__).resolve().parent
SCENARIO = samples_folder() / "scenario"
SOURCES = {"rounds": "rounds.csv", "surgery": "surgery.tsv"}
# Read when the module is loaded: each test begins without the variables of ours.
REQUIRED = os.environ.get("FHIRDRAIN_INTEROP") == "required"
PATIENTS = "https://test.example/patient"


def _absent() -> str:
    """Return why the server cannot be started; empty when it can."""
    if shutil.which("node") is None:
        return "node is not installed"
    if not (HERE / "node_modules").is_dir():
        return "run `npm ci` in tests/interop first"
    return ""


@pytest.fixture
def base() -> Iterator[str]:
    """The base URL of a fresh server of another making."""
    if reason := _absent():
        if REQUIRED:
            pytest.fail(f"FHIRDRAIN_INTEROP is required, but {reason}")
        pytest.skip(reason)
    process = subprocess.Popen(
        ["node", str(HERE / "server.mjs")],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    with process:  # closes its standard input, which stops it, and waits
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line.startswith("listening on http://127.0.0.1:"), "the server did not start"
        yield line.split()[-1]


@pytest.fixture
def client(base: str) -> Iterator[Client]:
    client = Client(base, Bearer(None))
    yield client
    client.close()


# -- the scenario


@dataclass(slots=True)
class Ward:
    """The scenario, mapped: a bundle a source, and the readings in them."""

    folder: Path
    site: Site
    bundles: dict[str, Path] = field(default_factory=dict)
    readings: dict[str, list[Reading]] = field(default_factory=dict)
    made: dict[str, int] = field(default_factory=dict)

    def map(self, source: str, *files: Path) -> MapReport:
        """Map files of a source in place of what was mapped of it before."""
        bundle = self.folder / f"{source}.json"
        with bundle.open("wb") as stream:
            report = map_sources(
                list(files), self.site, self.site.source(source), stream,
                rejects=self.folder / f"{source}.rejects", keep_items=True,
            )  # fmt: skip
        assert report.balanced
        self.bundles[source] = bundle
        self.readings[source] = list(report.readings)
        self.made[source] = sum(report.resources.values())
        return report

    @property
    def patients(self) -> str:
        """The system of the patients' identifiers."""
        return self.site.systems.patient

    def post(self, client: Client, source: str, **more: Any) -> Delivery:
        """Post the bundle of a source."""
        return post(client, prepare(str(self.bundles[source])), **more)


@pytest.fixture
def ward(tmp_path: Path) -> Ward:
    ward = Ward(tmp_path, load_site(SCENARIO / "site.toml"))
    for source, file in SOURCES.items():
        ward.map(source, SCENARIO / file)
    return ward


@pytest.fixture
def posted(ward: Ward, client: Client) -> Ward:
    """The scenario, on the server."""
    for source in SOURCES:
        delivery = ward.post(client, source, create_patients=True)
        assert became(delivery) == {"created": ward.made[source]}
    assert sum(ward.made.values()) > 300
    return ward


def became(delivery: Delivery) -> dict[str, int]:
    """Return how many entries became what; what none became is left out."""
    assert delivery.failure is None
    names = ("created", "present", "updated", "different", "uncompared", "refused", "parked", "waiting")  # fmt: skip
    counts = {name: len(getattr(delivery, name)) for name in names}
    return {name: count for name, count in counts.items() if count}


def said(readings: list[Reading]) -> dict[tuple[str, str], dict[str, Any]]:
    """Return what readings say, by identity. Decimals compare as numbers: see the README here."""
    return {(r.identity, r.observable): {name: getattr(r, name) for name in SAME} for r in readings}


def readings_of(client: Client, **wanted: Any) -> list[Reading]:
    _, readings, issues = read_drains(client, Wanted(**wanted))
    assert issues == []
    return readings


def test_everything_goes_there_once_and_comes_back_the_same(posted, client):
    for source in SOURCES:
        assert became(posted.post(client, source)) == {"present": posted.made[source]}
    resources, readings, issues = read_drains(client, Wanted())
    assert issues == []
    assert len(resources) == sum(posted.made.values())
    mapped = posted.readings["rounds"] + posted.readings["surgery"]
    assert len(readings) == len(mapped)
    assert said(readings) == said(mapped)


def test_reading_by_patient_by_drain_and_by_time(posted, client):
    mapped = posted.readings["rounds"] + posted.readings["surgery"]
    for patient in {r.patient for r in mapped}:
        own = [r for r in mapped if r.patient == patient]
        assert 0 < len(own) < len(mapped)
        assert said(readings_of(client, patient=(posted.patients, patient))) == said(own)
    for drain in {r.drain for r in mapped}:
        own = [r for r in mapped if r.drain == drain]
        assert 0 < len(own) < len(mapped)
        assert said(readings_of(client, drain=drain)) == said(own)
    # The night of the clock change: open at its start, closed at its end.
    since, until = moment("2025-10-25T19:00+02:00"), moment("2025-10-26T07:00+01:00")
    own = [r for r in mapped if since < r.time <= until]
    assert 0 < len(own) < len(mapped)
    assert said(readings_of(client, since=since, until=until)) == said(own)
    every = timedelta(hours=6)
    times = sorted({r.time for r in mapped})
    edges = [times[0] - every + n * every for n in range((times[-1] - times[0]) // every + 3)]
    pieces = [readings_of(client, since=a, until=b) for a, b in pairwise(edges)]
    assert sum(len(piece) for piece in pieces) == len(mapped)


def test_a_changed_value_is_reported_and_not_written(posted, client):
    before = said(readings_of(client))
    bundle = decode(posted.bundles["rounds"].read_bytes())
    # One that no other number was derived from: that would be refused before it is sent.
    entries = bundle["entry"]
    used = {r["reference"] for e in entries for r in e["resource"].get("derivedFrom", ())}
    entry = next(
        e
        for e in entries
        if "valueQuantity" in e["resource"]
        and "derivedFrom" not in e["resource"]
        and e["fullUrl"] not in used
    )
    entry["resource"]["valueQuantity"]["value"] += 1
    posted.bundles["rounds"].write_bytes(encode(bundle))
    delivery = posted.post(client, "rounds")
    assert became(delivery) == {"different": 1, "present": posted.made["rounds"] - 1}
    ((found, what),) = delivery.different
    assert found.body["fullUrl"] == entry["fullUrl"]
    assert what == ["valueQuantity.value differs"]
    assert said(readings_of(client)) == before


def test_a_correction_is_reported_as_different(posted, client):
    """The later version of a row has the identity of the first, and the server keeps the first."""
    before = said(readings_of(client))
    text = (SCENARIO / SOURCES["rounds"]).read_text("utf-8")
    first = next(cells for cells in csv.DictReader(io.StringIO(text)) if cells["item"] == "lvl")
    later = {**first, "value": str(int(first["value"]) + 5), "stored": "2025-10-27T12:00+01:00"}
    file = posted.folder / "corrected.csv"
    with file.open("w", encoding="utf-8") as stream:
        stream.write(text)
        csv.DictWriter(stream, first).writerow(later)
    posted.map("rounds", file)
    after = said(posted.readings["rounds"])
    ((identity, _),) = [key for key in after if after[key] != before[key]]
    delivery = posted.post(client, "rounds")
    told = {
        e.body["resource"]["identifier"][0]["value"]: (e, what) for e, what in delivery.different
    }
    _, what = told.pop(identity)
    assert set(what) == {"status differs", "issued differs", "valueQuantity.value differs"}
    # What was worked out from it is said anew, too.
    assert told
    assert all("derivedFrom" in e.body["resource"] for e, _ in told.values())
    assert set(became(delivery)) == {"different", "present"}
    assert said(readings_of(client)) == before


# -- one difference after another, on rows of the tests' own site


def sent(client: Client, folder: Path, run: Run, **more: Any) -> Delivery:
    path = folder / "bundle.json"
    path.write_bytes(run.data)
    return post(client, prepare(str(path)), **more)


def identity(resource: dict[str, Any]) -> str:
    return str(resource["identifier"][0]["value"])


def level(number: int, patient: str, value: str = "5", **more: str) -> str:
    return row(id=str(number), item="lvl", value=value, pat=patient, **more)


def test_an_unknown_patient_parks_its_readings_alone(mapped, client, tmp_path):
    sent(client, tmp_path, mapped(level(1, "p-1")), create_patients=True)
    run = mapped(level(1, "p-1"), level(2, "p-1", seen="2025-01-10 11:00"), level(3, "p-2"))
    delivery = sent(client, tmp_path, run)
    parked = [e.body["resource"] for e, _ in delivery.parked]
    assert {reason for _, reason in delivery.parked} == {
        "the server does not know the patient (--create-patients would create it)"
    }
    subjects = {(r.get("subject") or r["patient"])["identifier"]["value"] for r in parked}
    assert subjects == {"p-2"}
    assert len(delivery.created) + len(delivery.present) + len(parked) == len(run.resources)
    assert {r.patient for r in readings_of(client)} == {"p-1"}


def test_a_patient_of_another_case_is_another_patient(mapped, client, tmp_path):
    """The server finds both for either, and takes the second for the first when created."""
    sent(client, tmp_path, mapped(level(1, "p-a")), create_patients=True)
    token = search_token(PATIENTS, "P-A")
    assert len(list(client.search("Patient", [("identifier", token)]))) == 1
    delivery = sent(client, tmp_path, mapped(level(2, "P-A")), create_patients=True)
    assert {reason for _, reason in delivery.parked} == {
        "the server did not create the patient (HTTP 200)"
    }
    assert delivery.delivered == 0
    assert [r.patient for r in readings_of(client)] == ["p-a"]
    assert readings_of(client, patient=(PATIENTS, "P-A")) == []


def test_a_lane_longer_than_a_transaction(mapped, client, tmp_path):
    """What goes in the second transaction refers to what went in the first, by where it is now."""
    hours = [f"2025-01-{10 + n // 24} {n % 24:02}:00" for n in range(MOST_ENTRIES // 2 + 10)]
    run = mapped(*(level(n, "p-1", str(5 * n), seen=time) for n, time in enumerate(hours)))
    entries = run.bundle["entry"]
    assert len({lane for entry in entries_of(run.bundle) if (lane := entry.lane)}) == 1
    first = {e["fullUrl"]: identity(e["resource"]) for e in entries[:MOST_ENTRIES]}
    back = {
        identity(e["resource"]): [first.get(r["reference"]) for r in e["resource"]["derivedFrom"]]
        for e in entries[MOST_ENTRIES:]
        if "derivedFrom" in e["resource"]
    }
    assert any(name for names in back.values() for name in names)
    assert became(sent(client, tmp_path, run, create_patients=True)) == {"created": len(entries)}
    found = list(fetch(client, [("Observation", [])]))
    stored = {f"Observation/{resource['id']}": identity(resource) for resource in found}
    for resource in found:
        if wanted := back.get(identity(resource)):
            led = [stored[reference["reference"]] for reference in resource["derivedFrom"]]
            assert [name for name, known in zip(led, wanted, strict=True) if known] == [
                known for known in wanted if known
            ]
    assert became(sent(client, tmp_path, run)) == {"present": len(entries)}
    assert said(readings_of(client)) == said(run.report.readings)


@pytest.mark.parametrize("patient", ["p$1", "p,1", "p 1", "p+1&x=%2C", "p\\1", "ü-1"])
def test_marks_in_a_patients_number(mapped, client, tmp_path, patient):
    run = mapped(level(1, f'"{patient}"'))
    assert became(sent(client, tmp_path, run, create_patients=True)) == {
        "created": len(run.resources)
    }
    assert became(sent(client, tmp_path, run)) == {"present": len(run.resources)}
    assert [r.patient for r in readings_of(client, patient=(PATIENTS, patient))] == [patient]


def test_a_mark_whose_escape_is_passed_over_leads_to_no_other_patient(mapped, client, tmp_path):
    r"""The server reads `p\|1` as a token of the value `p`, which here is another patient."""
    sent(client, tmp_path, mapped(level(1, "p")), create_patients=True)
    token = search_token(PATIENTS, "p|1")
    (found,) = client.search("Patient", [("identifier", token)])
    assert found["resource"]["identifier"][0]["value"] == "p"
    delivery = sent(client, tmp_path, mapped(level(2, "p|1")))
    assert set(became(delivery)) == {"parked"}


def test_decimals_come_back_as_numbers_but_not_as_written(mapped, client, tmp_path):
    values = ["19", "19.0", "19.00"]
    rows = [level(n, "p-1", v, seen=f"2025-01-10 {10 + n}:00") for n, v in enumerate(values)]
    run = mapped(*rows)
    sent(client, tmp_path, run, create_patients=True)
    assert became(sent(client, tmp_path, run)) == {"present": len(run.resources)}
    assert [str(r.value) for r in readings_of(client)] == ["19", "19", "19"]
    assert said(readings_of(client)) == said(run.report.readings)


def test_an_answer_is_cut_off_at_count_and_leads_nowhere(posted, client):
    answer = client.get("Observation", [("_count", "200")])
    assert len(answer["entry"]) == 200 < answer["total"]
    assert "link" not in answer
    assert len(list(fetch(client, [("Observation", [])]))) == answer["total"]


def test_an_answer_that_stays_short_of_its_total_is_an_error(posted, client, monkeypatch):
    """R4, "Search": `total` counts the matches, so fewer of them are not the whole answer."""
    whole = client._page

    def short(*asked: Any) -> Any:
        page = whole(*asked)
        return replace(page, entries=page.entries[:-1])

    monkeypatch.setattr(client, "_page", short)
    with pytest.raises(ServerError, match=r"not complete: \d+ of \d+ came"):
        list(fetch(client, [("Observation", [])]))
    with pytest.raises(ServerError, match="not complete"):
        readings_of(client)


def test_what_is_searched_through_a_reference_or_by_a_bare_id_is_not_found(posted, client):
    (patient,) = client.search("Patient", [("identifier", f"{posted.patients}|demo-B")])
    id_ = patient["resource"]["id"]
    ways = {
        "patient.identifier": f"{posted.patients}|demo-B", "patient": id_, "subject": id_
    }  # fmt: skip
    for name, value in ways.items():
        assert client.get("Observation", [(name, value)])["total"] == 0, name
    assert client.get("Observation", [("patient", f"Patient/{id_}")])["total"] > 0


def test_includes_do_not_come(posted, client):
    entries = list(client.search("Observation", [("_include", "Observation:device")]))
    assert {e["resource"]["resourceType"] for e in entries} == {"Observation"}
    assert all("search" not in e for e in entries)


def test_one_entry_refused_undoes_no_other(mapped, client, base, tmp_path):
    """The server works a transaction through entry by entry, and says 200 of the whole."""
    run = mapped(level(1, "p-1"), level(2, "p-1", seen="2025-01-10 11:00"))
    double = next(r for r in run.of("Observation") if "derivedFrom" not in r)
    for _ in range(2):
        answer = requests.post(f"{base}/Observation", data=encode(double), timeout=10)
        assert answer.status_code == 201
        assert "Location" not in answer.headers
    delivery = sent(client, tmp_path, run, create_patients=True)
    ((entry, reason),) = delivery.refused
    assert entry.body["resource"] == double
    assert reason.startswith("HTTP 412")
    assert became(delivery) == {"refused": 1, "created": len(run.resources) - 1}


def test_conditional_references_are_left_as_they_are(mapped, base):
    """What `map` writes needs them resolved; `post` looks patients up and resolves them itself."""
    run = mapped(level(1, "p-1"))
    requests.post(base, data=run.data, timeout=10).raise_for_status()
    (device,) = requests.get(f"{base}/Device", timeout=10).json()["entry"]
    assert device["resource"]["patient"]["reference"].startswith("Patient?identifier=")


@pytest.mark.parametrize(
    "form",
    [
        {"output_codes": ["snomed", "mdc"], "volume_unit": "cm3", "orders": "DeviceRequest"},
        {"ids": "own", "send": ["totals"], "provenance": True},
    ],
    ids=["guide", "own ids"],
)
def test_the_form_of_a_destination_comes_back_without_loss(ward, client, base, tmp_path, form):
    site = replace(ward.site, destination=read_destination("there", form, "settings"))
    here = []
    for source, file in SOURCES.items():
        out = tmp_path / f"{source}.json"
        with out.open("wb") as stream:
            map_sources(
                [SCENARIO / file], site, site.source(source), stream,
                rejects=tmp_path / f"refused-{source}",
                wanted=WantedExtras(totals="totals" in form.get("send", ())),
            )  # fmt: skip
        here += [r for found in known_from_files([str(out)], None).readings.values() for r in found]
        delivery = post(client, prepare(str(out)), create_patients=True)
        assert not delivery.refused, delivery.refused[:1]
        assert not delivery.different
    there = readings_of(client)
    comparison = compare_readings(here, there, site.settings)
    # This server rewrites decimals (see the README): numbers are compared, not their digits.
    left = [d for d in comparison.differences if d.kind in ("drain", "reading")]
    assert [d for d in left if "value" not in d.about and "parts" not in d.about] == []
    assert comparison.same["reading"] > 200

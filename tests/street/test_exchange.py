"""From one site's server to another's: read, map through the other's site file, post, compare."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from fhirdrain.cli.main import group
from fhirdrain.sandbox.server import running
from fhirdrain.site.destination import Destination
from fhirdrain.vocabulary.jsontext import decode, encode
from tests.conftest import ROOT, map_files

SCENARIO = ROOT / "sample_bundles" / "scenario"
CHARTS = (("rounds", "rounds.csv"), ("surgery", "surgery.tsv"))

# An invented second hospital, which calls the same drains and patients otherwise.
QUAY_END = """
[site]
id = "quay-end"
name = "Quay End Hospital"
time_zone = "Europe/Vienna"
windows = ["07:00", "19:00"]
day_starts = "07:00"
longest_interval = "6h"
[site.systems]
patient = "https://quay-end.example/patient"
encounter = "https://quay-end.example/encounter"
reading = "https://quay-end.example/reading"
device = "https://quay-end.example/drain"
order = "https://quay-end.example/order"
performer = "https://quay-end.example/staff"
[drains.RP1]
side = "right"
space = "pleural"
labels = ["R1"]
[drains.LP1]
side = "left"
space = "pleural"
labels = ["L1"]
[drains.M1]
side = "midline"
space = "mediastinal"
[sources.north-pier]
kind = "fhir"
patient_authority = "https://north-pier.example/patient"
patient_numbers = "numbers.csv"
"""
NUMBERS = "theirs,ours\ndemo-A,Q-1\ndemo-B,Q-2\n"

FORMS = {
    "ours": "",
    "guide": (
        'output_codes = ["snomed", "mdc"]\nvolume_unit = "cm3"\nday_rate_unit = "mL/d"\n'
        'ids = "own"\norders = "DeviceRequest"\nsend = ["totals", "rates"]\n'
        'claims = { output = ["https://guide.example/StructureDefinition/drain-output"] }\n'
    ),
    "registry": (
        'profile_base = "https://quay-end.example/fhir"\noutput_codes = ["loinc", "item"]\n'
        'send = ["totals"]\nprovenance = true\n'
    ),
    "plain": "claim = false\n",
}


def run(*args, code=0):
    result = CliRunner().invoke(group, [str(a) for a in args], catch_exceptions=False)
    assert result.exit_code == code, result.output
    return result


@pytest.fixture
def other_site(tmp_path):
    (tmp_path / "quay-end.toml").write_text(QUAY_END)
    (tmp_path / "numbers.csv").write_text(NUMBERS)
    return tmp_path / "quay-end.toml"


@pytest.fixture
def settings(tmp_path, monkeypatch):
    path = tmp_path / "settings.toml"
    path.write_text("".join(f"[destinations.{n}]\n{text}" for n, text in FORMS.items()))
    monkeypatch.setenv("FHIRDRAIN_SETTINGS", str(path))
    return path


def charted(folder: Path, form: str, kind: str = "transaction") -> list[Path]:
    """Map the scenario's two charts in the form of a destination."""
    made = []
    for source, file in CHARTS:
        made.append(folder / f"{source}-{form}.{'ndjson' if kind == 'ndjson' else 'json'}")
        run("map", SCENARIO / file, "--site", SCENARIO / "site.toml", "--source", source,
            "--destination", form, "--as", kind, "--out", made[-1],
            "--rejects", folder / f"refused-{source}-{form}", code=1)  # fmt: skip
    return made


def test_from_one_site_to_the_other(tmp_path, settings, other_site, server):
    for bundle in charted(tmp_path, "ours"):
        run("post", bundle, "--server", server, "--create-patients")
    fetched = tmp_path / "fetched.ndjson"
    run("read", "--server", server, "--as", "ndjson", "--out", fetched)
    mapped = tmp_path / "mapped.json"
    account = tmp_path / "account.csv"
    result = run("map", fetched, "--site", other_site, "--out", mapped, "--account", account)
    assert " + 0 rejected + " in result.output
    with running("quay-end") as theirs:
        run("post", mapped, "--server", theirs, "--create-patients")
        same = ["compare", server, theirs, "--site", other_site, "--source", "north-pier"]
        result = run(*same)
        assert "different: 0" in result.output
        assert "the same: 3 drains, 246 readings, 75 outputs, 26 totals" in result.output
        # Sent a second time nothing is doubled, and what is compared stays the same.
        again = run("post", mapped, "--server", theirs, "--create-patients")
        assert "0 created" in again.output
        run(*same)
        # Without the other's names nothing is taken for the same.
        result = run("compare", server, theirs, code=1)
        assert "only in the" in result.output
        assert "demo-A" not in result.output
    lines = account.read_text().splitlines()
    assert lines[0] == "file,line,resource,element,became,how"
    assert len(lines) > 2000


@pytest.mark.parametrize("form", FORMS)
def test_each_form_is_read_back_and_by_the_other_site_without_loss(
    tmp_path, settings, other_site, form
):
    ours = charted(tmp_path, "ours", "ndjson")
    there = charted(tmp_path, form, "ndjson")
    for one, other in zip(ours, there, strict=True):
        result = run("compare", one, other, "--site", SCENARIO / "site.toml")
        assert "different: 0" in result.output
        mapped = other.with_suffix(".mapped.ndjson")
        result = run("map", other, "--site", other_site, "--as", "ndjson", "--out", mapped)
        assert " + 0 rejected + " in result.output
        result = run("compare", one, mapped, "--site", other_site, "--source", "north-pier")
        assert "different: 0" in result.output


@pytest.mark.parametrize("form", FORMS)
def test_each_form_is_right_by_the_check_and_is_delivered_once(tmp_path, settings, server, form):
    bundles = charted(tmp_path, form)
    for bundle in bundles:
        first = run("post", bundle, "--server", server, "--create-patients")
        assert "0 different, 0 not compared, 0 refused" in first.output
        again = run("post", bundle, "--server", server, "--create-patients")
        assert " 0 created" in again.output
    ours = charted(tmp_path, "ours", "ndjson")
    held = tmp_path / "held.ndjson"
    run("read", "--server", server, "--as", "ndjson", "--out", held)
    folder = tmp_path / "ours"
    folder.mkdir()
    for path in ours:
        path.rename(folder / path.name)
    assert "different: 0" in run("compare", folder, server).output
    assert "different: 0" in run("compare", folder, held).output


def resources(path: Path) -> list[dict]:
    return [decode(line) for line in path.read_bytes().splitlines()]


def test_what_a_form_changes(tmp_path, settings):
    found = [r for p in charted(tmp_path, "guide", "ndjson") for r in resources(p)]
    outputs = [
        r for r in found
        if any(c["code"] == "251843005" for c in r.get("code", {}).get("coding", ()))
    ]  # fmt: skip
    assert outputs
    for output in outputs:
        assert [c["code"] for c in output["code"]["coding"]] == ["251843005", "157740"]
        assert output["valueQuantity"]["code"] == "cm3"
        assert output["meta"]["profile"] == [
            "https://guide.example/StructureDefinition/drain-output"
        ]
    kinds = {r["resourceType"] for r in found}
    assert "ServiceRequest" not in kinds
    assert "DeviceRequest" in kinds
    text = json.dumps(found, default=str)
    assert "ServiceRequest/" not in text
    levels = [r for r in found if "/level" in str(r.get("meta", {}).get("profile"))]
    assert levels == []  # in cm3 it keeps to our profile no more, and does not claim it
    orders = {r["id"] for r in found if r["resourceType"] == "DeviceRequest"}
    based = {r["basedOn"][0]["reference"] for r in found if "basedOn" in r}
    assert based <= {f"DeviceRequest/{name}" for name in orders}
    rates = {
        r["valueQuantity"]["code"] for r in found
        if "/output-rate" in str(r.get("meta", {}).get("profile"))
    }  # fmt: skip
    assert "mL/(24.h)" not in rates


def test_a_re_based_form_and_its_provenance(tmp_path, settings):
    found = [r for p in charted(tmp_path, "registry", "ndjson") for r in resources(p)]
    profiles = {p for r in found for p in r.get("meta", {}).get("profile", ())}
    assert profiles
    assert all(p.startswith("https://quay-end.example/fhir/") for p in profiles)
    assert any(p.endswith("/output-total") for p in profiles)
    # The code system is never re-based: a code must mean the same everywhere.
    assert "https://fhirdrain.example/fhir/CodeSystem/drain" in json.dumps(found, default=str)
    told = [r for r in found if r["resourceType"] == "Provenance"]
    assert len(told) == 2  # one a patient
    names = {f"{r['resourceType']}/{r['id']}" for r in found if r["resourceType"] != "Provenance"}
    assert {t["reference"] for one in told for t in one["target"]} == names


def test_provenance_names_what_it_was_made_from(tmp_path, settings):
    """RFC 6920: ni:///sha-256; and the URL-safe base64 of the hash, without its padding."""
    import base64
    import hashlib

    path = charted(tmp_path, "registry")[0]
    bundle = decode(path.read_bytes())
    (entry,) = [e for e in bundle["entry"] if e["resource"]["resourceType"] == "Provenance"]
    told = entry["resource"]
    digests = {
        base64.urlsafe_b64encode(hashlib.sha256(p.read_bytes()).digest()).decode().rstrip("=")
        for p in (SCENARIO / "rounds.csv", SCENARIO / "site.toml")
    }
    assert {e["what"]["identifier"]["value"].partition(";")[2] for e in told["entity"]} == digests
    assert told["entity"][0]["what"]["display"] == "rounds.csv, lines 2 to 129"
    assert told["agent"][0]["who"]["display"].startswith("fhirdrain ")
    assert entry["request"] == {"method": "PUT", "url": f"Provenance/{told['id']}"}
    assert "demo-B" not in json.dumps(told)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ('volume_unt = "mL"\n', 'unknown key "volume_unt"'),
        ('volume_unit = "L"\n', 'unknown word "L"'),
        ('claims = { otput = ["https://x.example"] }\n', 'unknown observable "otput"'),
        ('profile_base = "ftp://x"\n', "not an absolute http"),
    ],
)
def test_a_destination_that_cannot_be_right(tmp_path, monkeypatch, text, why):
    path = tmp_path / "settings.toml"
    path.write_text("[destinations.x]\n" + text)
    monkeypatch.setenv("FHIRDRAIN_SETTINGS", str(path))
    args = ["map", SCENARIO / "rounds.csv", "--site", SCENARIO / "site.toml", "--source", "rounds"]
    result = CliRunner().invoke(group, [*map(str, args), "--destination", "x"])
    assert why in str(result.exception)
    result = CliRunner().invoke(group, [*map(str, args), "--destination", "y"])
    assert 'no destination "y"' in str(result.exception)


def test_a_store_keeps_to_the_form_of_its_destination(tmp_path, settings, server):
    store = tmp_path / "guide.sqlite"
    args = ["map", SCENARIO / "rounds.csv", "--site", SCENARIO / "site.toml", "--source", "rounds",
            "--destination", "guide", "--store", store, "--out", tmp_path / "x.json"]  # fmt: skip
    run(*args, code=1)
    first = run("post", "--store", store, "--server", server, "--create-patients")
    assert "0 refused" in first.output
    again = run(*args, code=1)
    assert "new in the store: 0 versions" in again.output
    ours = charted(tmp_path, "ours", "ndjson")[0]
    assert "different: 0" in run("compare", ours, server).output
    assert "different: 0" in run("compare", ours, store).output
    lost = tmp_path / "anew.sqlite"
    rebuilt = ["rebuild", lost, "--site", SCENARIO / "site.toml", "--server", server]
    assert ", 0 do not" in run(*rebuilt, "--destination", "guide").output


def test_an_account_goes_where_the_fhir_does_not(tmp_path, other_site):
    source = ROOT / "sample_bundles" / "valid" / "rounds.ndjson"
    args = ["map", str(source), "--site", str(other_site), "--account", "-"]
    result = CliRunner().invoke(group, args)
    assert "cannot both go to standard output" in str(result.exception)
    table = ["map", str(SCENARIO / "rounds.csv"), "--site", str(SCENARIO / "site.toml"),
             "--source", "rounds", "--account", str(tmp_path / "a.csv")]  # fmt: skip
    result = CliRunner().invoke(group, table)
    assert "only of a fhir source" in str(result.exception)


def test_every_key_of_a_destination_is_in_the_readme():
    text = (ROOT / "README.md").read_text("utf-8")
    for key in Destination.model_fields:
        assert f"\n{key} = " in text, key


# -- compare ---------------------------------------------------------------------------------


def changed(folder: Path, name: str, change) -> Path:
    """Write the rounds with one resource changed."""
    source = charted(folder, "ours", "ndjson")[0]
    lines = [change(resource) for resource in resources(source)]
    path = folder / name
    path.write_bytes(b"".join(encode(line) + b"\n" for line in lines if line is not None))
    return path


def test_one_number_that_differs_is_found_with_all_that_follows(tmp_path, settings):
    seen = []

    def change(resource):
        code = resource.get("code", {}).get("coding", [{}])[0].get("code")
        if code == "level" and not seen and "valueQuantity" in resource:
            seen.append(resource["id"])
            value = resource["valueQuantity"]["value"] + 1
            return {**resource, "valueQuantity": {**resource["valueQuantity"], "value": value}}
        return resource

    other = changed(tmp_path, "other.ndjson", change)
    ours = tmp_path / "rounds-ours.ndjson"
    result = run("compare", ours, other, "--site", SCENARIO / "site.toml", "--as", "json", code=1)
    found = json.loads(result.stdout)["differences"]
    readings = [d for d in found if d["kind"] == "reading"]
    assert [(d["what"], d["about"]) for d in readings] == [("level", ["value"])]
    assert {d["kind"] for d in found} == {"reading", "output", "total"}
    assert "first" not in found[0]  # values are shown only where they are asked for
    result = run("compare", ours, other, "--show-values", code=1)
    assert "level differs in value (value: " in result.output


def test_one_reading_that_is_missing_is_found(tmp_path, settings):
    seen = []

    def change(resource):
        code = resource.get("code", {}).get("coding", [{}])[0].get("code")
        if code == "crepitus" and not seen:
            seen.append(1)
            return None
        return resource

    other = changed(tmp_path, "other.ndjson", change)
    result = run("compare", tmp_path / "rounds-ours.ndjson", other, code=1)
    assert "reading crepitus only in the first" in result.output
    result = run("compare", other, tmp_path / "rounds-ours.ndjson", code=1)
    assert "reading crepitus only in the second" in result.output


# -- any amount through each published style ---------------------------------------------------

UCUM = "http://unitsofmeasure.org"
LOINC, SNOMED = "http://loinc.org", "http://snomed.info/sct"
MDC = "urn:iso:std:iso:11073:10101"
THEIRS, UNITS = "https://quay-end.example/codes", "https://quay-end.example/units"


def base(moment, **more):
    return {
        "resourceType": "Observation",
        "status": "final",
        "subject": {"identifier": {"system": "https://quay-end.example/patient", "value": "p"}},
        "device": {"display": "R1"},
        "effectivePeriod": {
            "start": (moment - timedelta(hours=24)).isoformat(), "end": moment.isoformat(),
        },
        **more,
    }  # fmt: skip


def code(*pairs):
    return {"coding": [{"system": s, "code": c} for s, c in pairs]}


def of_day(moment, value):
    quantity = {"value": value, "unit": "ml", "system": UCUM, "code": "mL"}
    return base(moment, code=code((SNOMED, "251843005"), (MDC, "157740")), valueQuantity=quantity)


def day_rate(moment, value):
    quantity = {"value": value, "unit": "mL/d", "system": UCUM, "code": "mL/d"}
    return base(moment, code=code((LOINC, "9134-8")), valueQuantity=quantity)


def local_unit(moment, value):
    quantity = {"value": value, "unit": "Milliliter", "system": UNITS, "code": "milli"}
    return base(moment, code=code((THEIRS, "OUT")), valueQuantity=quantity)


def side_in_code(moment, value):
    quantity = {"value": value, "unit": "mL", "system": UCUM, "code": "mL"}
    found = base(moment, code=code((THEIRS, "OUT-R")), valueQuantity=quantity)
    del found["device"]
    return found


def in_component(moment, value):
    quantity = {"value": value, "unit": "cm3", "system": UCUM, "code": "cm3"}
    part = {"code": code((THEIRS, "OUT")), "valueQuantity": quantity}
    return base(moment, code=code((THEIRS, "ROUND")), component=[part])


STYLES = (of_day, day_rate, local_unit, side_in_code, in_component)
STYLED = (
    QUAY_END.replace('patient_authority = "https://north-pier.example/patient"\n', "").replace(
        'patient_numbers = "numbers.csv"\n', ""
    )
    + f"""
[sources.north-pier.items."{THEIRS}|OUT"]
observable = "output"
[sources.north-pier.items."{THEIRS}|OUT-R"]
observable = "output"
drain = "RP1"
[units]
"milli" = "mL"
"""
)


@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.__name__)
@hypothesis_settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(amounts=st.lists(st.decimals(0, 3000, places=1, allow_nan=False), min_size=1, max_size=4))
def test_no_amount_of_a_day_is_changed_by_a_style(tmp_path, style, amounts):
    moments = [
        datetime(2025, 1, 10, 6, tzinfo=UTC) + timedelta(days=day) for day in range(len(amounts))
    ]
    lines = [
        {"id": f"o{n}", **style(moment, amount)}
        for n, (moment, amount) in enumerate(zip(moments, amounts, strict=True))
    ]
    text = b"".join(encode(line) + b"\n" for line in lines)
    done = map_files(tmp_path, STYLED, ("theirs.ndjson", text))
    assert done.report.issues == []
    found = [(r.drain, r.start, r.time, r.value) for r in done.report.readings]
    assert found == [
        ("RP1", moment - timedelta(hours=24), moment, abs(amount))
        for moment, amount in zip(moments, amounts, strict=True)
    ]
    assert all(
        str(r.value) == str(abs(a)) for r, a in zip(done.report.readings, amounts, strict=True)
    )
    assert isinstance(found[0][3], Decimal)

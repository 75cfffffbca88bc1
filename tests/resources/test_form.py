"""The FHIR form: what each reading becomes, element by element."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest

from fhirdrain.resources.recover import recover
from fhirdrain.vocabulary.codes import LOCAL
from tests.conftest import row


def coded(concept, system=LOCAL):
    return [c["code"] for c in concept["coding"] if c["system"] == system]


def lines():
    return [
        row(
            id="1",
            item="ord",
            value="suction 20",
            seen="2025-01-10 08:00",
            stored="2025-01-10 08:04",
            by="dr",
        ),
        row(id="2", item="lvl", value="100", seen="2025-01-10 08:00", no="1"),
        row(
            id="3",
            item="lvl",
            value="130.0",
            seen="2025-01-10 10:00",
            stored="2025-01-10 10:05",
            stay="s-1",
            by="n-1",
            note="marked",
            no="1",
        ),
        row(id="4", item="suc", value="20 cm", seen="2025-01-10 10:00"),
        row(
            id="5",
            item="chg",
            value="full",
            closing="140",
            opening="0",
            no="2",
            seen="2025-01-10 11:00",
        ),
        row(id="6", item="lvl", value="25", seen="2025-01-10 12:00", no="2"),
        row(id="7", item="air", value="cough only", seen="2025-01-10 12:00"),
        row(id="8", item="swg", value="present", seen="2025-01-10 12:00"),
        row(id="9", item="air", value="not looked at", seen="2025-01-10 13:00"),
        row(
            id="10",
            item="plc",
            value="in",
            opening="5",
            seen="2025-01-10 07:30",
            stored="2025-01-10 07:40",
        ),
        row(id="11", item="rem", value="planned", seen="2025-01-10 18:00"),
        row(id="12", item="ord", value="seal", seen="2025-01-10 14:00"),
    ]


@pytest.fixture
def run(mapped):
    return mapped(*lines())


def test_a_level(run):
    level = run.observation("level")[1]
    assert coded(level["code"]) == ["level"]
    assert {"system": "https://test.example/item", "code": "lvl"} in level["code"]["coding"]
    assert level["valueQuantity"] == {
        "value": Decimal("130.0"), "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL",
    }  # fmt: skip
    assert level["effectiveDateTime"] == "2025-01-10T10:00:00+01:00"
    assert level["issued"] == "2025-01-10T10:05:00+01:00"
    assert level["status"] == "final"
    assert [coded(c, c["coding"][0]["system"]) for c in level["category"]] == [
        ["exam"],
        ["chest-drain"],
    ]
    assert level["component"][0]["valueInteger"] == 1
    assert level["encounter"]["identifier"]["value"] == "s-1"
    assert level["performer"][0]["identifier"] == {
        "system": "https://test.example/staff",
        "value": "n-1",
    }
    assert level["note"] == [{"text": "marked"}]
    assert level["bodySite"]["coding"][0]["code"] == "73834008"
    assert level["meta"]["profile"] == ["https://fhirdrain.example/fhir/StructureDefinition/level"]
    assert level["meta"]["source"] == "https://test.example/reading#rounds"
    assert "focus" not in level
    assert level["device"]["display"] == "R1"
    assert level["device"]["identifier"]["value"].startswith("R1.1.")
    assert level["subject"]["reference"] == "Patient?identifier=https://test.example/patient|p-1"


def test_derived_outputs(run):
    derived = run.derived
    assert [str(d["valueQuantity"]["value"]) for d in derived] == ["95", "30.0", "10.0", "25"]
    assert [c["code"] for c in derived[1]["code"]["coding"]] == ["9129-8", "251843005"]
    assert derived[1]["effectivePeriod"] == {
        "start": "2025-01-10T08:00:00+01:00", "end": "2025-01-10T10:00:00+01:00",
    }  # fmt: skip
    assert coded(derived[1]["method"]) == ["calculated"]
    by_url = {e["fullUrl"]: e["resource"] for e in run.bundle["entry"]}
    sources = [by_url[r["reference"]] for r in derived[2]["derivedFrom"]]
    assert [s["meta"]["profile"][0].rsplit("/", 1)[1] for s in sources] == ["level", "unit-change"]
    # A placing is a Procedure, from which an Observation cannot be derived.
    assert len(derived[0]["derivedFrom"]) == 1


def test_two_readings_of_one_text_and_their_order(run):
    (setting,) = run.observation("suction-set")
    (mode,) = run.observation("mode")
    orders = run.of("ServiceRequest")
    assert mode["valueCodeableConcept"]["text"] == "20 cm"
    by_url = {e["fullUrl"]: e["resource"] for e in run.bundle["entry"]}
    for observation in (setting, mode):
        assert by_url[observation["basedOn"][0]["reference"]] == orders[0]
    assert all("basedOn" not in o for o in run.of("Observation") if o not in (setting, mode))


def test_orders(run):
    first, second = run.of("ServiceRequest")
    assert first["code"]["coding"][0]["code"] == "274441001"
    assert first["quantityQuantity"]["value"] == 20
    assert coded(first["orderDetail"][0]) == ["suction"]
    assert first["occurrencePeriod"] == {"start": "2025-01-10T08:00:00+01:00"}
    assert first["authoredOn"] == "2025-01-10T08:04:00+01:00"
    assert first["requester"]["identifier"]["value"] == "dr"
    assert (first["intent"], first["status"]) == ("order", "completed")
    assert second["replaces"][0]["identifier"] == first["identifier"][0]
    assert "quantityQuantity" not in second
    (extension,) = first["extension"]
    assert extension["valueReference"]["display"] == "R1"


def test_words_keep_ours_and_the_nearest_code_of_others(run):
    (swing,) = run.observation("swing")
    assert [c["code"] for c in swing["valueCodeableConcept"]["coding"]] == ["present", "719293005"]


def test_an_air_leak_and_its_parts(run):
    leak, not_looked = run.observation("air-leak")
    assert coded(leak["valueCodeableConcept"]) == ["present"]
    parts = {coded(c["code"])[0]: coded(c["valueCodeableConcept"])[0] for c in leak["component"]}
    assert parts == {"at-rest": "none", "on-cough": "present"}
    assert not_looked["dataAbsentReason"]["coding"][0]["code"] == "not-performed"
    assert "valueCodeableConcept" not in not_looked


def test_device_use_placing_and_removal(run):
    (device,), (use,) = run.of("Device"), run.of("DeviceUseStatement")
    assert device["type"]["coding"][0]["code"] == "258643002"
    assert device["deviceName"] == [{"name": "R1", "type": "user-friendly-name"}]
    assert device["status"] == "inactive"
    assert use["status"] == "completed"
    assert use["timingPeriod"] == {
        "start": "2025-01-10T07:30:00+01:00",
        "end": "2025-01-10T18:00:00+01:00",
    }
    placed, removed = run.of("Procedure")
    assert [c["code"] for c in placed["code"]["coding"]] == ["placed", "264957007"]
    assert [c["code"] for c in removed["code"]["coding"]] == ["removed", "238356005"]
    assert coded(removed["category"]) == ["planned"]
    assert placed["focalDevice"][0]["manipulated"]["display"] == "R1"


def test_pleural_codes_are_not_given_to_other_drains(mapped):
    run = mapped(row(id="1", item="rem", value="planned"), drain="")
    assert len(run.of("Procedure")[0]["code"]["coding"]) == 2
    heart = mapped(
        row(id="1", item="rem", value="planned", drain="heart"),
        row(id="2", item="out", value="5", unit="mL", drain="heart"),
        drain='[drains.P1]\nspace = "pericardial"\nlabels = ["heart"]',
    )
    assert [c["code"] for c in heart.of("Procedure")[0]["code"]["coding"]] == ["removed"]
    (output,) = heart.of("Observation")
    assert output["code"]["coding"][0]["code"] == "9168-6"
    assert output["bodySite"]["coding"][0]["code"] == "25489000"


def test_no_body_site_where_the_side_is_not_known(mapped):
    run = mapped(
        row(id="1", item="lvl", value="5", drain="somewhere"),
        row(id="2", item="lie", value="left front", drain="somewhere", seen="2025-01-10 11:00"),
        row(id="3", item="lvl", value="9", drain="somewhere", seen="2025-01-10 12:00"),
        drain='[drains.X1]\nspace = "pleural"\nlabels = ["somewhere"]',
    )
    before, after = run.observation("level")
    assert "bodySite" not in before
    assert after["bodySite"]["coding"][0]["code"] == "44067009"
    assert after["bodySite"]["text"] == "front"
    stated = run.of("DeviceUseStatement")[1]
    assert stated["timingPeriod"] == {"start": "2025-01-10T11:00:00+01:00"}
    assert coded(stated["bodySite"]) == ["left-pleural"]


def test_amounts_are_readings_and_know_when_they_began(mapped):
    run = mapped(
        row(id="1", item="out", value="0", unit="mL", seen="2025-01-10 08:00"),
        row(id="2", item="out", value="60", unit="mL", seen="2025-01-10 10:00"),
        row(
            id="3",
            item="out",
            value="9",
            unit="mL",
            seen="2025-01-10 12:00",
            since="2025-01-10 11:00",
        ),
    )
    periods = [o["effectivePeriod"] for o in run.of("Observation")]
    assert periods[0] == {"end": "2025-01-10T08:00:00+01:00"}
    assert periods[1]["start"] == "2025-01-10T08:00:00+01:00"
    assert periods[2]["start"] == "2025-01-10T11:00:00+01:00"
    assert not run.derived
    assert all("method" not in o for o in run.of("Observation"))


def test_a_suspect_low_level_is_sent_as_charted(mapped):
    run = mapped(
        *(
            row(id=str(n), item="lvl", value=v, seen=f"2025-01-10 {8 + n:02}:00")
            for n, v in enumerate(["300", "20", "340"])
        )
    )
    assert [o["valueQuantity"]["value"] for o in run.observation("level")] == [300, 20, 340]
    assert [o["valueQuantity"]["value"] for o in run.derived] == [40]


def test_amounts_that_only_check_are_set_aside_and_not_sent(mapped):
    run = mapped(
        row(id="1", item="lvl", value="100", seen="2025-01-10 08:00"),
        row(id="2", item="lvl", value="160", seen="2025-01-10 12:00"),
        row(id="3", item="out", value="0", unit="mL", seen="2025-01-10 08:00"),
        row(id="4", item="out", value="50", unit="mL", seen="2025-01-10 12:00"),
    )
    # The zero of the first minute lies before anything the levels speak of: it is a reading.
    assert len(run.of("Observation")) == 4
    assert run.report.mapped == 3
    assert run.report.set_aside == {"an amount that differs from the levels, not sent": 1}
    assert [f.kind for f in run.report.findings] == ["amount-differs"]


def test_statuses(mapped):
    stored = {"seen": "2025-01-10 08:00"}
    run = mapped(
        row(id="1", item="lvl", value="100", stored="2025-01-10 08:05", **stored),
        row(id="1", item="lvl", value="110", stored="2025-01-10 09:05", **stored),
        row(id="2", item="lvl", value="120", seen="2025-01-10 09:00", state="preliminary"),
        row(id="3", item="lvl", value="900", seen="2025-01-10 10:00", stored="2025-01-10 10:05"),
        row(
            id="3",
            item="lvl",
            value="",
            seen="2025-01-10 10:00",
            stored="2025-01-10 11:05",
            state="struck",
        ),
    )
    found = {o["valueQuantity"]["value"]: o["status"] for o in run.observation("level")}
    assert found == {110: "corrected", 120: "preliminary", 900: "entered-in-error"}
    (output,) = run.derived
    assert (output["valueQuantity"]["value"], output["status"]) == (10, "preliminary")
    assert run.report.mapped == 5


def test_a_transaction_entry_is_a_conditional_create(run):
    for entry in run.bundle["entry"]:
        resource, request = entry["resource"], entry["request"]
        identifier = resource["identifier"][0]
        assert request["method"] == "POST"
        assert request["url"] == resource["resourceType"]
        assert request["ifNoneExist"] == f"identifier={identifier['system']}|{identifier['value']}"
        assert entry["fullUrl"].startswith("urn:uuid:")
    urls = [entry["fullUrl"] for entry in run.bundle["entry"]]
    assert len(set(urls)) == len(urls)


def references(value):
    if isinstance(value, dict):
        if "identifier" in value and isinstance(value["identifier"], dict):
            yield value
        for item in value.values():
            yield from references(item)
    elif isinstance(value, list):
        for item in value:
            yield from references(item)


def test_in_every_form_references_carry_identifiers_and_come_after_what_they_name(mapped):
    run = mapped(*lines())
    seen = set()
    for entry in run.bundle["entry"]:
        for reference in references(entry["resource"]):
            if reference.get("reference", "").startswith("urn:uuid:"):
                assert reference["reference"] in seen
        seen.add(entry["fullUrl"])
    collection = mapped(*lines(), form="collection")
    assert collection.bundle["type"] == "collection"
    for resource in collection.resources:
        for reference in references(resource):
            assert "?" not in reference.get("reference", "")


def test_ndjson_has_ids_and_relative_references(tmp_path):
    import io

    from fhirdrain.street.mapping import map_sources
    from tests.conftest import HEADER, make_site

    site = make_site(tmp_path)
    path = tmp_path / "in.csv"
    path.write_text("\n".join([",".join(HEADER), *lines()]) + "\n")
    stream = io.BytesIO()
    map_sources([path], site, site.source(None), stream, form="ndjson", rejects=tmp_path / "r.csv")
    resources = [json.loads(line) for line in stream.getvalue().splitlines()]
    names = {f"{r['resourceType']}/{r['id']}" for r in resources}
    assert len(names) == len(resources)
    for resource in resources:
        for reference in references(resource):
            target = reference.get("reference")
            assert target is None or target in names


@pytest.mark.parametrize("text", ["19", "19.0", "19.00", "0.10"])
def test_digits_are_written_as_charted(mapped, text):
    run = mapped(row(id="1", item="lvl", value=text))
    assert f'"value":{text},'.encode() in run.data


def test_the_same_rows_give_the_same_bytes_whatever_their_order(mapped):
    from tests.conftest import row as make

    one = [
        make(
            id=str(n),
            item="lvl",
            value=str(100 + n),
            seen=f"2025-01-10 {8 + n:02}:00",
            stored="2025-01-10 20:00",
        )
        for n in range(6)
    ]
    assert mapped(*one).data == mapped(*reversed(one)).data


def test_an_order_stays_active_only_while_it_is_in_force_and_the_drain_in_place(mapped):
    orders = [row(id="1", item="ord", value="seal", seen="2025-01-10 08:00")]
    assert mapped(*orders).of("ServiceRequest")[0]["status"] == "active"
    orders.append(row(id="2", item="ord", value="suction 10", seen="2025-01-10 09:00"))
    assert [r["status"] for r in mapped(*orders).of("ServiceRequest")] == ["completed", "active"]
    orders.append(row(id="3", item="rem", value="planned", seen="2025-01-10 10:00"))
    assert [r["status"] for r in mapped(*orders).of("ServiceRequest")] == ["completed"] * 2


def test_a_drain_of_which_all_was_withdrawn_is_withdrawn(mapped):
    run = mapped(row(id="1", item="lvl", value="5", state="struck"))
    statuses = {r["resourceType"]: r["status"] for r in run.resources}
    assert set(statuses.values()) == {"entered-in-error"}


def test_a_later_site_does_not_keep_an_earlier_position(mapped):
    run = mapped(
        row(id="1", item="lie", value="left front", drain="somewhere", seen="2025-01-10 08:00"),
        row(id="2", item="lie2", value="right", drain="somewhere", seen="2025-01-10 09:00"),
        row(id="3", item="lvl", value="5", drain="somewhere", seen="2025-01-10 10:00"),
        drain='[drains.X1]\nspace = "pleural"\nlabels = ["somewhere"]',
    )
    (level,) = run.observation("level")
    assert level["bodySite"]["coding"][0]["code"] == "73834008"
    assert "text" not in level["bodySite"]


def test_a_converted_part_keeps_what_was_charted_in_the_note(mapped):
    run = mapped(row(id="1", item="chg", value="full", closing="1.98", unit="L", note="full"))
    (changed,) = run.observation("unit-change")
    assert changed["component"][0]["valueQuantity"]["value"] == 1980
    assert changed["note"] == [{"text": "full\nclosing-level charted as 1.98 L"}]


def test_a_site_can_leave_the_profiles_out(mapped):
    with_profiles = mapped(*lines())
    without = mapped(*lines(), site="profiles = false")
    assert all("profile" in r["meta"] for r in with_profiles.resources)
    assert not any("profile" in r.get("meta", {}) for r in without.resources)
    readings, issues = recover(without.resources)
    assert issues == []
    assert len(readings) == len(recover(with_profiles.resources)[0]) > 10

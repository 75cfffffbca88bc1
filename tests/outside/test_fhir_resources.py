"""Every resource that is sent, parsed by fhir.resources (R4B): an independent reading of R4."""

from __future__ import annotations

import io

import pytest

from fhirdrain.issues import to_operation_outcome
from fhirdrain.resources.typed import typed
from fhirdrain.sandbox.capability import capability_statement
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from fhirdrain.vocabulary.jsontext import decode
from tests.conftest import ROOT, row
from tests.resources.test_form import lines

SCENARIO = ROOT / "sample_bundles" / "scenario"


@pytest.mark.parametrize(
    ("source", "file", "count"), [("rounds", "rounds.csv", 150), ("surgery", "surgery.tsv", 156)]
)
def test_the_whole_scenario(tmp_path, source, file, count):
    site = load_site(SCENARIO / "site.toml")
    stream = io.BytesIO()
    map_sources([SCENARIO / file], site, site.source(source), stream, rejects=tmp_path / "r")
    bundle = decode(stream.getvalue())
    assert typed(bundle).type == "transaction"
    kinds = [typed(entry["resource"]).get_resource_type() for entry in bundle["entry"]]
    assert len(kinds) == count


def test_every_kind_of_resource(mapped):
    more = [
        row(id="20", item="lie", value="left front", by="n", stored="2025-01-10 10:01"),
        row(id="21", item="suc", value="2 kPa", seen="2025-01-10 15:00", state="put right"),
    ]
    run = mapped(*lines(), *more)
    for resource in run.resources:
        model = typed(resource)
        assert model.identifier[0].value == resource["identifier"][0]["value"]
    assert {r["resourceType"] for r in run.resources} == {
        "Device", "DeviceUseStatement", "Observation", "Procedure", "ServiceRequest",
    }  # fmt: skip


def test_what_the_sandbox_says_of_itself():
    typed(capability_statement("http://127.0.0.1/fhir", "1"))
    typed(to_operation_outcome([]))


def test_the_check_can_fail():
    from pydantic import ValidationError

    with pytest.raises(ValidationError):
        typed({"resourceType": "Observation", "status": "final", "codes": {}})

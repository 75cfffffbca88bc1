"""Whatever stands in other people's FHIR, every item is accounted for, and nothing breaks."""

from __future__ import annotations

import copy
import json
import tempfile
from pathlib import Path

from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from fhirdrain.errors import FhirdrainError
from fhirdrain.street.surveying import survey_of
from fhirdrain.survey.judging import judged
from fhirdrain.survey.page import page
from fhirdrain.survey.writing import as_csv, as_json, as_text
from tests.conftest import map_files
from tests.intake.conftest import SITE
from tests.intake.test_fhir import LOCAL, LOINC, SNOMED, SOURCE, coding, concept, ml, observation

PATIENT = {"identifier": {"system": "https://test.example/patient", "value": "p-1"}}
SEEDS = [
    observation(
        coding(LOINC, "9134-8"), valueQuantity=ml(80, "mL/d"), issued="2025-01-10T10:05:00+01:00",
        note=[{"text": "x"}], performer=[{"display": "A"}], encounter={"reference": "Encounter/1"},
        bodySite=concept(coding(SNOMED, "73834008")), contained=[{"resourceType": "Patient"}],
    ),
    observation(
        coding(LOCAL, "air-leak"),
        valueCodeableConcept=concept(coding(LOCAL, "present")),
        component=[
            {"code": concept(coding(LOCAL, "at-rest")),
             "valueCodeableConcept": concept(coding(LOCAL, "present"))},
            {"code": concept(coding(LOCAL, "as-charted")), "valueQuantity": ml(3)},
        ],
        hasMember=[{"reference": "Observation/1"}],
    ),
    {
        "resourceType": "ServiceRequest", "id": "s", "status": "active", "intent": "order",
        "code": concept(coding(SNOMED, "274441001")), "subject": PATIENT,
        "extension": [{"url": "https://x.example/StructureDefinition/ordered-drain",
                       "valueReference": {"display": "right 1"}}],
        "occurrencePeriod": {"start": "2025-01-10T10:00:00+01:00"},
        "orderDetail": [concept(coding(LOCAL, "suction"))],
        "quantityQuantity": ml(20, "cm[H2O]"),
    },
    {
        "resourceType": "DeviceRequest", "id": "d", "status": "active", "intent": "order",
        "codeReference": {"display": "right 1"}, "subject": PATIENT,
        "occurrencePeriod": {"start": "2025-01-10T10:00:00+01:00"},
        "parameter": [{"valueQuantity": ml(20, "cm[H2O]")},
                      {"valueCodeableConcept": concept(coding(LOCAL, "suction"))}],
    },
    {
        "resourceType": "Procedure", "id": "p", "status": "completed",
        "code": concept(coding(LOCAL, "removed")), "category": concept(coding(LOCAL, "planned")),
        "subject": PATIENT, "performedDateTime": "2025-01-11T10:00:00+01:00",
        "focalDevice": [{"manipulated": {"display": "right 1"}}],
        "reasonCode": [{"text": "x"}],
    },
    {
        "resourceType": "DeviceUseStatement", "id": "u", "status": "active", "subject": PATIENT,
        "device": {"display": "right 1"}, "timingPeriod": {"start": "2025-01-10T10:00:00+01:00"},
        "bodySite": concept(coding(LOCAL, "right-pleural"), text="5th space"),
    },
    {"resourceType": "Patient", "id": "77", "identifier": [PATIENT["identifier"]]},
    {"resourceType": "Device", "id": "d", "deviceName": [{"name": "right 1"}]},
]  # fmt: skip

ODD = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats(allow_nan=False)
    | st.text(max_size=4) | st.sampled_from(["1E400", "2025-13-01", "mL/24.h", "ML", "p-1", "#x"]),
    lambda inner: st.lists(inner, max_size=2)
    | st.dictionaries(st.sampled_from(["coding", "value", "code", "system", "text", "reference",
                                       "identifier", "url", "x"]), inner, max_size=3),
    max_leaves=4,
)  # fmt: skip


def places(value, path=()):
    """Yield the path of everything in a resource."""
    if path:
        yield path
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in items:
        if isinstance(inner, dict | list):
            yield from places(inner, (*path, key))
        else:
            yield (*path, key)


@st.composite
def spoilt(draw):
    """Draw resources of which one or two parts are something else, or gone."""
    found = []
    for seed in draw(st.lists(st.sampled_from(SEEDS), min_size=1, max_size=4)):
        resource = copy.deepcopy(seed)
        for _ in range(draw(st.integers(0, 2))):
            known = [p for p in places(resource) if p != ("resourceType",)]
            path = draw(st.sampled_from(known))
            holder = resource
            for step in path[:-1]:
                holder = holder[step]
            if draw(st.booleans()) and isinstance(holder, dict):
                del holder[path[-1]]
            else:
                holder[path[-1]] = draw(ODD)
        found.append(resource)
    return found


@hypothesis_settings(max_examples=400, deadline=None)
@given(resources=spoilt())
def test_nothing_that_stands_there_breaks_a_run(resources):
    text = "".join(json.dumps(resource) + "\n" for resource in resources)
    items = f'[sources.one.items."{LOINC}|9129-8"]\nobservable = "output"\n'
    with tempfile.TemporaryDirectory() as folder:
        files = ("theirs.ndjson", text)
        try:
            done = map_files(Path(folder), SITE + SOURCE + items, files, rejects="refused.ndjson")
        except FhirdrainError:
            return  # said, with its place
        assert done.report.balanced
        for issue in done.report.issues:
            assert issue.line
            assert issue.message
        path = Path(folder) / "theirs.ndjson"
        survey = survey_of([str(path)])
        rows = judged(survey)
        assert as_csv(rows)
        assert as_text(survey, rows)
        assert as_json(survey, rows)
        assert page(survey, rows)

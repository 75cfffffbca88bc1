"""Identifiers: what they depend on, what they never show, and that they never change."""

from __future__ import annotations

import hashlib
import uuid
from dataclasses import replace
from datetime import timedelta, timezone
from decimal import Decimal

import pytest

from fhirdrain.resources.identity import (
    device_identifier,
    output_identity,
    reading_identity,
    split_device_identifier,
    uuid_of,
)
from tests.conftest import at, level, reading

ROW = level(3, 150, row="17", item="lvl", patient="pat-4711")
BARE = replace(ROW, row=None)


@pytest.mark.parametrize(
    "change",
    [
        {"value": Decimal(15)},
        {"status": "entered-in-error"},
        {"time": at(4)},
        {"drain": "L1"},
        {"note": "x"},
        {"recorded": at(9)},
    ],
)
def test_with_a_row_id_only_the_row_counts(site, change):
    assert reading_identity(site, replace(ROW, **change)) == reading_identity(site, ROW)


@pytest.mark.parametrize(
    "change",
    [{"row": "18"}, {"patient": "p"}, {"item": "out"}, {"observable": "output"}, {"source": "s"}],
)
def test_another_row_is_another_reading(site, change):
    assert reading_identity(site, replace(ROW, **change)) != reading_identity(site, ROW)


def test_without_a_row_id_patient_drain_observable_and_time_count(site):
    same = [{"value": Decimal(1)}, {"item": "x"}, {"source": "s"}, {"status": "corrected"}]
    for change in same:
        assert reading_identity(site, replace(BARE, **change)) == reading_identity(site, BARE)
    other = [{"time": at(4)}, {"drain": "L1"}, {"patient": "p"}, {"observable": "output"}]
    for change in other:
        assert reading_identity(site, replace(BARE, **change)) != reading_identity(site, BARE)


def test_the_same_instant_in_another_offset_is_the_same_time(site):
    moved = replace(BARE, time=BARE.time.astimezone(timezone(timedelta(hours=2))))
    assert reading_identity(site, moved) == reading_identity(site, BARE)


def test_borders_between_the_parts_count(site):
    one = replace(ROW, row="1", item="23")
    other = replace(ROW, row="12", item="3")
    assert reading_identity(site, one) != reading_identity(site, other)


def test_an_order_is_one_whatever_it_says(site):
    magnitude, mode = (
        reading(name, 0, row="5", item="ord") for name in ("suction-ordered", "mode-ordered")
    )
    assert reading_identity(site, magnitude) == reading_identity(site, mode)


def test_no_patient_number_shows(site):
    # Hexadecimal digits could hold a short number by chance; these cannot.
    patient = "pat-4711-zz"
    shown = reading_identity(site, replace(ROW, patient=patient))
    shown += device_identifier(site, patient, "R1", 1)
    assert "zz" not in shown
    assert "pat" not in shown


def test_a_drain_is_known_by_id_episode_and_patient(site):
    value = device_identifier(site, "pat-4711", "R1", 2)
    assert split_device_identifier(value) == ("R1", 2)
    assert value != device_identifier(site, "pat-4712", "R1", 2)
    assert split_device_identifier("R1.1.short") is None


def test_identities_sent_today_are_never_renamed(site):
    """Golden values: a change here would orphan everything that was ever sent."""
    parts = '["test-site","row","test","pat-4711","17","lvl","level"]'
    digest = hashlib.sha256(parts.encode()).hexdigest()
    assert reading_identity(site, ROW) == digest[:32]
    short = hashlib.sha256(b'["test-site","https://test.example/patient","pat-4711"]').hexdigest()[
        :16
    ]
    assert device_identifier(site, "pat-4711", "R1", 1) == f"R1.1.{short}"
    output = hashlib.sha256(f'["output","{digest[:32]}"]'.encode()).hexdigest()[:32]
    assert output_identity(digest[:32]) == output
    # RFC 9562: version 5 of the name under the version 5 UUID of our base URL.
    namespace = uuid.uuid5(uuid.NAMESPACE_URL, "https://fhirdrain.example/fhir")
    assert uuid_of("s", "v") == str(uuid.uuid5(namespace, "s|v"))

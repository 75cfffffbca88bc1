from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal

import pytest

from fhirdrain.intake.values import ValueRefused, read_number, read_time, split_number


@pytest.fixture
def source(site):
    return site.source(None)


@pytest.mark.parametrize("text", ["19", "19.0", "19.00", "0", "1234.5", "0.250", "-5"])
def test_digits_are_kept(source, text):
    assert str(read_number(text, source, volume=True)) == text


def test_marks_are_the_sources(source):
    comma = replace(source, decimal=",", thousands=".")
    assert read_number("1.790,5", comma, volume=True) == Decimal("1790.5")
    assert read_number("1.790", comma, volume=True) == Decimal(1790)
    point = replace(source, thousands=",")
    assert read_number("1.790", point, volume=True) == Decimal("1.790")
    assert str(read_number("\u221220", source, volume=False)) == "-20"


@pytest.mark.parametrize("text", ["1.790", "1,790", "12.345", "-1.790"])
def test_a_mark_with_three_digits_behind_it_is_refused(source, text):
    with pytest.raises(ValueRefused) as caught:
        read_number(text, source, volume=True)
    assert caught.value.rule == "unsure-mark"


@pytest.mark.parametrize(
    "text", ["", "x", "1e3", "1_000", "1 000", "NaN", "1.2.3", "5,5", "٣", ".5", "1."]
)
def test_what_is_no_number_is_refused(source, text):
    with pytest.raises(ValueRefused):
        read_number(text, source, volume=True)


def test_thousands_come_in_groups_of_three(source):
    grouped = replace(source, thousands=",")
    assert read_number("1,234,567", grouped, volume=True) == 1234567
    for text in ("1,23", "12,34,567", "1234,567"):
        with pytest.raises(ValueRefused):
            read_number(text, grouped, volume=True)


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("250 ml", ("250", "ml")),
        ("20 cm[H2O]", ("20", "cm[H2O]")),
        ("- 20 cm H2O", ("- 20", "cm H2O")),
        ("80", ("80", "")),
        ("about 80", None),
        ("", None),
    ],
)
def test_a_number_and_what_stands_behind_it(source, text, parts):
    assert split_number(text, source) == parts


def test_a_time_without_offset_is_in_the_sites_zone(source):
    assert read_time("2025-10-24 10:00", source) == datetime(2025, 10, 24, 8, tzinfo=UTC)
    assert read_time("2025-01-24T10:00:30", source) == datetime(2025, 1, 24, 9, 0, 30, tzinfo=UTC)


def test_a_times_own_offset_counts_first(source):
    moment = read_time("2025-10-26T02:30+01:00", source)
    assert moment.isoformat() == "2025-10-26T02:30:00+01:00"


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("2025-10-26 02:30", "ambiguous-time"),
        ("2025-03-30 02:30", "time"),
        ("2025-10-24", "date-only"),
        ("24.10.2025 10:00", "time"),
        ("2025-13-01 10:00", "time"),
        ("soon", "time"),
        ("", "time"),
    ],
)
def test_what_is_not_one_instant_is_refused(source, text, rule):
    with pytest.raises(ValueRefused) as caught:
        read_time(text, source)
    assert caught.value.rule == rule


def test_a_source_that_gives_offsets_must_give_them(source):
    with pytest.raises(ValueRefused, match="no offset"):
        read_time("2025-10-24 10:00", replace(source, zone=None))


def test_another_format(source):
    german = replace(source, time_format="%d.%m.%Y %H:%M %z")
    assert read_time("24.10.2025 10:00 +0200", german) == datetime(2025, 10, 24, 8, tzinfo=UTC)


@pytest.mark.parametrize("mark", [" ", "\u00a0", "\u202f", "'", "\u2019"])
def test_marks_of_thousands_that_are_met(source, mark):
    grouped = replace(source, decimal=",", thousands=mark)
    assert read_number(f"1{mark}790,5", grouped, volume=True) == Decimal("1790.5")
    assert split_number(f"1{mark}790 ml", grouped) == (f"1{mark}790", "ml")


def test_minus_zero_is_zero(source):
    assert str(read_number("-0", source, volume=True)) == "0"


@pytest.mark.parametrize(
    "text",
    ["0001-01-01T00:00", "9999-12-31T23:59-12:00", "0225-01-10 10:00", "2025-01-10T10:00+02:00:30"],
)
def test_null_dates_and_odd_offsets_are_refused(source, text):
    with pytest.raises(ValueRefused) as caught:
        read_time(text, source)
    assert caught.value.rule == "time"

"""The worked numbers of bedside practice, each with where it comes from."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from fhirdrain.bedside.ledger import keep_ledger
from fhirdrain.bedside.windows import hours_between
from fhirdrain.vocabulary.units import convert, rounded
from tests.conftest import at, change, level


def test_375_to_510_in_eight_hours(settings):
    """Common practice, no source: 135 mL, 16.875 mL/h."""
    (output,) = keep_ledger([level(0, 375), level(8, 510)], settings).outputs
    assert output.value == 135
    rate = Fraction(output.value) / hours_between(output.start, output.end)
    assert rounded(rate, 6) == Decimal("16.875")


def test_a_night_with_a_change_of_unit(settings):
    """The reset at a change: NSW ACI, Pleural Drains in Adults, 2014; the numbers are constructed.

    1700 at 19:00, 1980 at 03:00, a new unit from 0, 120 at 07:00: 280 + 120 = 400 mL.
    """
    readings = [level(0, 1700), change(8, 1980, 0), level(12, 120)]
    assert [o.value for o in keep_ledger(readings, settings).outputs] == [280, 120]


def test_50_ml_in_eight_hours():
    """Open RN, Nursing Advanced Skills, 6.9 (sample note): 50 mL over 8 h."""
    assert convert(Decimal(50), "mL/(8.h)", "mL/h") == Decimal("6.25")


def test_the_level_is_cumulative_and_restarts_when_the_unit_is_changed(settings):
    """NSW ACI, Pleural Drains in Adults, 2014; Royal Marsden Manual 8.4: level less last mark."""
    readings = [level(0, 200), level(4, 250), change(5, 260, 0), level(8, 30), level(12, 45)]
    assert sum(o.value for o in keep_ledger(readings, settings).outputs) == 50 + 10 + 30 + 15
    assert keep_ledger(readings, settings).outputs[-1].end == at(12)

"""The sheet as JSON, by the published schema `handoff-1.schema.json` beside this module.

Amounts are in mL, suction in cmH2O, times in the offset of the site. What is not known is null,
never 0.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any

from fhirdrain.bedside.findings import Finding
from fhirdrain.bedside.ledger import Output
from fhirdrain.bedside.policy import Judgement
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.totals import Total, uncovered
from fhirdrain.bedside.windows import Window, fixed
from fhirdrain.handoff.asked import Asked
from fhirdrain.handoff.leak import Leak
from fhirdrain.handoff.run import Run
from fhirdrain.handoff.sheet import Block, Sheet
from fhirdrain.vocabulary.units import rounded

SCHEMA = "https://fhirdrain.example/schema/handoff-1.schema.json"
VERSION = "1.0"

Json = dict[str, Any]

_DIGITS = 6


def document(sheets: Sequence[Sheet]) -> Json:
    """Return sheets as one document."""
    return {
        "$schema": SCHEMA,
        "version": VERSION,
        "not_a_medical_device": True,
        "patients": [_Writer(sheet).patient() for sheet in sheets],
    }


class _Writer:
    """Writes one sheet, its times in the zone of its site."""

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self.zone = sheet.bed.settings.zone

    def patient(self) -> Json:
        bed = self.sheet.bed
        return {
            "patient": bed.patient,
            "stays": list(bed.encounters),
            "as_known": self.time(bed.at),
            "time_zone": str(self.zone),
            "newest_reading": self.time(bed.newest),
            "last_handoff": self.time(bed.last),
            "told_then_is_known": bed.told is not None,
            "has_policy": bed.has_policy,
            "notes": [note.key for note in self.sheet.notes],
            "drains": [self.drain(block) for block in self.sheet.blocks],
        }

    def drain(self, block: Block) -> Json:
        drain, which, drained = block.drain, block.which, block.drained
        mark = which.skin_mark
        return {
            "drain": drain.name,
            "episode": drain.episode,
            "side": drain.place.side,
            "space": drain.place.space,
            "position": drain.place.position,
            "since": self.time(which.first),
            "placed": self.reading(which.placed),
            "removed": self.reading(which.removed),
            "size_ch": which.size,
            "indication": which.indication,
            "skin_mark_cm": mark.value if mark is not None else None,
            "joined": [name for _, name in which.joined],
            "led_into": drain.led_into,
            "run": self.run(block.run),
            "air_leak": self.leak(block.leak),
            "shift": self.total(drained.shift),
            "since_shift": self.total(drained.since) if drained.since is not None else None,
            "last_day": self.total(drained.day),
            "windows": [self.total(total) for total in drain.shifts],
            "last_interval": self.output(drained.last),
            "last_interval_ml_per_h": rounded(
                Fraction(drained.rate.amount) / drained.rate.hours, _DIGITS
            )
            if drained.rate is not None
            else None,
            "trend": drained.trend.goes if drained.trend is not None else None,
            "baseline": self.reading(drain.ledger.baseline),
            "instilled": self.readings(drained.instilled),
            "possible_doubles": [self.readings(group) for group in drained.doubtful],
            "appearance": {
                "now": self.reading(block.colour.now),
                "changes": [
                    {"before": self.reading(one.before), "after": self.reading(one.after)}
                    for one in block.colour.changes
                ],
            },
            "unit": {
                "number": block.unit.number,
                "level_ml": block.unit.level,
                "marked": self.time(block.unit.marked.time) if block.unit.marked else None,
                "below_last_mark": self.reading(block.unit.low),
                "changed": self.reading(next(reversed(block.unit.changes), None)),
                "capacity_ml": block.unit.capacity,
                "room_ml": block.unit.room,
            },
            "findings": [self.judgement(one) for one in block.asked.judgements],
            "questions": [self.question(one) for one in block.asked.questions],
            "older_questions": block.asked.older,
            "orders_in_their_words": self.readings(block.asked.orders),
            **self.changes(block.asked),
            "looked_at": self.readings(block.checked.charted),
            "not_charted": [
                {"observable": name, "last": self.reading(last)}
                for name, last in block.checked.missing
            ],
        }

    # -- parts ------------------------------------------------------------------------------

    def run(self, run: Run) -> Json:
        return {
            "mode": self.reading(run.mode),
            "source": self.reading(run.source),
            "set": self.reading(run.number),
            "ordered": self.readings(run.ordered),
            "ordered_later": self.readings(run.coming),
            "against_order": run.held.verdict,
            "since": self.time(run.held.since),
        }

    def leak(self, leak: Leak) -> Json:
        last, spell = leak.last, leak.spell
        return {
            "looked": self.time(last.time) if last is not None else None,
            "at_rest": last.at_rest if last is not None else None,
            "on_cough": last.on_cough if last is not None else None,
            "first": self.time(spell.looks[0].time) if spell is not None else None,
            "none_before": self.time(spell.before.time) if spell and spell.before else None,
            "last": self.time(spell.looks[-1].time) if spell is not None else None,
            "none_with_cough": [self.time(look.time) for look in spell.nones] if spell else [],
            "seen_over_h": _hours(spell.seen_over.total_seconds()) if spell else None,
            "at_most_h": _hours(spell.at_most.total_seconds())
            if spell is not None and spell.at_most is not None
            else None,
        }

    def changes(self, asked: Asked) -> Json:
        return {
            "told_and_now": [
                {"told": self.total(one.told), "now": self.total(one.now)} for one in asked.retold
            ],
            "changes": [
                {
                    "kind": one.kind,
                    "stored": self.time(one.reading.recorded),
                    "reading": self.reading(one.reading),
                    "told": self.reading(one.told),
                }
                for one in asked.changes
            ],
        }

    def judgement(self, one: Judgement) -> Json:
        return {
            "figure": one.figure.name,
            "kind": one.figure.kind,
            "says": one.figure.says,
            "source": one.figure.source,
            "scope": one.figure.scope,
            "drains": list(one.drains),
            "answer": one.answer,
            "since": self.time(one.time),
            "last": self.time(one.last),
            "why": [why.key for why in one.why],
            "readings": self.readings(one.readings),
        }

    def question(self, one: Finding) -> Json:
        return {
            "kind": one.kind,
            "time": self.time(one.time),
            "readings": self.readings(one.readings),
        }

    def total(self, total: Total) -> Json:
        carried = [o.start for o in total.carried if o.start is not None]
        before = Window(min(carried), total.window.start).hours if carried else Fraction(0)
        return {
            "start": self.time(total.window.start),
            "end": self.time(total.window.end),
            "hours": _number(total.window.hours),
            "in_place_from": self.time(total.place.start) if total.place is not None else None,
            "in_place_to": self.time(total.place.end) if total.place is not None else None,
            "output_ml": total.value,
            "at_least_ml": total.at_least,
            "at_most_ml": total.at_most,
            "from_before_window_h": _number(before),
            "covered": _number(total.covered),
            "open": total.open,
            "not_charted": [
                {"start": self.time(gap.start), "end": self.time(gap.end)}
                for gap in uncovered(total)
            ],
        }

    def output(self, output: Output | None) -> Json | None:
        if output is None:
            return None
        hours = Window(output.start, output.end).hours if output.start is not None else None
        return {
            "start": self.time(output.start),
            "end": self.time(output.end),
            "hours": _number(hours) if hours is not None else None,
            "output_ml": output.value,
        }

    def readings(self, readings: Iterable[Reading]) -> list[Json | None]:
        return [self.reading(reading) for reading in readings]

    def reading(self, reading: Reading | None) -> Json | None:
        if reading is None:
            return None
        return {
            "drain": reading.drain,
            "observable": reading.observable,
            "time": self.time(reading.time),
            "start": self.time(reading.start),
            "value": reading.value,
            "absent": reading.absent,
            "unit": reading.unit,
            "parts": dict(reading.parts),
            "status": reading.status,
            "stored": self.time(reading.recorded),
            "by": reading.performer,
            "note": reading.note,
        }

    def time(self, moment: datetime | None) -> str | None:
        return None if moment is None else fixed(moment, self.zone).isoformat()


def _number(value: Fraction) -> Decimal:
    return rounded(value, _DIGITS)


def _hours(seconds: float) -> Decimal:
    return _number(Fraction(int(seconds), 3600))

"""The words: one catalogue a language, and how times, lengths, numbers and readings are written."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import datetime, timedelta, tzinfo
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from functools import cache
from importlib.resources import files
from typing import Any

from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import Saying, Verbatim, Word

__all__ = ["LANGUAGES", "Language", "catalogue", "shown_number"]

LANGUAGES = ("en", "de")

# What a nurse says in place of UCUM.
_UNITS = {"cm[H2O]": "cmH2O", "[Ch]": "Ch", "mm[Hg]": "mmHg"}
# Marks of control and of writing direction can make a page say what it does not.
_CONTROL = re.compile(
    r"[\x00-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff]+"
)
_MOST_TEXT = 600
_DAYS_OF_WEEKDAYS = 6


@cache
def catalogue(code: str) -> Mapping[str, Any]:
    """Return the texts of a language."""
    text = (files("fhirdrain.handoff") / "texts" / f"{code}.toml").read_text("utf-8")
    return tomllib.loads(text)


def shown_number(value: Decimal) -> Decimal:
    """Return a number as a sheet shows it: whole from 10 on, below that to a tenth.

    A chamber is read to 5 or 10 mL; an infant's drain gives less than that in a day.
    """
    step = Decimal(1) if abs(value) >= 10 else Decimal("0.1")
    return value.quantize(step, ROUND_HALF_EVEN)


class Language:
    """Says things in one language, in the time zone of a site.

    `at` is the time of the sheet: what is at most six days back is named by its weekday. Without it
    times are dates.
    """

    def __init__(self, code: str, zone: tzinfo, at: datetime | None = None) -> None:
        self.code = code
        self.zone = zone
        self.at = at.astimezone(zone) if at is not None else None
        self._texts = catalogue(code)

    def say(self, saying: Saying) -> str:
        """Return what a saying says."""
        pattern: str = self._texts["say"][saying.key]
        shown = {name: self.show(value) for name, value in saying.values.items()}
        match saying.values:
            case {"start": datetime() as start, "end": datetime() as end} if self.day(
                start
            ) == self.day(end):
                shown["end"] = self.clock(end)  # the day is said
        return pattern.format_map(shown)

    def text(self, key: str) -> str:
        """Return a text of the page itself."""
        return str(self._texts["page"][key])

    def head(self, name: str) -> str:
        """Return the heading of a part."""
        return str(self._texts["heads"][name])

    def cautions(self, stored: str) -> list[str]:
        """Return the cautions, with the time by which what is on the sheet was stored."""
        cautions: list[str] = self._texts["cautions"]
        return [caution.format(stored=stored) for caution in cautions]

    def show(self, value: object) -> str:
        """Return a value of a saying as it is written; raises TypeError for what is none."""
        if isinstance(value, Saying):
            return self.say(value)
        if isinstance(value, Word):
            return self.word(value)
        if isinstance(value, Reading):
            return self.reading(value)
        if isinstance(value, datetime):
            return self.time(value)
        if isinstance(value, timedelta):
            return self.length(value)
        if isinstance(value, Fraction):
            return self.length(timedelta(seconds=round(value * 3600)))
        if isinstance(value, Decimal):
            return self.number(value)
        if isinstance(value, int):
            return str(value)
        if isinstance(value, Verbatim):
            return shown_text(value, None)
        if isinstance(value, str):
            return shown_text(value)
        if isinstance(value, tuple):
            return self.text("between").join(self.show(one) for one in value)
        if value is None:
            return ""
        raise TypeError(f"a saying has no {type(value).__name__}")

    def number(self, value: Decimal) -> str:
        """Return a number: no trailing zeros, no thousands marks."""
        number = shown_number(value)
        if not number and value:
            return f"<{self._decimal('0.1')}" if value > 0 else f">-{self._decimal('0.1')}"
        text = format(number, "f")
        text = text.rstrip("0").rstrip(".") if "." in text else text
        return self._decimal("0" if text == "-0" else text)

    def _decimal(self, text: str) -> str:
        return text.replace(".", str(self._texts["page"]["decimal"]))

    def time(self, moment: datetime) -> str:
        """Return a time by the wall clock, with the name of its offset where it comes twice."""
        local = moment.astimezone(self.zone)
        return f"{self.day(local)} {self.clock(local)}"

    def clock(self, moment: datetime) -> str:
        """Return the time of the day, with the name of its offset where it comes twice."""
        local = moment.astimezone(self.zone)
        other = local.replace(fold=1 - local.fold)
        twice = other.utcoffset() != local.utcoffset()
        return f"{local:%H:%M}{f' {self.offset(local)}' if twice else ''}"

    def day(self, moment: datetime) -> str:
        """Return the day: its weekday if it is of the last days, else its date."""
        local = moment.astimezone(self.zone)
        if self.at is not None:
            back = (self.at.date() - local.date()).days
            if 0 <= back <= _DAYS_OF_WEEKDAYS:
                return self._weekday(local)
            if local.year != self.at.year:
                return self.date(local)
        return f"{self._day_of_month(local)} {self._month(local)}"

    def date(self, moment: datetime) -> str:
        """Return a date with its year."""
        local = moment.astimezone(self.zone)
        return f"{self._day_of_month(local)} {self._month(local)} {local.year}"

    def long_time(self, moment: datetime) -> str:
        """Return a time with its weekday, date and the name of its offset."""
        local = moment.astimezone(self.zone)
        return f"{self._weekday(local)} {self.date(local)} {local:%H:%M} {self.offset(local)}"

    def offset(self, moment: datetime) -> str:
        """Return the name of an offset: CET, or +05:30 where it has none."""
        local = moment.astimezone(self.zone)
        name = local.tzname() or ""
        return name if name.isalpha() and name != "UTC" else local.isoformat()[-6:]

    def _weekday(self, local: datetime) -> str:
        return str(self._texts["calendar"]["days"][local.weekday()])

    def _day_of_month(self, local: datetime) -> str:
        return f"{local.day:02d}{self._texts['calendar']['mark']}"

    def _month(self, local: datetime) -> str:
        return str(self._texts["calendar"]["months"][local.month - 1])

    def length(self, length: timedelta) -> str:
        """Return a length of time in days, hours and minutes; from three days on, in days."""
        minutes = round(length / timedelta(minutes=1))
        hours, minutes = divmod(minutes, 60)
        days, hours = divmod(hours, 24) if hours >= 72 else (0, hours)
        units = self._texts["calendar"]
        minutes = 0 if days else minutes
        pieces = ((days, units["day"]), (hours, units["hour"]), (minutes, units["minute"]))
        said = [f"{number} {unit}" for number, unit in pieces if number]
        return " ".join(said) or f"0 {units['minute']}"

    def word(self, word: Word) -> str:
        """Return a word of an observable, or the name of an observable (without one)."""
        if not word.observable:
            return str(self._texts["observables"][word.word])
        name = f"{word.observable}.{word.component}" if word.component else word.observable
        return str(self._texts["words"][name][word.word])

    def quantity(self, value: Decimal, unit: str | None) -> str:
        """Return a number with its unit as a nurse says it."""
        number = self.number(value) if unit == "mL" else self._to_a_tenth(value)
        return f"{number} {_UNITS.get(unit or '', unit or '')}".strip()

    def _to_a_tenth(self, value: Decimal) -> str:
        text = format(value.quantize(Decimal("0.1"), ROUND_HALF_EVEN), "f")
        return self._decimal(text.rstrip("0").rstrip("."))

    def reading(self, reading: Reading) -> str:
        """Return what a reading says: its value, and what of its parts says more."""
        if reading.absent is not None:
            return str(self._texts["words"]["absent"][reading.absent])
        if reading.observable == "unit-change":
            return self.word(Word("unit-change", str(reading.value)))
        said = []
        leak = reading.observable == "air-leak"
        if leak and {"at-rest", "on-cough"} & reading.parts.keys():
            pass  # what was seen at rest and on cough says it
        elif isinstance(reading.value, Decimal):
            said.append(self.quantity(reading.value, reading.unit))
        elif reading.value == "other" and reading.text:
            said.append(shown_text(reading.text))
        elif reading.value is not None:
            said.append(self.word(Word(reading.observable, str(reading.value))))
        for name, part in reading.parts.items():
            key = f"{reading.observable}.{name}"
            words = self._texts["words"].get(key, {})
            if part in words:
                word = words[part]
                if leak and name in ("at-rest", "on-cough"):
                    word = f"{self.word(Word('air-leak', name, 'when'))} {word}"
                said.append(words["says"].format(word=word) if "says" in words else word)
            elif name in ("tube", "position", "indication"):
                said.append(shown_text(str(part)))
        return ", ".join(said)


def shown_text(text: str, most: int | None = _MOST_TEXT) -> str:
    """Return a source's own text without what a page could be bent by, cut where it is endless."""
    clean = " ".join(_CONTROL.sub(" ", text).split())
    return clean if most is None or len(clean) <= most else f"{clean[:most]} [...]"

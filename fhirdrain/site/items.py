"""The items of a source, checked and compiled: what each word, number and unit means there."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from decimal import Decimal
from typing import Any

from fhirdrain.site.durations import duration
from fhirdrain.site.faults import Faults, nearest
from fhirdrain.site.model import ItemSection
from fhirdrain.site.rules import Item, Meaning
from fhirdrain.site.words import LANGUAGES, word_list
from fhirdrain.vocabulary.observables import (
    BESIDE,
    CHARTED,
    CHARTED_REASONS,
    CHARTED_TOTAL,
    MOST_COUNT,
    OBSERVABLES,
    PATIENT_WEIGHT,
    Component,
    Observable,
    value_of_parts,
)
from fhirdrain.vocabulary.units import UnitError, convert, unit_of


class Items:
    """Compiles the items of a site's sources; what is wrong goes into `faults`."""

    def __init__(
        self, faults: Faults, labels: Mapping[str, str], aliases: Mapping[str, str]
    ) -> None:
        self.faults = faults
        self.labels = labels
        self.aliases = aliases

    def item(self, code: str, model: ItemSection, at: tuple[str, ...]) -> Item:
        """Return an item, as far as it can be understood."""
        if model.drain is not None and self.labels.get(model.drain) is None:
            hint = nearest(model.drain, self.labels)
            self.faults.add(f'unknown drain "{model.drain}"', *at, "drain", hint=hint)
        observable = self._observable(model.observable, *at, "observable")
        if model.ignore is None and model.observable is None and not model.words:
            self.faults.add(
                f'item "{code}" says neither observable nor words nor ignore',
                *at,
                hint="what does it mean here?",
            )
        words = {
            text.strip(): tuple(self._meanings(meant, observable, (*at, "words", text)))
            for text, meant in model.words.items()
        }
        drawn = self._drawn(model, observable, at)
        number, unit, scale = self._number(model, observable, at)
        absent: dict[str, str] = {}
        for reason in CHARTED_REASONS:
            for text in getattr(model, reason):
                absent[text.strip()] = reason
        no_reading = frozenset(text.strip() for text in model.no_reading)
        for text in {*words, *absent} & no_reading | {*words} & {*absent}:
            self.faults.add(
                f'"{text}" of item "{code}" is given two meanings',
                *at,
                hint="no_reading holds the empty text unless it says otherwise" if not text else "",
            )
        if absent and observable is None and number is None:
            self.faults.add(f'item "{code}" has absent words but no observable they speak of', *at)
        self._gauges(words, scale, (*at, "words"))
        meant = {m.observable for meaning in words.values() for m in meaning}
        observables = tuple(
            sorted(
                {*meant, *([number] if number else []), *([observable.name] if observable else [])}
            )
        )
        self._beside(model, observables, at)
        for name in observables if absent else ():
            if name in BESIDE or OBSERVABLES[name].form != "Observation":
                self.faults.add(
                    f"{name} cannot be charted as not done, refused or not applicable", *at
                )
        return Item(
            code=code,
            words=words,
            drawn={text: meant for text, meant in drawn.items() if text not in words},
            number=number,
            unit=unit,
            scale=scale,
            drain=self.labels.get(model.drain) if model.drain else None,
            absent=absent,
            no_reading=no_reading,
            ignore=model.ignore,
            graded_by=model.graded_by,
            observables=observables,
            over=model.over,
            interval=self._interval(model.interval, observables, at),
        )

    def _interval(
        self, text: str | None, observables: Sequence[str], at: tuple[str, ...]
    ) -> timedelta | None:
        """Return how long an item's interval is; it must be charted over one."""
        if text is None:
            return None
        if not any(CHARTED[name].timing == "interval" for name in observables):
            self.faults.add("it is charted of a moment, and has no interval", *at, "interval")
        try:
            length = duration(text)
        except ValueError as error:
            self.faults.add(str(error), *at, "interval")
            return None
        if not length:
            self.faults.add("an interval lasts some time", *at, "interval")
        return length or None

    def _beside(self, model: ItemSection, observables: Sequence[str], at: tuple[str, ...]) -> None:
        """Report an item that says what is no reading of a drain together with what is one."""
        if model.over is not None and CHARTED_TOTAL.name not in observables:
            self.faults.add(f"only a {CHARTED_TOTAL.name} is over a shift or a day", *at, "over")
        if len(observables) > 1 and set(observables) & set(BESIDE):
            self.faults.add("it says two things, of which one is no reading of a drain", *at)
        if model.drain is not None and PATIENT_WEIGHT.name in observables:
            self.faults.add("a weight is the patient's, and of no drain", *at, "drain")

    def _drawn(
        self, model: ItemSection, observable: Observable | None, at: tuple[str, ...]
    ) -> dict[str, tuple[str, tuple[Meaning, ...]]]:
        """Return what the word lists that an item asks for say of its observable."""
        found: dict[str, tuple[str, tuple[Meaning, ...]]] = {}
        for language in [model.use] if isinstance(model.use, str) else model.use:
            if language not in LANGUAGES:
                self.faults.add(
                    f'there is no word list "{language}"',
                    *at,
                    "use",
                    hint=nearest(language, LANGUAGES),
                )
            elif observable is None:
                self.faults.add(
                    "a word list needs the observable that its words speak of", *at, "use"
                )
            elif observable.name not in word_list(language):
                self.faults.add(f'the word list "{language}" has no {observable.name}', *at, "use")
            else:
                for text, meant in word_list(language)[observable.name].items():
                    meaning = tuple(self._meaning(observable, meant, (*at, "use")))
                    other = found.setdefault(text.lower(), (language, meaning))
                    if other[1] != meaning:
                        self.faults.add(
                            f'"{text}" means different things in {other[0]} and {language}',
                            *at,
                            "use",
                            hint="say under words what it means here",
                        )
        return found

    def _gauges(
        self, words: Mapping[str, Sequence[Meaning]], scale: str | None, at: tuple[str, ...]
    ) -> None:
        """Report words that would make a wall gauge's reading a suction set."""
        for text, meanings in words.items():
            for meaning in meanings:
                if meaning.observable != "suction-set":
                    continue
                if scale == "wall-gauge":
                    self.faults.add("a wall gauge says nothing of the suction set", *at, text)
                elif meaning.unit == "mm[Hg]" and scale != "regulator":
                    self.faults.add(
                        "a pressure in mm[Hg] reads like a wall gauge",
                        *at,
                        text,
                        hint='if a regulator shows it: scale = "regulator"',
                    )

    def _observable(self, name: str | None, *loc: str) -> Observable | None:
        if name is None:
            return None
        if name not in CHARTED and name not in OBSERVABLES:
            holders = [o.name for o in OBSERVABLES.values() if name in o.component_names]
            hint = nearest(name, CHARTED)
            if holders:
                hint = f"a part of {holders[0]}: {holders[0]} = {{ value = ..., {name} = ... }}"
            self.faults.add(f'unknown observable "{name}"', *loc, hint=hint)
            return None
        if name not in CHARTED:
            self.faults.add(
                f"{name} is worked out from readings, never charted",
                *loc,
                hint='a sum charted beside its parts: observable = "charted-total"',
            )
            return None
        return CHARTED[name]

    def _number(
        self, model: ItemSection, observable: Observable | None, at: tuple[str, ...]
    ) -> tuple[str | None, str | None, str | None]:
        """Return the observable a bare number is of, its unit and the scale it is read from."""
        if model.number is not None:
            target = self._observable(model.number.observable, *at, "number")
            unit, scale = model.number.unit, model.number.scale
        elif observable is not None and observable.kind == "quantity":
            target, unit, scale = observable, model.unit, model.scale
        else:
            return None, None, None
        if target is None:
            return None, None, None
        if target.kind != "quantity":
            self.faults.add(f'"{target.name}" is not a number', *at, "number")
            return None, None, None
        if unit is not None:
            unit = self._unit(unit, target.units, target.name, (*at, "unit"))
        if target.name == "suction-set" and scale is None:
            self.faults.add(
                "suction-set needs the scale it is read from",
                *at,
                "scale",
                hint='scale = "regulator", "water-column" or "wall-gauge"',
            )
        return target.name, unit, scale

    def _unit(self, text: str, accepted: Sequence[str], of: str, at: tuple[str, ...]) -> str | None:
        try:
            unit, _ = unit_of(text, self.aliases, accepted)
        except UnitError as error:
            self.faults.add(str(error), *at, hint=error.hint)
            return None
        if unit.code not in accepted:
            self.faults.add(
                f'the unit "{unit.code}" does not belong to {of}',
                *at,
                hint=f"accepted: {', '.join(accepted)}",
            )
            return None
        return unit.code

    def _meanings(
        self, meant: str | dict[str, Any], observable: Observable | None, at: tuple[str, ...]
    ) -> Iterable[Meaning]:
        if observable is not None:
            yield from self._meaning(observable, meant, at)
        elif isinstance(meant, str) or not meant:
            self.faults.add(
                "without an observable of the item, a word needs a table of observables",
                *at,
                hint='as { mode = "water-seal" }',
            )
        else:
            for name, value in meant.items():
                target = self._observable(name, *at)
                if target is not None:
                    yield from self._meaning(target, value, at)

    def _meaning(
        self, observable: Observable, meant: Any, at: tuple[str, ...]
    ) -> Iterable[Meaning]:
        """Yield what a word says of one observable; nothing when it is not a thing it can say."""
        table = dict(meant) if isinstance(meant, dict) else {"value": meant}
        stated = table.pop("value", None)
        parts: dict[str, Decimal | int | str] = {}
        for name, part in table.items():
            if name not in observable.component_names:
                self.faults.add(
                    f'"{name}" is no part of {observable.name}',
                    *at,
                    hint=nearest(name, ["value", *observable.component_names]),
                )
                continue
            value = self._part(observable, name, part, at)
            if value is not None:
                parts[name] = value
        if observable.kind == "quantity":
            number, unit = self._quantity_text(stated, observable.units, observable.name, at)
            if number is not None and unit is not None:
                self._bounds(number, unit, observable, at)
                yield Meaning(observable.name, number, unit, parts)
            return
        implied = value_of_parts(observable.name, parts)
        stated = implied if stated is None else stated
        if stated is None and observable.kind == "words":
            self.faults.add(
                f"{observable.name} needs a value", *at, hint=f"{_list(observable.words)}"
            )
        elif stated is not None and stated not in observable.words:
            self.faults.add(
                f'"{stated}" is no word of {observable.name}',
                *at,
                hint=nearest(str(stated), observable.words)
                or f"it takes only its parts: {', '.join(observable.component_names)}",
            )
        elif observable.name == "air-leak" and stated == "none" != implied:
            self.faults.add(
                "an air leak is none only when none was seen at rest and on cough",
                *at,
                hint='{ at-rest = "none", on-cough = "none" }',
            )
        elif implied not in (None, stated):
            self.faults.add(
                f'"{stated}" is not what its parts say', *at, hint="leave the value out"
            )
        else:
            yield Meaning(observable.name, stated, None, parts)

    def _part(
        self, observable: Observable, name: str, part: Any, at: tuple[str, ...]
    ) -> Decimal | int | str | None:
        component = observable.component(name)
        if component.kind == "words" and part not in component.words:
            self.faults.add(
                f'"{part}" is no word of {observable.name}, {name}',
                *at,
                hint=nearest(str(part), component.words),
            )
            return None
        if component.kind == "integer":
            if isinstance(part, bool) or not isinstance(part, int) or not 1 <= part <= MOST_COUNT:
                self.faults.add(f"{name} is a whole number from 1 to {MOST_COUNT}", *at)
                return None
            return part
        if component.kind == "text" and not (isinstance(part, str) and part.strip()):
            self.faults.add(f"{name} is a text that says something", *at)
            return None
        if component.kind == "drain":
            if str(part) not in self.labels:
                self.faults.add(
                    f'unknown drain "{part}"', *at, hint=nearest(str(part), self.labels)
                )
            return self.labels.get(str(part))
        if component.kind == "quantity":
            number, unit = self._quantity_text(part, component.units, name, at)
            if number is None or unit is None:
                return None
            self._bounds(number, unit, component, at)
            return convert(number, unit, component.units[0])
        return str(part)

    def _bounds(
        self, number: Decimal, unit: str, of: Observable | Component, at: tuple[str, ...]
    ) -> None:
        beyond = of.beyond(number, unit)
        if beyond:
            self.faults.add(f"{of.name} {beyond}", *at)

    def _quantity_text(
        self, text: Any, accepted: Sequence[str], of: str, at: tuple[str, ...]
    ) -> tuple[Decimal | None, str | None]:
        """Return number and unit of a text as "20 cm[H2O]"."""
        match = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*([^\d\s.].*?)\s*", str(text))
        if match is None:
            self.faults.add(
                f'"{text}" is not a number with its unit', *at, hint=f'as "20 {accepted[0]}"'
            )
            return None, None
        unit = self._unit(match[2], accepted, of, at)
        return (None if unit is None else Decimal(match[1])), unit


def _list(words: Sequence[str]) -> str:
    return f"one of: {', '.join(words)}"

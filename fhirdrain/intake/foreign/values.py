"""What a resource says: its numbers and units, its words, its parts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

from fhirdrain.intake.foreign.elements import Json, codings, item_of, shown
from fhirdrain.intake.foreign.whose import Whose
from fhirdrain.intake.jsonlines import Number, fault_of_number
from fhirdrain.intake.record import Cell, Refused
from fhirdrain.site import Item
from fhirdrain.vocabulary.codes import ABSENT, LOCAL, MDC
from fhirdrain.vocabulary.observables import (
    ABSENT_REASONS,
    AS_CHARTED,
    CHARTED,
    RATES,
    WORD_CODINGS,
)
from fhirdrain.vocabulary.units import UCUM, UNITS, UnitError, rounded, unit_of
from fhirdrain.vocabulary.v2tables import MDC_UNITS

_ABSENT = {code: reason for reason, code in ABSENT_REASONS.items()}
_WORDS = {(name, c.system, c.code): word for (name, word), c in WORD_CODINGS.items()}
RATE_HOURS = {
    (coding.system, coding.code): hours
    for hours, rate in RATES.items()
    for coding in (rate.chest, rate.pericardial)
    if coding is not None
}


class Values(Whose):
    """Reads the values of a resource."""

    def _quantity(self, quantity: Json, where: str) -> tuple[str, str]:
        """Return number and unit of a Quantity, the unit as a text that intake reads."""
        if "comparator" in quantity:
            raise Refused(
                "number",
                "more or less than a number is no number",
                column=where,
                value=f"{quantity['comparator']} {quantity.get('value', '')}",
            )
        number = quantity.get("value")
        if not isinstance(number, Number):
            raise Refused("value", "a quantity without a number", column=where)
        if fault := fault_of_number(number):
            raise Refused("number", fault, column=where, value=number)
        system, code, unit = (quantity.get(name) for name in ("system", "code", "unit"))
        if code is None or system == UCUM:
            if code is not None and unit is not None and self._differ(str(unit), str(code)):
                raise Refused(
                    "unit",
                    "the unit's text and its code say different things",
                    column=where,
                    value=f"{unit} {code}",
                    hint="which of the two is meant?",
                )
            return str(quantity["value"]), str(code or unit or "")
        if system == MDC and str(code) in MDC_UNITS:
            return str(quantity["value"]), MDC_UNITS[str(code)]
        aliases = self.site.unit_aliases
        named = next((str(t) for t in (code, unit) if str(t) in aliases), None)
        return str(quantity["value"]), named or str(unit or code)

    def _differ(self, text: str, code: str) -> bool:
        """Tell whether a unit's text is known and is not what its code says."""
        try:
            one, _ = unit_of(text, self.site.unit_aliases)
        except UnitError as error:
            return error.misleading
        return code in UNITS and (one.kind, one.factor) != (UNITS[code].kind, UNITS[code].factor)

    def _note_rate_or_unit(
        self, where: str, quantity: Json, unit: str, converted: tuple[Decimal, str] | None
    ) -> None:
        if converted is not None:
            self.note(f"{where}Quantity", "changed", "a rate made the amount of its interval")
        elif unit != quantity.get("code") or quantity.get("system") != UCUM:
            self.note(f"{where}Quantity", "changed", "its unit written in UCUM")
        else:
            self.note(f"{where}Quantity", "carried")

    def _as_amount(
        self,
        meant: Item | None,
        codes: Sequence[tuple[str, str]],
        quantity: tuple[str, str],
        cells: dict[str, Cell],
        where: str,
    ) -> tuple[Item | None, tuple[str, str], tuple[Decimal, str] | None]:
        """Return a rate as the amount of the interval that it is the mean of."""
        item = self._meant(cells["item"].text, meant)
        if item is None or item.number not in ("output", "output-rate"):
            return meant, quantity, None
        hours = next((RATE_HOURS[code] for code in codes if code in RATE_HOURS), None)
        start = cells.get("start", Cell("", "")).text
        try:
            unit, _ = unit_of(quantity[1], self.site.unit_aliases)
        except UnitError as error:
            if item.number == "output-rate":
                column = f"{where}Quantity"
                raise Refused("unit", str(error), column=column, hint=error.hint) from None
            return meant, quantity, None  # intake says what is wrong with it
        if unit.kind != "rate":
            if item.number == "output-rate":
                raise Refused(
                    "unit",
                    f"{unit.code} is no rate, and its code is that of one",
                    column=f"{where}Quantity",
                    hint="an item of this code in the site file says what is meant",
                )
            return meant, quantity, None
        end = _instant(cells["time"].text)
        began = _instant(start) if start else None
        if began is None and end is not None and item.interval is not None:
            began = end - item.interval
        if began is None and end is not None and hours is not None:
            began = end - timedelta(hours=hours)
            self.note(
                "effectiveDateTime", "changed", f"it began {hours} h before, as its code says"
            )
        if began is None or end is None or began >= end:
            raise Refused(
                "interval",
                "a rate, and over which time is not said: how much drained is not known",
                column="effective",
                hint='interval = "24h" of the item says how long',
            )
        length = Fraction((end - began) // timedelta(seconds=1), 3600)
        number = Decimal(quantity[0])
        amount = number
        if unit.factor * length != 1:
            digits = self.site.settings.significant_digits
            amount = rounded(Fraction(number) * unit.factor * length, digits)
        cells["start"] = Cell("effectivePeriod.start", began.isoformat())
        own = item if item.number == "output" else item_of(item.code, "output", True)
        return own, (str(amount), "mL"), (number, unit.code)

    def _word(self, concept: Json, meant: Item | None) -> tuple[str, str | None, str]:
        """Return the word of a concept that the item knows, its text, and how it was read."""
        item = meant
        texts: list[str] = []
        for coding in concept.get("coding", ()):
            system, code = str(coding.get("system", "")), str(coding.get("code", ""))
            texts += [f"{system}|{code}", code, str(coding.get("display", ""))]
        text = concept.get("text")
        texts = [t for t in (*texts, str(text or "")) if t]
        ours = next((code for system, code in codings(concept) if system == LOCAL), None)
        said = str(text) if text is not None else None
        candidates = [item] if item is not None else list(self._items_of_code())
        for one in candidates:
            for word in texts:
                known = {*one.words, *one.absent, *one.no_reading}
                if word in known or word.lower() in one.drawn:
                    return word, said, "" if word == text else "by a word of the site file"
            for name in one.observables:
                words = CHARTED[name].words
                if ours in words:
                    return str(ours), said, ""
                for coded in codings(concept):
                    targets = {t for t in self.source.concepts.get(coded, ()) if t in words}
                    if len(targets) == 1:
                        return targets.pop(), said or shown(concept), "by a ConceptMap"
                    near = _WORDS.get((name, *coded))
                    if near is not None:
                        return near, said or shown(concept), "by the code of others sent for it"
        return (texts or [""])[-1], said, ""

    def _items_of_code(self) -> Iterable[Item]:
        """Return the site file's items of the resource's codes."""
        for system, code in codings(self.resource.get("code", {})):
            if (item := self.source.items.get(f"{system}|{code}")) is not None:
                yield item

    def _plain(self, name: str, value: Any, where: str) -> Cell:
        """Return the cell of a value that is a text, a number or a truth."""
        if value is None:
            return Cell(where, "")
        if isinstance(value, bool):
            self.note(name, "carried")
            return Cell(name, "true" if value else "false")
        if isinstance(value, str) and name in ("valueString", "valueInteger"):
            exact = name == "valueInteger"
            if exact and not (isinstance(value, Number) and not fault_of_number(value)):
                raise Refused("number", "not a whole number", column=name)
            self.note(name, "carried")
            return Cell(name, str(value).strip(), exact=exact)
        raise Refused("value", f"a {name.removeprefix('value')} says nothing here", column=name)

    def _absent(self, concept: Json, where: str) -> str:
        code = next((code for system, code in codings(concept) if system == ABSENT), "")
        if code not in _ABSENT:
            raise Refused(
                "value",
                "why there is no value is not one of the reasons that are known here",
                column=f"{where}dataAbsentReason",
                value=code,
                hint=f"known: {', '.join(_ABSENT)}",
            )
        self.note(f"{where}dataAbsentReason", "carried")
        return _ABSENT[code]

    def _parts(
        self,
        components: Iterable[tuple[int, Json]],
        meant: Item | None,
        of_their_own: Mapping[int, object],
    ) -> tuple[dict[str, Cell], tuple[Decimal, str] | None]:
        """Return the parts in components, and the number as it was charted before."""
        parts: dict[str, Cell] = {}
        original = None
        for index, component in components:
            where = f"component[{index}]"
            if index in of_their_own:
                self.note(where, "carried", "as a reading of its own")
                continue
            concept = component.get("code", {})
            name = next((c for s, c in codings(concept) if s == LOCAL), "")
            name = name or self._part_named(concept)
            if name == AS_CHARTED.code:
                charted = component["valueQuantity"]
                original = (Decimal(str(charted["value"])), str(charted["code"]))
                self.note(where, "carried")
            elif name:
                parts[name] = Cell(where, self._part_text(component, where))
                self.note(where, "carried")
            else:
                self.note(where, "lost", "its code is not in the site file")
        return parts, original

    def _part_text(self, component: Json, where: str) -> str:
        if "valueQuantity" in component:
            number, unit = self._quantity(component["valueQuantity"], where)
            return f"{number} {unit}"
        if "valueCodeableConcept" in component:
            codes = codings(component["valueCodeableConcept"])
            ours = [code for system, code in codes if system == LOCAL]
            return (ours or [code for _, code in codes] or [""])[0]
        return str(component.get("valueInteger", component.get("valueString", "")))


def _instant(text: str) -> datetime | None:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.tzinfo is not None else None

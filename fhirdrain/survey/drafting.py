"""What the items of a hospital's dictionary may mean: proposed, asked, or left out, with reasons.

What is proposed firmly is what a label says by itself; what it leaves open is asked. No meaning is
ever guessed to fill a gap.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from fhirdrain.site.words import word_list
from fhirdrain.survey.terms import LANGUAGES, Match, best, matches, terms, words_of
from fhirdrain.vocabulary.observables import CHARTED, OBSERVABLES
from fhirdrain.vocabulary.units import UNITS, Unit, UnitError, unit_of

__all__ = ["NOTHING", "Draft", "Entry", "draft", "languages_of"]

Grade = Literal["firm", "ask", "out"]
NOTHING = "nothing names a chest drain"

# Said of nearly anything: where a label names something more special as well, that is meant.
_GENERAL = frozenset({
    "site", "drain-site", "placed", "output", "level", "flow", "unit-position", "tubing",
    "connections", "securement", "mode",
})  # fmt: skip
_YES = {"+", "ja", "yes", "y", "j", "oui", "si", "sim", "true", "1"}
_NO = {"-", "nein", "no", "n", "nee", "non", "nao", "false", "0"}
# What yes and no say of an observable, where they can only say one thing.
_YES_NO: Mapping[str, tuple[Any, Any]] = {
    "swing": ("present", "absent"),
    # Whether it was looked for on cough nobody says, so it is not "none".
    "air-leak": ({"value": "present"}, {"at-rest": "none", "on-cough": "not-tested"}),
}


@dataclass(frozen=True, slots=True)
class Entry:
    """An item of a dictionary: `beside` is its category and table, `words` its values by count."""

    code: str
    label: str
    unit: str = ""
    beside: str = ""
    words: Mapping[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class Draft:
    """What is proposed of an item.

    `grade` is firm, ask (a person must look at it), or out; `observables` what it may mean, one
    alone where that is known; `drain` an id of ours for the drain its label names. `reasons` say
    why, in the order of the thought; `open_words` are values without a meaning yet.
    """

    entry: Entry
    grade: Grade
    observables: tuple[str, ...] = ()
    drain: str = ""
    side: str = ""
    space: str = ""
    unit: str = ""
    scale: str = ""
    words: dict[str, Any] = field(default_factory=dict)
    open_words: tuple[str, ...] = ()
    use: str = ""
    reasons: list[str] = field(default_factory=list)

    def because(self, reason: str) -> Draft:
        """Note a reason."""
        self.reasons.append(reason)
        return self


def languages_of(entries: Iterable[Entry]) -> tuple[str, ...]:
    """Return the languages that a dictionary's labels speak of chest drains in, the first first."""
    counts: Counter[str] = Counter()
    for entry in entries:
        words = words_of(f"{entry.label} {entry.beside}")
        for language in LANGUAGES:
            known = terms(language)
            if best(words, known["chest"]["plain"]) is None:
                continue
            counts[language] += 1 + any(best(words, p) for p in known["says"].values())
    if not counts:
        return LANGUAGES
    most = counts.most_common(1)[0][1]
    return tuple(name for name, count in counts.most_common() if count * 4 >= most)


def draft(entries: Sequence[Entry], languages: Sequence[str] = ()) -> list[Draft]:
    """Return what is proposed of each item of a dictionary."""
    spoken = tuple(languages) or languages_of(entries)
    reader = _Reader(spoken, amounts_elsewhere=any(map(_holds_outputs, entries)))
    return [reader.read(entry) for entry in entries]


class _Reader:
    """Reads labels in some languages."""

    def __init__(self, languages: Sequence[str], *, amounts_elsewhere: bool = False) -> None:
        self.languages = languages
        # Amounts stand in a table of their own, so what another one calls drainage is none.
        self.amounts_elsewhere = amounts_elsewhere

    def find(self, words: Sequence[str], section: str, key: str) -> Match | None:
        """Return the best match of a table's entry in any of the languages."""
        found = [best(words, terms(name)[section].get(key, ())) for name in self.languages]
        return max((m for m in found if m is not None), key=lambda m: m.weight, default=None)

    def read(self, entry: Entry) -> Draft:
        """Return what is proposed of an item."""
        words, beside = words_of(entry.label), words_of(entry.beside)
        draft = Draft(entry, "ask")
        self._place(draft, words)
        unit = _unit(entry.unit)
        self._says(draft, words, beside, unit)
        return draft

    # -- whose ------------------------------------------------------------------------------

    def _place(self, draft: Draft, words: list[str]) -> None:
        """Note side, space and number that a label names, and the id they make."""
        sides = {side for side in ("left", "right", "midline") if self._side(words, side)}
        draft.side = sides.pop() if len(sides) == 1 else ""
        for space in ("pericardial", "mediastinal", "pleural"):
            if self.find(words, "spaces", space):
                draft.space = space
                break
        number = _number(words)
        letter = {"left": "L", "right": "R"}.get(draft.side) or {
            "mediastinal": "M", "pericardial": "P",
        }.get(draft.space, "")  # fmt: skip
        if number or letter:
            draft.drain = f"{letter or 'T'}{number or 1}"

    def _side(self, words: list[str], side: str) -> bool:
        return self.find(words, "sides", side) is not None

    def _is_chest(self, draft: Draft, words: list[str], beside: list[str]) -> str:
        """Return by what an item is known to be of a chest drain; empty where nothing says so."""
        plain = self.find(words, "chest", "plain")
        if plain is not None:
            return f'a chest drain by "{plain.text}"'
        around = self.find(beside, "chest", "plain")
        if around is not None:
            return f'a chest drain by its category, "{around.text}"'
        weak = self.find(words, "chest", "weak")
        if weak is not None:
            return f'a chest drain by "{weak.text}"'
        is_drain = self.find(words, "drain", "words")
        if draft.space and is_drain is not None:
            return f'a chest drain by "{is_drain.text}" and its space, {draft.space}'
        of_drains = self.find(beside, "drain", "words") or _is_output_table(beside)
        named = draft.space in ("mediastinal", "pericardial") or (draft.space and draft.side)
        if of_drains and named and len(words) <= 4:
            return f"a chest drain by its table and its space, {draft.space}"
        return ""

    # -- what -------------------------------------------------------------------------------

    def _says(self, draft: Draft, words: list[str], beside: list[str], unit: Unit | None) -> None:
        chest = self._is_chest(draft, words, beside)
        said = self._said(words)
        if self._is_out(draft, words, beside, chest, said):
            return
        if not chest and {name for name, _ in said} & _OF_DRAINS:
            draft.observables = tuple(dict.fromkeys(n for n, _ in said if n in _OF_DRAINS))
            draft.because("said of chest drains, and none is named: of a drain, or of a device?")
            return
        if not chest and draft.space and _is_output_table(beside):
            draft.observables = ("output",)
            draft.because("an amount, and whether a drain lies there is not said")
            return
        drain = self.find(words, "drain", "words")
        if not chest and drain is not None and not draft.space:
            draft.because(f'"{drain.text}": a drain, and of what is not said')
            return
        if not chest:
            draft.grade = "out"
            draft.because(NOTHING)
            return
        draft.because(chest)
        bubbling = self.find(words, "asks", "bubbling")
        if bubbling is not None and not any(bubbling.overlaps(match) for _, match in said):
            draft.observables = tuple(dict.fromkeys([*(n for n, _ in said), "air-leak"]))
            draft.because(f'"{bubbling.text}": an air leak, or the suction side of the unit?')
            return
        names = list(dict.fromkeys(name for name, _ in said))
        special = [name for name in names if name not in _GENERAL]
        names = self._by_words(draft.entry, special or names)
        ordered = self.find(words + beside, "ordered", "words")
        total = self.find(words, "total", "words")
        if total is not None and set(names) <= {"output", "level"}:
            draft.observables = ("charted-total", "output", "level")
            draft.because(f'"{total.text}": a sum, a level that rises, or an amount of so long?')
        elif len(names) > 1:
            draft.observables = tuple(names)
            draft.because(f"it holds {' and '.join(names)}: which of its words is which?")
        elif ordered is not None and self._is_order(names, words):
            name = "mode-ordered" if "mode" in names or draft.entry.words else "suction-ordered"
            name = name if unit is None else "suction-ordered"
            self._firm(draft, name, f'ordered by "{ordered.text}"', unit)
        elif names and self._is_uncertain(draft, names[0], words, beside):
            draft.observables = (names[0],)
            draft.because(f"{names[0]}, and the abbreviation may be another's")
        elif names:
            text = next(match.text for name, match in said if name == names[0])
            self._named(draft, names[0], f'{names[0]} by "{text}"', beside, unit)
        else:
            self._by_unit(draft, words, beside, unit)

    def _is_uncertain(self, draft: Draft, name: str, words: list[str], beside: list[str]) -> bool:
        """Tell whether only an abbreviation speaks of a chest drain, and it may be of others."""
        if name not in _OF_OTHERS_TOO or _number(words) or _is_output_table(beside):
            return False
        evident = self.find(words, "chest", "plain") or self.find(beside, "chest", "plain")
        return evident is None and not draft.space

    def _said(self, words: list[str]) -> list[tuple[str, Match]]:
        """Return the observables that a label names, without those that another one holds."""
        found: list[tuple[str, Match]] = []
        chest = [
            match
            for name in self.languages
            for match in matches(words, terms(name)["chest"]["plain"])
        ]
        for language in self.languages:
            for name, patterns in terms(language)["says"].items():
                for match in matches(words, patterns):
                    covered = any(c.start <= match.start and match.end <= c.end for c in chest)
                    if not covered or match.inside:
                        found.append((name, match))
        kept: list[tuple[str, Match]] = []
        for name, match in sorted(found, key=lambda one: -one[1].weight):
            if not any(match.overlaps(other) for _, other in kept):
                kept.append((name, match))
        return kept

    def _by_words(self, entry: Entry, names: list[str]) -> list[str]:
        """Return the one of several observables that an item's values are words of, else all."""
        if len(names) < 2 or not entry.words:
            return names
        known = {name: sum(self._knows(name, word) for word in entry.words) for name in names}
        most = max(known.values())
        fitting = [name for name in names if known[name] == most]
        return fitting if len(fitting) == 1 and most * 2 >= len(entry.words) else names

    def _knows(self, name: str, word: str) -> bool:
        found = self._place_of(word) if name == "drain-site" else self._meaning(name, word)
        return bool(found)

    def _is_order(self, names: Sequence[str], words: list[str]) -> bool:
        if set(names) & {"suction-set", "mode", "suction-source", "suction-ordered"}:
            return True
        return not names and self.find(words, "asks", "suction") is not None

    def _is_out(
        self,
        draft: Draft,
        words: list[str],
        beside: list[str],
        chest: str,
        said: Sequence[tuple[str, Match]],
    ) -> bool:
        """Leave out what is not of a chest drain that lies in the patient; tell whether it was."""
        for kind in _OUT:
            match = self.find(words, "out", kind)
            if kind in ("specimen", "procedure") and match is None:
                around = self.find(beside, "out", kind)
                if around is not None and not said:
                    match = around
            if match is None:
                continue
            if kind in _UNLESS_SAID and chest and any(match.overlaps(other) for _, other in said):
                continue  # a part of what is said of the drain
            strong = self.find(words, "chest", "plain")
            in_it = strong is not None and strong.start <= match.start < strong.end
            if in_it and kind not in ("thoracentesis", "irrigation"):
                continue
            if kind == "thoracentesis" and strong is not None and _ASPIRATED in match.text[:3]:
                draft.because(f'"{match.text}" from a drain: an amount of it, or a puncture?')
                draft.observables = ("output",)
                return True
            draft.grade = "out"
            draft.because(f'{_OUT[kind]} by "{match.text}"')
            return True
        return False

    def _by_unit(
        self, draft: Draft, words: list[str], beside: list[str], unit: Unit | None
    ) -> None:
        """Propose by table and unit what a label does not say; ask where they leave it open."""
        status = self.find(words, "asks", "status")
        if status is not None:
            draft.because(f'"{status.text}": what its values say is not known')
            return
        where = self.find(words, "asks", "site")
        if where is not None:
            names = self._by_words(draft.entry, ["site", "drain-site"])
            if len(names) == 1:
                self._named(draft, names[0], f"{names[0]} by its values", beside, unit)
                return
            draft.observables = tuple(names)
            draft.because(f'"{where.text}": the skin there, or where the drain lies?')
            return
        suction = self.find(words, "asks", "suction")
        kind = self.find(words, "asks", "kind")
        if suction is not None and kind is not None and not draft.entry.words:
            draft.observables = ("mode", "suction-source")
            draft.because(f'"{kind.text}": suction or water seal, or what kind of unit?')
            return
        if suction is not None and unit is None and not draft.entry.words:
            draft.observables = ("suction-set", "mode", "suction-source")
            draft.because(f'"{suction.text}": how much is set, whether it is on, or the source?')
            return
        if suction is not None:
            self._named(draft, "suction-set", f'suction by "{suction.text}"', beside, unit)
            return
        if _is_output_table(beside) and words[-1] in _PUT_IN:
            draft.observables = ("output", "instilled")
            draft.because(f'"{words[-1]}" in a table of outputs: put in, or drained?')
            return
        if _is_output_table(beside) and (unit is None or unit.kind == "volume"):
            self._firm(draft, "output", "an amount by its table of outputs", unit)
            return
        if unit is not None and unit.kind == "volume":
            draft.observables = ("level", "output")
            draft.because("a volume: the level in the chamber, or what drained since the last?")
            return
        match = self.find(words, "asks", "drainage")
        if match is not None and self.amounts_elsewhere and unit is None:
            why = f'"{match.text}", and amounts stand in a table of outputs: what it looks like'
            self._firm(draft, "appearance", why, unit)
            return
        if match is not None:
            draft.observables = ("appearance", "output")
            draft.because(f'"{match.text}": how much, or what it looks like?')
            return
        draft.because("what of the drain it is about is not said")

    def _named(
        self, draft: Draft, name: str, why: str, beside: list[str], unit: Unit | None
    ) -> None:
        """Propose an observable that a label names, if unit, table and words go with it."""
        observable = CHARTED[name]
        if name in ("air-leak", "swing") and (
            grade := self.find(words_of(draft.entry.label), "asks", "grade")
        ):
            draft.observables = (name,)
            draft.because(f'{why}, and a "{grade.text}": of which scale (graded_by)?')
            return
        if _is_output_table(beside) and name not in ("output", "level", "instilled"):
            draft.observables = (name, "output")
            draft.because(f"{why}, and it stands in a table of outputs")
            return
        if self._is_input(beside) and name != "instilled":
            draft.observables = (name,)
            draft.because(f"{why}, and it stands in a table of what was put in")
            return
        if unit is not None and observable.kind == "quantity" and unit.code not in observable.units:
            if name == "air-leak" or (name == "output" and unit.kind == "rate"):
                draft.because("a rate: over which time?")
            draft.observables = (name,)
            draft.because(f"{why}, and {unit.code} is no unit of it")
            return
        if unit is not None and observable.kind != "quantity":
            if name == "air-leak" and unit.kind in ("air flow", "rate"):
                self._firm(draft, "air-leak-flow", f"{why}, in {unit.code}", unit)
                return
            if name not in ("placed", "removed", "unit-change"):
                draft.observables = (name,)
                draft.because(f"{why}, and it has a unit, {unit.code}")
                return
        self._firm(draft, name, why, unit)

    def _is_input(self, beside: list[str]) -> bool:
        return any(word.startswith(("input", "intake", "einfuhr", "invoer")) for word in beside)

    # -- a firm proposal ---------------------------------------------------------------------

    def _firm(self, draft: Draft, name: str, why: str, unit: Unit | None) -> None:
        draft.grade, draft.observables = "firm", (name,)
        draft.because(why)
        observable = CHARTED[name]
        if observable.kind == "quantity":
            draft.unit = unit.code if unit is not None else ""
            if not draft.unit and "mL" in observable.units:
                draft.because("no unit is given: what comes without one is refused")
        if name == "suction-set":
            self._scale(draft, unit)
        self._words(draft, name)

    def _scale(self, draft: Draft, unit: Unit | None) -> None:
        """Note what suction is read from: what shows cm of water is no wall gauge."""
        draft.scale = "regulator"
        if unit is not None and unit.code not in ("cm[H2O]", "mm[H2O]", "m[H2O]"):
            draft.grade = "ask"
            draft.because(f"in {unit.code}: read from a regulator of the unit, or a wall gauge?")

    def _words(self, draft: Draft, name: str) -> None:
        """Give the values of an item their meanings, as far as they are known."""
        entry = draft.entry
        if not entry.words:
            return
        if name in ("suction-set", "mode"):
            self._modes(draft)
            return
        if name == "drain-site":
            for word in entry.words:
                found = self._place_of(word)
                if found:
                    draft.words[word] = found
        else:
            for word in entry.words:
                meant = self._meaning(name, word)
                if meant is not None:
                    draft.words[word] = meant
        self._settle(draft)

    def _settle(self, draft: Draft) -> None:
        words = draft.entry.words
        draft.open_words = tuple(word for word in words if word not in draft.words)
        if draft.open_words and len(draft.open_words) * 2 > len(words):
            draft.grade = "ask"
            draft.because("most of its values have no meaning yet")
        elif draft.open_words:
            draft.because(f"no meaning yet, and refused until then: {', '.join(draft.open_words)}")

    def _place_of(self, word: str) -> dict[str, str]:
        spelt = words_of(word)
        found = {}
        for side in ("left", "right", "midline"):
            if self._side(spelt, side):
                found["side"] = side
        for space in ("pleural", "mediastinal", "pericardial"):
            if self.find(spelt, "spaces", space):
                found["space"] = space
        return found

    def _meaning(self, name: str, word: str) -> Any:
        """Return what a value says of an observable, None where that is not known."""
        text = word.strip()
        spelt = " ".join(words_of(text)) or text
        observable = CHARTED[name]
        for known in observable.words:
            if spelt == known.replace("-", " "):
                if name == "air-leak" and known == "none":
                    return {"at-rest": "none", "on-cough": "not-tested"}
                return known
        for language in self.languages:
            for theirs, meant in word_list(language).get(name, {}).items():
                if " ".join(words_of(theirs)) == spelt:
                    return meant
        yes, no = _YES_NO.get(name, (None, None))
        if spelt in _YES:
            return yes
        return no if spelt in _NO else None

    def _modes(self, draft: Draft) -> None:
        """Give values that are settings of suction, or ways to run a drain, their meanings."""
        for word in draft.entry.words:
            number = re.fullmatch(r"\s*-?\s*(\d+(?:[.,]\d+)?)\s*([^\d\s].*?)\s*", word)
            mode = self._meaning("mode", word)
            if number is not None:
                unit = _unit(number[2])
                if unit is not None and unit.code == "cm[H2O]":
                    set_to = f"{number[1].replace(',', '.')} cm[H2O]"
                    draft.words[word] = {"mode": "suction", "suction-set": set_to}
            elif mode is not None:
                draft.words[word] = {"mode": mode}
        if draft.words:
            used = {name for meant in draft.words.values() for name in meant}
            draft.observables = tuple(name for name in ("mode", "suction-set") if name in used)
            draft.scale = "regulator" if "suction-set" in used else ""
            if used == {"mode"}:
                draft.words = {word: meant["mode"] for word, meant in draft.words.items()}
        self._settle(draft)


# Said of pacemakers, pictures and much else that is abbreviated as a chest drain may be.
_OF_OTHERS_TOO = frozenset({"output", "level", "mode", "placed", "removed", "site", "drain-site"})
# What is said of nothing else, or of few things.
_OF_DRAINS = frozenset({"air-leak", "swing", "water-seal-level", "suction-bubbling"})
_PUT_IN = frozenset({"in", "ein", "rein"})
_ASPIRATED = "asp"
_OUT: Mapping[str, str] = {
    "irrigation": "an irrigation or a flush",
    "thoracentesis": "a puncture, and no drain that stays",
    "other-drain": "another drain or tube",
    "specimen": "a specimen, or fluid that no drain is named of",
    "procedure": "a procedure or a picture",
    "paperwork": "paperwork",
    "machine": "another device",
}
# Words of these kinds are often part of what is said of a chest drain.
_UNLESS_SAID = frozenset({"other-drain", "paperwork", "machine", "procedure", "specimen"})


def _number(words: Sequence[str]) -> str:
    """Return the number of a drain in a label: its first one of one digit, but of hours."""
    for index, word in enumerate(words):
        behind = words[index + 1] if index + 1 < len(words) else ""
        if word.isdigit() and len(word) == 1 and behind not in ("h", "hr", "hrs", "std", "u"):
            before = words[index - 1] if index else ""
            if before not in ("h", "q", "x"):
                return word
    return ""


def _is_output_table(beside: Sequence[str]) -> bool:
    stems = (
        "output",
        "ausfuhr",
        "uitvoer",
        "egreso",
        "sortie",
        "salida",
        "uscit",
        "saida",
        "perdit",
    )
    return any(word.startswith(stems) for word in beside)


def _holds_outputs(entry: Entry) -> bool:
    return _is_output_table(words_of(entry.beside))


def _unit(text: str) -> Unit | None:
    """Return the unit that a dictionary's text means, None where there is none or it is unknown."""
    spelt = text.strip()
    for one in (spelt, spelt.replace(" ", ""), spelt.lower(), spelt.lower().replace(" ", "")):
        try:
            return unit_of(one)[0]
        except UnitError:
            continue
    return UNITS["mL"] if spelt.lower() in ("millilitre", "milliliter", "millilitres") else None


assert set(_YES_NO) <= set(OBSERVABLES)

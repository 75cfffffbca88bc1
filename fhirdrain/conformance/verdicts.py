"""Whether resources conform to profiles where that hangs on others, to which they refer.

References may run in circles, and a chain of them may be of any length. So what a resource itself
says is looked at first, one resource after the other; then what was found against one is carried
to those that refer to it. What nothing speaks against conforms, whichever was asked for first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fhirdrain.conformance.walk import Index, Run

# Empty where a value conforms, else what speaks against it; None where it cannot be known.
Verdict = str | None
Key = tuple[int, str]

# How deep one question may lead to another while it is looked into (`conformsTo` can do that).
_DEEPEST = 20


@dataclass(frozen=True, slots=True)
class Need:
    """A reference whose target has to conform to one of some profiles, and what else is so."""

    target: Any
    profiles: Sequence[str]
    index: Index
    otherwise: str

    @property
    def keys(self) -> list[Key]:
        """Return what its target may be, as verdicts are kept."""
        return [(id(self.target), url) for url in self.profiles]

    def verdict(self, of: Callable[[Key], Verdict]) -> Verdict:
        """Return whether it is met, from what is known of its target."""
        found = [of(key) for key in self.keys]
        return "" if "" in found else None if None in found else self.otherwise


@dataclass(slots=True)
class _Case:
    """What was found of a value itself, and what it needs beside."""

    own: Verdict
    needs: list[Need]

    def verdict(self, of: Callable[[Key], Verdict]) -> Verdict:
        """Return what is known of it, from what is known of others."""
        found = [self.own, *(need.verdict(of) for need in self.needs)]
        return next((why for why in found if why), None if None in found else "")


# Looks at a value alone: a value, a profile's URL, where references in it lead, the walk.
Look = Callable[[Any, str, "Index", "Run"], tuple[Verdict, list[Need]]]


@dataclass(slots=True)
class Verdicts:
    """The verdicts of one document, each reached once."""

    _known: dict[Key, Verdict] = field(default_factory=dict)
    _assumed: dict[Key, Verdict] = field(default_factory=dict)
    _open: set[Key] = field(default_factory=set)
    _depth: int = 0
    _leans: bool = False

    def of(self, value: Any, url: str, index: Index, run: Run, look: Look) -> Verdict:
        """Return whether a value conforms to a profile; `index` is that of references in it."""
        key = (id(value), url)
        if key in self._known:
            return self._known[key]
        if key in self._open or key in self._assumed:
            # It is still looked into: until something speaks against it, it conforms.
            self._leans = True
            return self._assumed.get(key, "")
        if self._depth >= _DEEPEST:
            return None
        leant, self._leans = self._leans, False
        cases: dict[Key, _Case] = {}
        self._depth += 1
        try:
            self._look_into((value, url, index), run, look, cases)
        finally:
            self._depth -= 1
            self._open -= cases.keys()
        found = self._settled(cases)
        for one, verdict in found.items():
            # What rests on another question that is still open holds until that one is answered.
            known = self._assumed if self._leans and not verdict else self._known
            known[one] = verdict
        if not self._depth:
            self._assumed.clear()
        self._leans = self._leans or leant
        return found[key]

    def _look_into(
        self, first: tuple[Any, str, Index], run: Run, look: Look, cases: dict[Key, _Case]
    ) -> None:
        todo = [first]
        while todo:
            value, url, index = todo.pop()
            key = (id(value), url)
            if key in cases:
                continue
            if key in self._open or key in self._assumed:
                self._leans = True
                continue
            cases[key] = _Case("", [])
            self._open.add(key)
            own, needs = look(value, url, index, run)
            cases[key] = _Case(own, needs)
            todo += [
                (need.target, key[1], need.index)
                for need in needs
                for key in need.keys
                if key not in self._known
            ]

    def _settled(self, cases: dict[Key, _Case]) -> dict[Key, Verdict]:
        """Carry what speaks against each to those that need it, until no more comes of it."""
        users: dict[Key, list[Key]] = {}
        for key, case in cases.items():
            for need in case.needs:
                for other in need.keys:
                    users.setdefault(other, []).append(key)
        found: dict[Key, Verdict] = dict.fromkeys(cases, "")

        def of(key: Key) -> Verdict:
            if key in found:
                return found[key]
            return self._known[key] if key in self._known else self._assumed.get(key, "")

        changed = list(cases)
        while changed:
            key = changed.pop()
            if found[key]:
                continue
            verdict = cases[key].verdict(of)
            if verdict != found[key]:
                found[key] = verdict
                changed += [user for user in users.get(key, ()) if user in cases]
        return found

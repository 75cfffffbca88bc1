"""What a search asks for, as SQL conditions on the versions that held at one moment.

Conditions speak of `v`, a row of `version`, and of `f`, a row of `found_by`. Names of parameters
and all values go in as values; the texts are put together of constants alone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from fhirdrain.conformance.definitions import is_resource
from fhirdrain.sandbox.dates import now, span_of
from fhirdrain.sandbox.parameters import Parameter, parameters_of
from fhirdrain.sandbox.refusal import Refusal, UnknownParameter

Criterion = tuple[str, str]
Sql = tuple[str, list[Any]]

# Held after a change: made by then, not yet replaced, and no deletion. Takes that change twice.
LIVE = "(v.seq <= ? AND (v.ended IS NULL OR v.ended > ?) AND v.method <> 'DELETE')"

_MOST_ALTERNATIVES = 200
_MOST_LINKS = 3  # of a chain: SQLite's parser takes no deeper nesting of what they become
_ID = r"[A-Za-z0-9\-.]{1,64}"


@dataclass(frozen=True, slots=True)
class SortKey:
    """One key of a sort: `_id`, `_lastUpdated`, or a parameter of kind token or date."""

    name: str
    kind: str
    descending: bool


def split_escaped(text: str, mark: str) -> list[str]:
    """Split at a mark that is not escaped with a backslash."""
    parts, start, at = [], 0, 0
    while at < len(text):
        if text[at] == "\\":
            at += 1
        elif text[at] == mark:
            parts.append(text[start:at])
            start = at + 1
        at += 1
    return [*parts, text[start:]]


def _plain(text: str) -> str:
    return re.sub(r"\\([\\,|$])", r"\1", text)


def _each(text: str, one: Callable[[str], Sql]) -> list[Sql]:
    """Return the conditions of the alternatives of a value."""
    wanted = split_escaped(text, ",")
    if len(wanted) > _MOST_ALTERNATIVES:
        raise Refusal(400, "too-costly", f"more than {_MOST_ALTERNATIVES} alternatives")
    return [one(alternative) for alternative in wanted]


def _any_of(conditions: Sequence[Sql]) -> Sql:
    values = [value for _, more in conditions for value in more]
    return f"({' OR '.join(sql for sql, _ in conditions)})", values


def _found_by(kind: str, name: str, conditions: Sequence[Sql]) -> Sql:
    """Return the versions that any of the conditions finds by one parameter.

    A union, since each part of it can go by the index and an OR cannot.
    """
    one = "SELECT f.seq FROM found_by f WHERE f.type = ? AND f.parameter = ? AND "
    values = [value for _, more in conditions for value in (kind, name, *more)]
    return f"({' UNION ALL '.join(one + sql for sql, _ in conditions)})", values


class Finder:
    """Turns criteria into SQL for what held after one change, seen from one base URL."""

    def __init__(self, base: str, upto: int) -> None:
        self._own = f"{base}/"
        self._upto = upto

    def where(self, kind: str, criteria: Sequence[Criterion], links: int = 0) -> Sql:
        """Return the condition for resources of a type; raises `Refusal`."""
        if not is_resource(kind):
            raise Refusal(404, "not-supported", f"{kind} is not an R4 resource type")
        if links > _MOST_LINKS:
            raise Refusal(400, "too-costly", f"a chain of more than {_MOST_LINKS} links")
        parts: list[str] = []
        values: list[Any] = [kind, self._upto, self._upto]
        for name, text in criteria:
            sql, more = self._criterion(kind, name, text, links)
            parts.append(sql)
            values += more
        # What a criterion finds is looked up; the plus keeps SQLite from walking the whole type.
        found = any(part.startswith("v.seq IN") for part in parts)
        return " AND ".join([f"{'+' * found}v.type = ?", LIVE, *parts]), values

    def _criterion(self, kind: str, name: str, text: str, links: int) -> Sql:
        if name == "_id":
            ids = _each(text, lambda one: ("?", [_plain(one)]))
            marks = ", ".join(mark for mark, _ in ids)
            sql = f"v.seq IN (SELECT w.seq FROM version w WHERE w.type = ? AND w.id IN ({marks}))"
            return sql, [kind, *(value for _, values in ids for value in values)]
        if name == "_lastUpdated":
            return _any_of(_each(text, lambda one: _date(name, one, "v.moment", "v.moment")))
        if name.startswith("_has:"):
            return self._reverse(kind, name, text, links)
        head, _, chain = name.partition(".")
        head, _, modifier = head.partition(":")
        parameter = parameters_of(kind).get(head)
        if parameter is None:
            raise _unknown(kind, head)
        if modifier == "missing" and not chain:
            return _missing(kind, parameter, text)
        if modifier == "not" and parameter.kind == "token" and not chain:
            sql, values = _found_by(kind, head, _each(text, _token))
            return f"v.seq NOT IN {sql}", values
        if parameter.kind == "reference":
            conditions = self._reference(parameter, modifier, chain, text, links)
        elif modifier or chain:
            what = f":{modifier}" if modifier else "a chain"
            raise Refusal(400, "not-supported", f"{head} cannot be searched with {what} here")
        elif parameter.kind == "token":
            conditions = _each(text, _token)
        else:
            conditions = _each(text, lambda one: _date(head, one, "f.first", "f.second"))
            conditions = [(f"f.kind = 'date' AND {sql}", values) for sql, values in conditions]
        sql, values = _found_by(kind, head, conditions)
        return f"v.seq IN {sql}", values

    # -- references -------------------------------------------------------------------------

    def _reference(
        self, parameter: Parameter, modifier: str, chain: str, text: str, links: int
    ) -> list[Sql]:
        if chain:
            targets = (modifier,) if modifier else parameter.targets
            return self._chained(parameter, targets, chain, text, links)
        if modifier == "identifier":
            return _each(text, lambda one: _token(one, "logical"))
        if modifier and modifier not in parameter.targets:
            raise Refusal(
                400, "not-supported", f"{parameter.name} cannot be searched with :{modifier} here"
            )
        return _each(text, lambda one: self._literal(parameter, modifier, one))

    def _literal(self, parameter: Parameter, modifier: str, text: str) -> Sql:
        text = _plain(text).removeprefix(self._own)
        match = re.fullmatch(rf"(?:([A-Z][A-Za-z]+)/)?({_ID})(?:/_history/{_ID})?", text)
        if match is None:
            if "://" in text or text.startswith("urn:"):
                return "(f.kind = 'url' AND f.second = ?)", [text]
            raise Refusal(400, "value", f"{parameter.name}: not a reference")
        kind = match[1] or modifier or ("Patient" if parameter.name == "patient" else None)
        if kind is None:
            return "(f.kind = 'reference' AND f.second = ?)", [match[2]]
        return "(f.kind = 'reference' AND f.second = ? AND f.first = ?)", [match[2], kind]

    def _chained(
        self, parameter: Parameter, targets: Sequence[str], chain: str, text: str, links: int
    ) -> list[Sql]:
        """Return the conditions that what is referred to matches; any type that can is tried."""
        conditions: list[Sql] = []
        unknown = UnknownParameter(f"{parameter.name} cannot be chained")
        for target in targets:
            if target not in parameter.targets:
                raise Refusal(400, "not-supported", f"{parameter.name} leads to no {target}")
            try:
                where, values = self.where(target, [(chain, text)], links + 1)
            except UnknownParameter as refusal:
                unknown = refusal
                continue
            sql = (
                "f.kind = 'reference' AND f.first = ? AND f.second IN"
                f" (SELECT v.id FROM version v WHERE {where})"
            )
            conditions.append((sql, [target, *values]))
        if not conditions:
            raise unknown
        if chain == "identifier":
            # Beside what the target itself is known by, what the reference says of it.
            conditions += _each(text, lambda one: _token(one, "logical"))
        return conditions

    def _reverse(self, kind: str, name: str, text: str, links: int) -> Sql:
        """Return the condition that something that matches refers to the resource (`_has`)."""
        _, source, by, asked = [*name.split(":", 3), "", "", ""][:4]
        parameter = parameters_of(source).get(by) if is_resource(source) else None
        if parameter is None or kind not in parameter.targets or not asked:
            raise UnknownParameter("_has is _has:Type:reference-parameter:parameter, of known ones")
        where, values = self.where(source, [(asked, text)], links + 1)
        sql = (
            "v.id IN (SELECT f.second FROM found_by f WHERE f.type = ? AND f.parameter = ?"
            " AND f.kind = 'reference' AND f.first = ?"
            f" AND f.seq IN (SELECT v.seq FROM version v WHERE {where}))"
        )
        return sql, [source, by, kind, *values]


def _unknown(kind: str, name: str) -> UnknownParameter:
    # A name may be anything, a patient's among it: only what looks like a parameter is shown.
    shown = name if re.fullmatch(r"[a-z_][a-z-]{0,30}", name) else "of that name"
    known = ", ".join(sorted(parameters_of(kind)))
    return UnknownParameter(
        f"{kind} has no search parameter {shown} here{f': {known}' if known else ''}"
    )


# -- values ---------------------------------------------------------------------------------


def _missing(kind: str, parameter: Parameter, text: str) -> Sql:
    if text not in ("true", "false"):
        raise Refusal(400, "value", f"{parameter.name}:missing is true or false")
    sql = "(SELECT f.seq FROM found_by f WHERE f.type = ? AND f.parameter = ?)"
    return f"v.seq {'NOT IN' if text == 'true' else 'IN'} {sql}", [kind, parameter.name]


def _token(text: str, kind: str = "token") -> Sql:
    parts = split_escaped(text, "|")
    if len(parts) == 1:
        return "(f.kind = ? AND f.second = ?)", [kind, _plain(text)]
    system, code = _plain(parts[0]), _plain("|".join(parts[1:]))
    if not code:
        return "(f.kind = ? AND f.first = ?)", [kind, system]
    return "(f.kind = ? AND f.second = ? AND f.first = ?)", [kind, code, system]


def _date(name: str, text: str, first: str, second: str) -> Sql:
    """Return the condition on a target's first and last moment (R4, "Search", prefixes)."""
    match = re.fullmatch(r"(eq|ne|gt|lt|ge|le|sa|eb|ap)?(\d.*)", text)
    try:
        low, high = span_of(match[2] if match else "")
    except ValueError:
        raise Refusal(400, "value", f"{name}: not a date") from None
    prefix = (match[1] if match else None) or "eq"
    if prefix == "ap":
        # R4 recommends a tenth of the time between now and the date.
        around = abs(now() - low) // 10
        return f"({second} >= ? AND {first} <= ?)", [low - around, high + around]
    sql, values = {
        "eq": (f"{first} >= ? AND {second} <= ?", [low, high]),
        "ne": (f"NOT ({first} >= ? AND {second} <= ?)", [low, high]),
        "gt": (f"{second} > ?", [high]),
        "lt": (f"{first} < ?", [low]),
        "ge": (f"{second} > ? OR ({first} >= ? AND {second} <= ?)", [high, low, high]),
        "le": (f"{first} < ? OR ({first} >= ? AND {second} <= ?)", [low, low, high]),
        "sa": (f"{first} > ?", [high]),
        "eb": (f"{second} < ?", [low]),
    }[prefix]
    return f"({sql})", list(values)


# -- order ----------------------------------------------------------------------------------


def sort_keys(kind: str, text: str) -> list[SortKey]:
    """Return the keys of a `_sort`; raises `UnknownParameter`."""
    keys = []
    for part in text.split(","):
        name = part.removeprefix("-")
        parameter = parameters_of(kind).get(name)
        what = name if name in ("_id", "_lastUpdated") else parameter.kind if parameter else ""
        if what in ("", "reference"):
            raise UnknownParameter(f"{kind} cannot be sorted by that here")
        keys.append(SortKey(name, what, part.startswith("-")))
    return keys


def order_of(keys: Sequence[SortKey]) -> Sql:
    """Return the order of a search: its keys, then the order of creation; what has no value last.

    Of a span the first moment counts when rising and the last when falling.
    """
    parts: list[str] = []
    values: list[Any] = []
    for key in keys:
        way = "DESC" if key.descending else "ASC"
        if key.name in ("_id", "_lastUpdated"):
            parts.append(f"{'v.id' if key.name == '_id' else 'v.moment'} {way}")
            continue
        column = "f.first" if key.kind == "date" and not key.descending else "f.second"
        best = f"{'max' if key.descending else 'min'}({column})"
        value = f"(SELECT {best} FROM found_by f WHERE f.seq = v.seq AND f.parameter = ?)"
        parts.append(f"{value} {way} NULLS LAST")
        values.append(key.name)
    return ", ".join([*parts, "v.place"]), values

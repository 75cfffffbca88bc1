"""Searches: what a query controls, pages that stay together, what comes along with the matches."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from fhirdrain.conformance.definitions import is_resource
from fhirdrain.issues import Issue
from fhirdrain.sandbox.call import GENERAL, Answer, Call
from fhirdrain.sandbox.criteria import Criterion, Finder, SortKey, sort_keys
from fhirdrain.sandbox.parameters import parameters_of
from fhirdrain.sandbox.refusal import Refusal, UnknownParameter, outcome_of
from fhirdrain.sandbox.stored import Stored

_MOST_COUNT = 500
_PLAIN_COUNT = 50
_MOST_CRITERIA = 30
_MOST_VALUES = 400  # of all criteria together: one search must not hold up everybody
_MOST = 2**53


@dataclass(slots=True)
class _Wanted:
    """A search as it is done: what was understood of the query, and what was passed over."""

    kept: list[tuple[str, str]] = field(default_factory=list)
    criteria: list[Criterion] = field(default_factory=list)
    sort: list[SortKey] = field(default_factory=list)
    along: list[tuple[str, str, str, str]] = field(default_factory=list)
    count: int = _PLAIN_COUNT
    total: bool = True
    upto: int = 0
    skip: int = 0
    passed_over: list[Issue] = field(default_factory=list)


def search(call: Call, kind: str) -> Answer:
    """Return the searchset of a query; every page shows what held when the first was asked for."""
    with call.storage.at_rest():
        wanted = _understood(call, kind)
        if not wanted.count:
            return Answer(body=_bundle(call, wanted, kind, [], None))
        page = call.storage.search(
            kind,
            wanted.criteria,
            base=call.base,
            sort=wanted.sort,
            upto=wanted.upto,
            skip=wanted.skip,
            count=wanted.count + 1,
        )
        more, page = len(page) > wanted.count, page[: wanted.count]
        entries = [_entry(call, stored, "match") for stored in page]
        entries += [_entry(call, stored, "include") for stored in _along(call, wanted, page)]
        following = wanted.skip + len(page) if more else None
        return Answer(body=_bundle(call, wanted, kind, entries, following))


def _bundle(
    call: Call, wanted: _Wanted, kind: str, entries: list[dict[str, Any]], following: int | None
) -> dict[str, Any]:
    links = [{"relation": "self", "url": call.url(wanted.kept, kind)}]
    if following is not None:
        turned = [(n, v) for n, v in wanted.kept if n not in ("_upto", "_skip")]
        turned += [("_upto", str(wanted.upto)), ("_skip", str(following))]
        links.append({"relation": "next", "url": call.url(turned, kind)})
    if wanted.passed_over:
        outcome = outcome_of(wanted.passed_over)
        entries = [*entries, {"resource": outcome, "search": {"mode": "outcome"}}]
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "searchset"}
    if wanted.total:
        bundle["total"] = call.storage.count(
            kind, wanted.criteria, base=call.base, upto=wanted.upto
        )
    bundle["link"] = links
    return {**bundle, "entry": entries} if entries else bundle


def _entry(call: Call, stored: Stored, mode: str) -> dict[str, Any]:
    url = f"{call.base}/{stored.kind}/{stored.id}"
    return {"fullUrl": url, "resource": stored.body, "search": {"mode": mode}}


# -- the query ------------------------------------------------------------------------------


def _understood(call: Call, kind: str) -> _Wanted:
    """Take a query apart; raises `Refusal` for what it cannot do, unless that may be passed over.

    R4, "Search": with `handling=lenient` unknown parameters are passed over and named in an
    outcome. A modifier or a value that cannot be used is refused in any case.
    """
    newest = call.storage.newest()
    wanted = _Wanted(upto=newest)
    lenient = "handling=lenient" in call.preferences
    for name, value in call.query:
        if not value:
            continue  # a parameter without a value asks for nothing
        try:
            _one(call, kind, wanted, name, value)
        except UnknownParameter as unknown:
            if not lenient:
                raise
            said = f"passed over: {unknown}"
            wanted.passed_over.append(Issue("warning", "not-supported", "sandbox", said))
        else:
            wanted.kept.append((name, value))
    wanted.upto = min(wanted.upto, newest)
    return wanted


def _one(call: Call, kind: str, wanted: _Wanted, name: str, value: str) -> None:
    controls: dict[str, Callable[[_Wanted, str, str], None]] = {
        "_count": _count,
        "_summary": _summary,
        "_total": _total,
        "_upto": _turned,
        "_skip": _turned,
    }
    if name in GENERAL:
        return
    if name in controls:
        controls[name](wanted, name, value)
    elif name == "_sort":
        for key in sort_keys(kind, value):
            if all(key.name != before.name for before in wanted.sort):
                wanted.sort.append(key)  # a key that comes again decides nothing
    elif name.partition(":")[0] in ("_include", "_revinclude"):
        along = _comes_along(kind, name, value)
        if along not in wanted.along:
            wanted.along.append(along)
    else:
        Finder(call.base, 0).where(kind, [(name, value)])  # refuses what cannot be searched by
        wanted.criteria.append((name, value))
        if len(wanted.criteria) > _MOST_CRITERIA:
            raise Refusal(400, "too-costly", f"more than {_MOST_CRITERIA} criteria")
        if sum(text.count(",") + 1 for _, text in wanted.criteria) > _MOST_VALUES:
            raise Refusal(400, "too-costly", f"more than {_MOST_VALUES} values")


def whole(text: str, name: str) -> int:
    """Return a whole number of a query; raises `Refusal`."""
    if not text.isascii() or not text.isdigit():
        raise Refusal(400, "value", f"{name} must be a whole number")
    return min(int(text[:20]), _MOST)


def _count(wanted: _Wanted, name: str, value: str) -> None:
    wanted.count = min(whole(value, name), _MOST_COUNT)


def _summary(wanted: _Wanted, name: str, value: str) -> None:
    if value == "count":
        wanted.count = 0  # R4 has _count=0 mean the same
    elif value != "false":
        raise UnknownParameter("_summary is count or false here")


def _total(wanted: _Wanted, name: str, value: str) -> None:
    if value not in ("none", "estimate", "accurate"):
        raise Refusal(400, "value", "_total is none, estimate or accurate")
    wanted.total = value != "none"


def _turned(wanted: _Wanted, name: str, value: str) -> None:
    if name == "_upto":
        wanted.upto = whole(value, name)
    else:
        wanted.skip = whole(value, name)


# -- what comes along -----------------------------------------------------------------------


def _comes_along(kind: str, name: str, value: str) -> tuple[str, str, str, str]:
    """Return an include as (which way, source type, parameter, target type or empty)."""
    source, by, target = [*value.split(":"), "", ""][:3]
    parameter = parameters_of(source).get(by) if is_resource(source) else None
    if ":" in name:
        raise Refusal(400, "not-supported", f"modifiers of includes are not done here: {name}")
    if parameter is None or parameter.kind != "reference" or value.count(":") > 2:
        raise UnknownParameter(f"{name} names no reference parameter that is known here")
    if name == "_include" and (source != kind or (target and target not in parameter.targets)):
        raise UnknownParameter(f"{name} names no reference parameter of {kind}")
    if name == "_revinclude" and (kind not in parameter.targets or target not in ("", kind)):
        raise UnknownParameter(f"{name} names no reference parameter that leads to {kind}")
    return name, source, by, target


def _along(call: Call, wanted: _Wanted, page: Sequence[Stored]) -> list[Stored]:
    """Return what comes along with a page, each once and none that is a match itself."""
    matched = {stored.seq for stored in page}
    found: dict[int, Stored] = {}
    for way, source, by, target in wanted.along:
        if way == "_include":
            came = call.storage.referred_to(page, by, target, wanted.upto)
        else:
            came = call.storage.referring_to(page, source, by, wanted.upto)
        found |= {stored.seq: stored for stored in came if stored.seq not in matched}
    return list(found.values())

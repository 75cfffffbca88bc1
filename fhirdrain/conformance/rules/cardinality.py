"""How many values an element may have, of which types, and which profiles they conform to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import inf
from typing import TYPE_CHECKING, Any

from fhirdrain.conformance.rules.values import stated
from fhirdrain.conformance.walk import At, Check, Run

if TYPE_CHECKING:
    from fhirdrain.conformance.plan import Item, Single

Json = dict[str, Any]


# No bound that R4 does not set itself.
ANY = (0, inf)


def beyond(facts: Json, base: Json) -> tuple[int, float]:
    """Return the bounds of an element's count as far as its base does not set them."""
    low, high = facts.get("min", 0), facts.get("max", "*")
    least = low if low > base.get("min", 0) else 0
    return least, inf if high in ("*", base.get("max", "*")) else int(high)


def counted(low: int, high: float, by: str) -> Callable[[int, At, Run], None]:
    """Return what says that an element stands too seldom or too often."""

    def count(found: int, at: At, run: Run) -> None:
        name = at[2]
        if found < low:
            said = f'"{name}" is missing{by}'
            if found:
                said = f'"{name}" stands {found} times, and at least {low} times{by}'
            run.add(at[0], "cardinality", said, code="required")
        elif high == 0:
            said = f'"{name}" must not be there{by}'
            run.add(at[0], "must-be-absent", said, code="structure")
        else:
            said = f'"{name}" stands {found} times, and at most {high} times{by}'
            run.add(at[0], "max-cardinality", said, code="structure")

    return count


def types_of(allowed: set[str], by: str) -> Single:
    """Return the check that a value is of one of some types."""
    wrong = wrong_type(allowed, by)

    def single(item: Item, run: Run) -> None:
        kind = item.kind
        if kind == "Resource" and isinstance(item.value, dict):
            kind = str(item.value.get("resourceType"))
        if kind not in allowed and not allowed & {"Resource", "DomainResource"}:
            wrong(item.at, run)

    return single


def wrong_type(allowed: set[str], by: str) -> Callable[[At, Run], None]:
    """Return what says that a value is of none of the types it may be of."""
    listed = ", ".join(sorted(allowed))

    def wrong(at: At, run: Run) -> None:
        said = f"{name_of(at)} must be of another type{by}"
        run.add(at, "type", said, code="structure", hint=listed)

    return wrong


_R5 = "http://hl7.org/fhir/5.0/StructureDefinition/extension-ElementDefinition."


def must_have_value(facts: Json, by: str) -> Iterator[Single]:
    """Yield the checks of a primitive that extensions may not stand for, or only some of them.

    What is fixed is a value. R5's mustHaveValue and valueAlternatives R4 states by extensions.
    """
    if stated(facts, "fixed") is not None or stated(facts, "pattern") is not None:
        yield _with_value(frozenset(), by)
    for extension in facts.get("extension", ()):
        if extension.get("url") == f"{_R5}mustHaveValue" and extension.get("valueBoolean"):
            yield _with_value(frozenset(), by)
        elif extension.get("url") == f"{_R5}valueAlternatives":
            urls = frozenset(
                str(value)
                for part in [extension, *extension.get("extension", ())]
                for key, value in part.items()
                if key in ("valueCanonical", "valueUri")
            )
            if urls:
                yield _with_value(urls, by)


def _with_value(instead: frozenset[str], by: str) -> Single:
    def single(item: Item, run: Run) -> None:
        if item.value is not None:
            return
        extensions = item.beside.get("extension") if isinstance(item.beside, dict) else None
        urls = {
            e.get("url")
            for e in (extensions if isinstance(extensions, list) else ())
            if isinstance(e, dict)
        }
        if not urls & instead:
            run.add(
                item.at,
                "value-missing",
                f"{name_of(item.at)} must have a value{by}",
                code="required",
                hint=f"or one of the extensions {', '.join(sorted(instead))}" if instead else "",
            )

    return single


def name_of(at: At) -> str:
    """Return the FHIRPath name of the element a place is of, whichever of its items it is."""
    while isinstance(at[1], int):
        at = at[0]
    return at[2]


def one_of_profiles(
    profiles: list[str], conforming: Callable[[str], Check | None], by: str
) -> Check:
    """Return the check that a value conforms to a profile, or to one of several."""
    made: list[tuple[str, Check | None]] | None = None

    def check(value: Any, at: At, run: Run) -> None:
        nonlocal made
        if made is None:
            made = [(url, conforming(url)) for url in profiles]
        unknown = [url for url, one in made if one is None]
        if len(made) == 1 and not unknown:
            made[0][1](value, at, run)  # type: ignore[misc]
            return
        nearest: Run | None = None
        for _, one in made:
            if one is None:
                continue
            aside = run.aside()
            one(value, at, aside)
            if not aside.has_errors:
                run.found += aside.found
                return
            if nearest is None or len(aside.found) < len(nearest.found):
                nearest = aside
        if unknown:
            run.add(
                at,
                "profile-unknown",
                f"a profile it may conform to is not known, or cannot be used{by}",
                code="not-supported",
                severity="warning",
                hint="--profiles takes its definition",
                value=", ".join(unknown),
            )
        elif nearest is not None:
            first = next(issue for issue, _ in nearest.found if issue.is_error)
            names = ", ".join(url.rsplit("/", 1)[-1] for url in profiles)
            run.add(
                at,
                "profile",
                f"conforms to none of the profiles it may{by}: {names}",
                code="invariant",
                hint=f"nearest to one, but at {first.location}: {first.message}",
            )

    return check

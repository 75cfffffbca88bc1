"""References: do they lead somewhere, to a type they may name, in a legal form, to what conforms.

R4 3.1.0 (bundle.html, "Resolving references in Bundles") and 2.3.0 (references.html).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any, Literal

from fhirdrain.conformance.definitions import is_resource, shown_type, split_canonical
from fhirdrain.conformance.verdicts import Need
from fhirdrain.conformance.walk import At, Check, Reference, Run
from fhirdrain.conformance.walk import Index as Walked

Json = dict[str, Any]

_TYPE = "http://hl7.org/fhir/StructureDefinition/"
_RELATIVE = re.compile(r"([A-Z][A-Za-z]+)/[A-Za-z0-9\-.]{1,64}(?:/_history/[A-Za-z0-9\-.]{1,64})?")
_AT_END = re.compile(rf"(?:^|/){_RELATIVE.pattern}$")
_CONDITIONAL = re.compile(r"([A-Z][A-Za-z]+)\?(.+)")
_BASE = re.compile(r"(https?://.+/)[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}$")
# Whether a reference that leads out of the document has to lead to something that was supplied.
Follow = Literal["accept", "resolve"]

# Bundles that are taken as one.
_WHOLE = ("transaction", "batch", "document", "message")


@lru_cache(maxsize=4096)
def _form(text: str) -> tuple[str, str | None]:
    """Return what form a reference has, and the type it names."""
    if text.startswith("#"):
        return "contained", None
    if text.startswith(("urn:uuid:", "urn:oid:")):
        return "urn", None
    if match := _CONDITIONAL.fullmatch(text):
        return "conditional", match[1]
    if match := _AT_END.search(text):
        return "literal", match[1]
    return ("elsewhere" if "://" in text else "none"), None


def type_named(reference: Any) -> str:
    """Return the type of a reference's target as far as the reference itself names one."""
    if not isinstance(reference, dict):
        return ""
    stated, text = reference.get("type"), reference.get("reference")
    named = stated.removeprefix(_TYPE) if isinstance(stated, str) else ""
    if not named and isinstance(text, str):
        named = _form(text)[1] or ""
    return named if is_resource(named) else ""


class Index:
    """Finds the resource a reference means: in the bundle it is in, contained, or supplied.

    A bundle in another one has an index of its own, as references lead within their bundle.
    """

    def __init__(self, root: Any, supplied: Mapping[str, Json]) -> None:
        self._root = root
        self._supplied = supplied
        self._is_filled = False
        self._within: dict[int, Index] | None = None
        self.is_bundle = isinstance(root, dict) and root.get("resourceType") == "Bundle"
        self.kind = str(root.get("type")) if self.is_bundle else ""
        self.is_alone = not self.is_bundle and not supplied
        self.own_name = (
            f"{root.get('resourceType')}/{root.get('id')}" if isinstance(root, dict) else ""
        )

    def of(self, resource: Any) -> Index:
        """Return where references in a resource lead: a bundle has its own."""
        if resource is self._root or resource.get("resourceType") != "Bundle":
            return self
        if self._within is None:
            self._within = {}
        if id(resource) not in self._within:
            self._within[id(resource)] = Index(resource, self._supplied)
        return self._within[id(resource)]

    def _fill(self) -> None:
        """Read the document; most documents of one resource refer to nothing that is in them."""
        self._is_filled = True
        self._by_url: dict[str, list[Json]] = {}
        self._by_name: dict[str, list[Json]] = {}
        self._bases: dict[int, str] = {}
        root = self._root
        if self.is_bundle:
            entries = root.get("entry")
            for entry in entries if isinstance(entries, list) else ():
                if isinstance(entry, dict) and isinstance(entry.get("resource"), dict):
                    self._entry(entry.get("fullUrl"), entry["resource"])
        elif isinstance(root, dict):
            self._entry(None, root)

    def _entry(self, url: Any, resource: Json) -> None:
        if isinstance(url, str):
            self._by_url.setdefault(url, []).append(resource)
            if match := _BASE.match(url):
                self._bases[id(resource)] = match[1]
        name = f"{resource.get('resourceType')}/{resource.get('id')}"
        self._by_name.setdefault(name, []).append(resource)

    def resolve(self, text: str, holder: Any = None) -> Json | None:
        """Return what a reference in a resource means; None where that is out of sight.

        `holder` is the resource the reference stands in, or the one that contains it.
        """
        if text.startswith("#"):
            return contained(holder, text[1:])
        if self.is_alone:
            return self._root if text == self.own_name else None
        plain, _, version = text.partition("#")[0].partition("/_history/")
        found = self._candidates(plain, holder)
        for resource in found:
            meta = resource.get("meta")
            if not version or (isinstance(meta, dict) and meta.get("versionId") == version):
                return resource
        if found:
            return None
        if not self._supplied:
            return None
        match = _AT_END.search(plain)
        return self._supplied.get(plain) or (
            self._supplied.get(match[0].lstrip("/")) if match and not self.is_bundle else None
        )

    def is_ambiguous(self, text: str, holder: Any) -> bool:
        """Tell whether a reference that names no version could mean several in a bundle."""
        if not self.is_bundle or text.startswith("#") or "/_history/" in text:
            return False
        return len(self._candidates(text.partition("#")[0], holder)) > 1

    def _candidates(self, plain: str, holder: Any) -> list[Json]:
        if not self._is_filled:
            self._fill()
        found = self._by_url.get(plain)
        if found is None and _RELATIVE.fullmatch(plain):
            # It is below the address of the resource it stands in, where that is known.
            base = self._bases.get(id(holder))
            if base is None:
                return self._by_name.get(plain, [])[:1]
            found = self._by_url.get(base + plain)
        return found or []

    def is_inside(self, text: str, holder: Any) -> bool:
        """Tell whether a reference leads to an entry of the bundle it is in."""
        return self.is_bundle and bool(self._candidates(text.partition("/_history/")[0], holder))


def kept_as(ways: frozenset[str], by: str) -> Check:
    """Return the check of where a target is kept: contained, in the bundle, or anywhere outside.

    R4 2.26 (elementdefinition.html), type.aggregation; what is in the bundle is outside the
    resource as well.
    """

    def check(value: Any, at: At, run: Run) -> None:
        text = value.get("reference") if type(value) is dict else None
        if not isinstance(text, str):
            return
        if text.startswith("#"):
            possible = {"contained"}
        elif not run.index.is_bundle or run.index.is_inside(text, run.container):
            possible = {"referenced", "bundled"}
        else:
            possible = {"referenced"}
        if not possible & ways:
            run.add(
                at,
                "reference-aggregation",
                f"what it refers to may not be kept as it is{by}",
                code="structure",
                hint=f"it must be {' or '.join(sorted(ways))}",
            )
        elif not run.index.is_bundle and possible & ways == {"bundled"}:
            run.add(
                at,
                "not-supported",
                f"what it refers to must be in the same bundle{by}, and this is none",
                code="not-supported",
                severity="information",
            )

    return check


def of_a_version(specific: bool, by: str) -> Check:
    """Return the check that a reference names a version of its target, or that it names none."""
    message = (
        "it must name a version of what it refers to"
        if specific
        else ("it may not name a version of what it refers to")
    )

    def check(value: Any, at: At, run: Run) -> None:
        text = value.get("reference") if type(value) is dict else value
        if not isinstance(text, str):
            return
        mark = "|" if text is value else "/_history/"  # of a canonical, of a reference
        if (mark in text) != specific and not text.startswith("#"):
            run.add(at, "reference-version", f"{message}{by}", code="value")

    return check


def contained(holder: Any, id_: str) -> Json | None:
    """Return what a resource contains under an id; itself for an empty one."""
    if not id_ and isinstance(holder, dict):
        return holder
    within = holder.get("contained") if isinstance(holder, dict) else None
    for resource in within if isinstance(within, list) else ():
        if isinstance(resource, dict) and resource.get("id") == id_:
            return resource
    return None


class Judge:
    """Says which references of a walked document do not hold."""

    def __init__(self, run: Run, profiles: Any, follow: Follow) -> None:
        self._run = run
        self._follow = follow
        self._profiles = profiles
        # Whether any reference may lead elsewhere in all that is walked with these profiles.
        self._is_open = profiles.options.references == "accept"

    def judge(self) -> None:
        """Report the references that were kept."""
        for reference, need in self._needs():
            verdicts = {
                key: self._profiles.fault_of(need.target, key[1], self._run, need.index)
                for key in need.keys
            }
            verdict = need.verdict(verdicts.__getitem__)
            if verdict is None:
                self._add(
                    reference.at,
                    "profile-unknown",
                    f"whether what {reference.name} refers to conforms to a profile it must"
                    f"{reference.by} cannot be known",
                    code="not-supported",
                    severity="warning",
                    hint="the profile, or one it names, is not known or cannot be used",
                    value=", ".join(url for (_, url), fault in verdicts.items() if fault is None),
                )
            elif verdict:
                why = next(fault for fault in verdicts.values() if fault)
                self._add(
                    reference.at, "reference-target-profile", verdict, code="invariant", hint=why
                )

    def needs(self) -> Iterator[Need]:
        """Report the references that were kept but for what the profiles of their targets say."""
        for _, need in self._needs():
            yield need

    def _needs(self) -> Iterator[tuple[Reference, Need]]:
        led: dict[int, tuple[str | None, Json | None]] = {}
        for reference in self._run.references:
            key = id(reference.value)
            before = len(self._run.found)
            if key not in led:
                led[key] = self._led(reference)
            kind, target = led[key]
            if kind is None or not reference.targets:
                continue
            possible = self._possible(reference, kind)
            if possible and len(self._run.found) == before:
                self._remember(reference, kind, target)
            if target is not None and possible and f"{_TYPE}{kind}" not in possible:
                yield reference, _need(reference, target, possible)

    def _remember(self, reference: Reference, kind: str, target: Json | None) -> None:
        """Note a type that may stand where a reference stands: it need not be asked for again."""
        text = reference.value.get("reference")
        if text is None:
            reference.right.add(reference.value["type"])
            return
        literal = isinstance(text, str) and _form(text) == ("literal", kind)
        if target is None and literal and self._is_open:
            reference.right.add(f"{kind}/")

    def _led(self, reference: Reference) -> tuple[str | None, Json | None]:
        """Return the type of what a reference leads to and that itself, as far as known."""
        text = reference.value.get("reference")
        if isinstance(text, str):
            target = reference.index.resolve(text, reference.container)
            return self._kind(reference, text, target), target
        return type_named(reference.value) or None, None

    def _add(self, at: At, rule: str, message: str, **more: Any) -> None:
        self._run.add(at, rule, message, **{"code": "value", **more})

    def _kind_of(self, text: str, target: Json | None) -> str | None:
        if target is not None:
            return str(target.get("resourceType"))
        return _form(text)[1]

    def _kind(self, reference: Reference, text: str, target: Json | None) -> str | None:
        """Return the type of a reference's target, and report a reference that is none."""
        at, index = reference.at, reference.index
        form, _ = _form(text)
        if form == "contained":
            if target is None:
                self._add(
                    at, "ref-1", "nothing contained has this id", code="invariant", value=text
                )
        elif form == "urn":
            if index.is_bundle and target is None:
                self._add(
                    at,
                    "reference",
                    "nothing in the bundle has this fullUrl",
                    code="not-found",
                    # Where all is to be kept together, what is missing cannot be found elsewhere.
                    severity="error" if index.kind in _WHOLE else "warning",
                    hint="every urn:uuid needs its entry in the same bundle",
                    value=text,
                )
        elif form == "conditional":
            if index.kind != "transaction":
                self._add(
                    at,
                    "conditional-reference",
                    "a reference by search is legal only in a transaction",
                    code="structure",
                )
        elif target is None and form == "none":
            self._add(at, "reference", "not a reference: Type/id, a URL, or urn:uuid")
        elif target is None and self._follow == "resolve":
            self._add(
                at,
                "reference-unresolved",
                "what it refers to is neither in the document nor supplied",
                code="not-found",
                hint="--profiles takes resources that references lead to",
                value=text,
            )
        elif target is None and index.is_bundle:
            self._by_its_uuid(at, text, index)
        if index.is_ambiguous(text, reference.container):
            self._add(
                at,
                "reference",
                "several versions in the bundle have this URL, and it names none of them",
                code="multiple-matches",
                severity="error" if index.kind == "document" else "warning",
            )
        stated = reference.value.get("type")
        kind = self._kind_of(text, target)
        if kind is not None and not is_resource(kind):
            self._add(at, "reference", "what it refers to is of no type of R4", value=kind)
            return None
        if kind is not None and isinstance(stated, str) and stated.removeprefix(_TYPE) != kind:
            self._add(
                at,
                "reference",
                f"it says that it refers to a {shown_type(stated.removeprefix(_TYPE))},"
                f" and that is a {kind}",
            )
        return kind

    def _by_its_uuid(self, at: At, text: str, index: Walked) -> None:
        """Report a reference that names an entry by its UUID as if that were an id on a server."""
        match = _RELATIVE.fullmatch(text)
        entry = index.resolve(f"urn:uuid:{text.partition('/')[2]}") if match else None
        if match is None or entry is None:
            return
        kind = entry.get("resourceType")
        same = kind == match[1]
        self._add(
            at,
            "reference",
            "an entry of the bundle is referred to by its UUID, and not by its fullUrl"
            + ("" if same else f"; and it is a {shown_type(kind)}"),
            severity="warning" if same else "error",
            hint="urn:uuid: belongs before it",
            value=text,
        )

    def _possible(self, reference: Reference, kind: str) -> list[str]:
        """Return the profiles a target of a type may have; report a type it may not be of."""
        possible: list[str] = self._profiles.possible(reference.targets, kind)
        if not possible:
            names = [self._profiles.type_of(url) for url in reference.targets]
            self._add(
                reference.at,
                "reference-target",
                f"{reference.name} cannot refer to a {kind}{reference.by}",
                hint=f"one of: {', '.join(dict.fromkeys(names))}",
            )
        return possible


def _need(reference: Reference, target: Json, profiles: list[str]) -> Need:
    names = " or ".join(url.rsplit("/", 1)[-1] for url in profiles)
    return Need(
        target,
        [split_canonical(url)[0] for url in profiles],
        reference.index,
        f"what {reference.name} refers to does not conform to {names}{reference.by}",
    )

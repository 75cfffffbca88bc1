"""check: FHIR JSON to issues, from files or standard input."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from fhirdrain.conformance import Checker, Options, check_stream
from fhirdrain.conformance.cache import default_folder
from fhirdrain.conformance.definitions import (
    R4,
    Definitions,
    Supplied,
    split_canonical,
    standard,
)
from fhirdrain.conformance.drainbook import USUAL, Bounds
from fhirdrain.conformance.packages import supplied
from fhirdrain.conformance.rules.extensions import Unknown
from fhirdrain.conformance.rules.references import Follow
from fhirdrain.errors import ConfigurationError, RefusedError, SourceError
from fhirdrain.issues import Issue
from fhirdrain.site import Site, load_site
from fhirdrain.street.sources import opened
from fhirdrain.street.telling import Told, silent

__all__ = ["Against", "Follow", "Unknown", "check_sources", "checker_of", "refuse_errors"]


def checker_of(
    paths: Iterable[str],
    profiles: Iterable[str] = (),
    extensions: Unknown = "mention",
    references: Follow = "accept",
    best_practice: bool = False,
    site: Site | None = None,
) -> tuple[Checker, list[Issue]]:
    """Return a checker that knows the definitions in `paths`, and what is wrong in those.

    `profiles` are URLs of profiles to hold every resource of their type against; `site` says how
    observations of a drain are compared. Raises
    `SourceError` for a path that cannot be read, `ConfigurationError` for a profile that is
    not known or cannot be used.
    """
    given = supplied(Path(path) for path in paths)
    definitions, left_out = standard().extended(given.definitions)
    bounds = USUAL
    if site is not None:
        settings = site.settings
        bounds = Bounds(
            settings.double_within, settings.suction_tolerance, settings.significant_digits
        )
    options = Options(tuple(profiles), extensions, references, best_practice, bounds=bounds)
    for url in options.profiles:
        definition = definitions.structure(url)
        _, version = split_canonical(url)
        known = definition.get("version") if definition is not None else None
        if definitions.origin("StructureDefinition", url) == R4:
            known = R4.rpartition(" ")[2]
        if version and known and version != known:
            raise ConfigurationError(f"the profile is known, in version {known}: {url}")
        if definition is None:
            raise ConfigurationError(
                f"no such profile is known: {url}", hint="--profiles takes its definition"
            )
    checker = Checker(definitions, options, given.instances, default_folder())
    for url in options.profiles:
        # Asked for by name, it is not to be passed over with a warning.
        if (compiled := checker.compiled(url)) is not None and compiled.fault:
            raise ConfigurationError(f"the profile cannot be used: {compiled.fault}")
    return checker, [*given.issues, *_left_out(left_out, definitions)]


def _left_out(entries: list[Supplied], definitions: Definitions) -> Iterator[Issue]:
    """Yield what is said of definitions that were known already; of R4's own, once."""
    own = 0
    for entry in entries:
        kind, url = entry.definition["resourceType"], str(entry.definition["url"])
        if definitions.origin(kind, url) == R4:
            own += 1
        else:
            yield _known_already(entry)
    if own:
        yield Issue(
            "information",
            "informational",
            "definition",
            f"{own} of the definitions supplied are R4's own; those of this version were used",
        )


def _known_already(entry: Supplied) -> Issue:
    return Issue(
        "warning",
        "duplicate",
        "definition",
        f"{entry.definition.get('url')} is known already, and that definition was used",
        file=entry.origin,
        value=str(entry.definition.get("url")),
    )


@dataclass(frozen=True, slots=True)
class Against:
    """What files are held against, as names; see `checker_of`."""

    paths: tuple[str, ...] = ()
    profiles: tuple[str, ...] = ()
    extensions: Unknown = "mention"
    references: Follow = "accept"
    best_practice: bool = False
    site: Path | None = None

    def checker(self) -> tuple[Checker, list[Issue]]:
        """Return the checker, and what is wrong in the definitions."""
        site = load_site(self.site) if self.site is not None else None
        return checker_of(
            self.paths, self.profiles, self.extensions, self.references, self.best_practice, site
        )

    def anywhere(self) -> Against:
        """Return the same for whoever is in another folder."""
        return replace(
            self,
            paths=tuple(str(Path(path).absolute()) for path in self.paths),
            site=self.site.absolute() if self.site is not None else None,
        )


def check_sources(
    names: Iterable[str], progress: Told = silent, checker: Checker | None = None
) -> Iterator[Issue]:
    """Yield what is wrong in files; `-` is standard input.

    Raises `SourceError` for files that cannot be read once all others have been looked at.
    """

    def told(count: int) -> None:
        progress("resources checked", count)

    failures: list[SourceError] = []
    for name in names:
        try:
            with opened(name) as (stream, file):
                yield from check_stream(stream, file, told, checker)
        except SourceError as error:
            failures.append(error)
    raise_first(failures)


def raise_first(failures: Sequence[SourceError]) -> None:
    """Raise the first of the errors that kept files from being read, if there are any."""
    if failures:
        more = f", nor can {len(failures) - 1} more" if len(failures) > 1 else ""
        raise SourceError(f"{failures[0].message}{more}", place=failures[0].place)


def refuse_errors(issues: Iterable[Issue], file: str) -> None:
    """Raise `RefusedError` when there are errors among the issues, naming the first."""
    errors = [issue for issue in issues if issue.is_error]
    if errors:
        first = errors[0]
        where = f"{first.place}: " if first.place else ""
        raise RefusedError(
            f"{len(errors)} errors, nothing was sent; the first: {where}{first.message}",
            place="" if first.place else file,
            hint=f"fhirdrain check {file} lists them",
        )

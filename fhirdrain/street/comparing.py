"""compare: whether two servers, files or stores hold the same drains, outputs and totals."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.exchange.client import Client
from fhirdrain.site import Site, Source
from fhirdrain.store import Store
from fhirdrain.street.handing_over import known_from_files, plain_settings, readings_in
from fhirdrain.street.patient import drains_of, summarise
from fhirdrain.street.reading import Wanted, read_drains, refuse_incomplete
from fhirdrain.street.sources import files_of, is_fhir
from fhirdrain.street.telling import Told, silent
from fhirdrain.survey.comparing import Comparison, Difference, DrainKey, Side, compare

Json = dict[str, Any]
_SQLITE = b"SQLite format 3\x00"


@dataclass(frozen=True, slots=True)
class Names:
    """What the first place's patients and drains are called in the second."""

    patients: Mapping[str, str] = field(default_factory=dict)
    drains: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, site: Site, source: Source) -> Names:
        """Return the names that a site gives what comes from one of its sources."""
        return cls(source.patient_numbers or {}, site.labels)

    def told(self, reading: Reading) -> Reading:
        """Return a reading under the names of the second place."""
        parts = reading.parts
        if "tube" in parts:
            tube = str(parts["tube"])
            parts = {**parts, "tube": self.drains.get(tube, tube)}
        return replace(
            reading,
            patient=self.patients.get(reading.patient, reading.patient),
            drain=self.drains.get(reading.drain, reading.drain),
            parts=parts,
        )


def is_server(name: str) -> bool:
    """Tell whether a place is named by a URL."""
    return name.startswith(("http://", "https://"))


def readings_at(name: str, site: Site | None, patient: tuple[str, str] | None) -> list[Reading]:
    """Return the readings in a store, a file, or a folder of files; raises `SourceError`."""
    path = Path(name)
    if path.is_dir():
        names = files_of([name], is_fhir)
    elif not path.exists():
        raise SourceError("there is no such file", place=name, hint="is the name right?")
    else:
        with path.open("rb") as stream:
            if stream.read(len(_SQLITE)) == _SQLITE:
                with Store(path, site.id if site is not None else None, shared=True) as store:
                    return readings_in(store, site, patient[1] if patient else None)
        names = [name]
    known = known_from_files(names, patient)
    return [reading for found in known.readings.values() for reading in found]


def readings_of_server(
    client: Client, patient: tuple[str, str] | None, progress: Told = silent
) -> list[Reading]:
    """Return the readings that a server holds; raises `ServerError` rather than give a part."""
    _, readings, issues = read_drains(client, Wanted(patient=patient), progress)
    refuse_incomplete(issues)
    return readings


def compare_readings(
    first: Iterable[Reading],
    second: Iterable[Reading],
    settings: Settings | None = None,
    names: Names = Names(),
) -> Comparison:
    """Return how the readings of two places compare, with what follows from them.

    Without `settings` totals are those of the usual shifts, in the offset of the newest reading.
    `names` are what the first place's are called in the second.
    """
    one, other = [names.told(reading) for reading in first], list(second)
    if not one and not other:
        raise ConfigurationError("there is no drain in either of them")
    settings = settings or plain_settings([*one, *other])
    return compare(_sides(one, settings), _sides(other, settings))


def _sides(readings: Iterable[Reading], settings: Settings) -> dict[DrainKey, Side]:
    """Return each drain with its outputs and totals."""
    by_patient: dict[str, list[Reading]] = {}
    for reading in readings:
        # Tubes and orders are told apart anew, in the same way on both sides.
        plain = replace(reading, episode=1, order=None)
        by_patient.setdefault(reading.patient, []).append(plain)
    sides = {}
    for patient, own in sorted(by_patient.items()):
        drains = drains_of(patient, own, settings)
        summaries, *_ = summarise(drains, settings)
        by_key = {(s.drain, s.episode): s for s in summaries}
        for drain in drains:
            summary = by_key.get((drain.name, drain.episode))
            outputs = drain.ledger.outputs if drain.ledger is not None else []
            totals = [*summary.windows, *summary.days] if summary is not None else []
            sides[patient, drain.name, drain.episode] = Side(drain.readings, outputs, totals)
    return sides


def to_json(comparison: Comparison, *, show_values: bool) -> Json:
    """Return a comparison as JSON; patients by their order unless values are wanted."""
    names = _patients(comparison, show_values=show_values)
    return {
        "same": dict(sorted(comparison.same.items())),
        "differences": [_body(d, names, show_values) for d in comparison.differences],
    }


def _body(found: Difference, names: Mapping[str, str], show_values: bool) -> Json:
    body: Json = {
        "kind": found.kind,
        "patient": names[found.patient],
        "drain": found.drain,
        "episode": found.episode,
        "time": found.time and found.time.isoformat(),
        "what": found.what or None,
        "only_in": only_in(found),
        "about": list(found.about) or None,
    }
    if show_values:
        body |= {"first": found.first, "second": found.second}
    return {key: value for key, value in body.items() if value is not None}


def only_in(found: Difference) -> str | None:
    """Return which of the two has it, None where both do."""
    if found.first is None:
        return "second"
    return "first" if found.second is None else None


def to_lines(comparison: Comparison, *, show_values: bool) -> list[str]:
    """Return a line for each difference."""
    names = _patients(comparison, show_values=show_values)
    lines = []
    for found in comparison.differences:
        words = [f"patient {names[found.patient]}", f"drain {found.drain}"]
        if found.episode > 1:
            words.append(f"tube {found.episode}")
        if found.time is not None:
            words.append(f"{found.time:%Y-%m-%dT%H:%MZ}")
        what = f"{found.kind} {found.what}".strip()
        where = only_in(found)
        said = f"only in the {where}" if where else f"differs in {', '.join(found.about)}"
        if show_values and not where and found.first and found.second:
            pairs = (f"{a}: {found.first[a]} | {found.second[a]}" for a in found.about)
            said += f" ({'; '.join(pairs)})"
        lines.append(f"{', '.join(words)}: {what} {said}")
    return lines


def _patients(comparison: Comparison, *, show_values: bool) -> dict[str, str]:
    """Return how patients are named: by their order, so that no number shows."""
    patients = dict.fromkeys(found.patient for found in comparison.differences)
    return {p: p if show_values else str(n) for n, p in enumerate(patients, 1)}

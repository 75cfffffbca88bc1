"""Files that a site file names beside itself: ConceptMaps, and tables of patients' numbers."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fhirdrain.vocabulary.codes import LOCAL

# R4, ConceptMapEquivalence, seen from the code of the others: the target means the same, or no
# more than is said. What is narrower or inexact says something that was not said.
_TAKEN = ("equal", "equivalent", "wider", "subsumes")


def read_concept_map(path: Path) -> tuple[dict[tuple[str, str], set[str]], list[str]]:
    """Return the codes of ours for each code in a ConceptMap, and what of it is not taken.

    Of R4's `equivalence` and R5's `relationship`. Raises ValueError for what is no such map.
    """
    try:
        data = json.loads(path.read_text("utf-8"))
    except OSError as error:
        raise ValueError(f"it cannot be read: {error.strerror}") from None
    except (ValueError, RecursionError):
        raise ValueError("it is not JSON") from None
    if not isinstance(data, dict) or data.get("resourceType") != "ConceptMap":
        raise ValueError("it is no ConceptMap")
    found: dict[tuple[str, str], set[str]] = {}
    left: list[str] = []
    try:
        for group in data.get("group", ()):
            ours = group.get("target", "").partition("|")[0] == LOCAL
            source = str(group.get("source", "")).partition("|")[0]
            for element in group.get("element", ()):
                for target in element.get("target", ()):
                    if ours and _is_taken(target):
                        found.setdefault((source, str(element["code"])), set()).add(target["code"])
                    else:
                        left.append(str(element["code"]))
    except (AttributeError, KeyError, TypeError):
        raise ValueError("it is not as FHIR has a ConceptMap") from None
    if not found:
        raise ValueError(f"it leads to no code of {LOCAL}")
    return found, left


def _is_taken(target: Mapping[str, Any]) -> bool:
    relation = target.get("equivalence") or {
        "equivalent": "equivalent",
        "source-is-narrower-than-target": "wider",
    }.get(str(target.get("relationship")))
    return relation in _TAKEN and "code" in target


def read_numbers(path: Path) -> dict[str, str]:
    """Return the numbers patients have here by those they have there: a CSV of theirs and ours.

    Raises ValueError for what is no such table, or gives one number twice.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
            fields = rows[0].keys() if rows else ()
    except OSError as error:
        raise ValueError(f"it cannot be read: {error.strerror}") from None
    except (UnicodeDecodeError, csv.Error):
        raise ValueError("it is not a CSV in UTF-8") from None
    if not {"theirs", "ours"} <= set(fields):
        raise ValueError("it needs the columns theirs and ours")
    found: dict[str, str] = {}
    for number, row in enumerate(rows, 2):
        theirs, ours = (str(row[name] or "").strip() for name in ("theirs", "ours"))
        if not theirs or not ours:
            raise ValueError(f"line {number} lacks a number")
        if found.setdefault(theirs, ours) != ours:
            raise ValueError(f"line {number} gives a patient a second number")
    if len(set(found.values())) < len(found):
        raise ValueError("it gives two patients one number")
    return found

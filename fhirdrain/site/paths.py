"""Paths into a JSON record: `patient.id`, `readings[].code`, `"odd.key".value`, `names[0]`.

`[]` stands for every element of a list: a record is read once for each.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

# A key, every element (None), or one element.
Step = str | None | int
Path = tuple[Step, ...]

_SEGMENT = re.compile(r'("(?P<quoted>[^"]+)"|(?P<plain>[^\s."\[\]]+))(?P<lists>(\[\d*\])*)')


def parse_path(text: str) -> Path:
    """Return the steps of a path; raises ValueError for what is none."""
    steps: list[Step] = []
    place = 0
    while True:
        match = _SEGMENT.match(text, place)
        if match is None:
            raise ValueError(f'"{text}" is not a path')
        steps.append(match["quoted"] or match["plain"])
        steps += (int(n) if n else None for n in re.findall(r"\[(\d*)\]", match["lists"]))
        place = match.end()
        if place == len(text):
            return tuple(steps)
        if text[place] != ".":
            raise ValueError(f'"{text}" is not a path')
        place += 1


def nest_of(paths: Iterable[Path]) -> Path:
    """Return the deepest list that the paths go through; raises ValueError for two side by side."""
    nest: Path = ()
    for path in paths:
        lists = [n for n, step in enumerate(path) if step is None]
        own = path[: lists[-1] + 1] if lists else ()
        shorter, longer = sorted((own, nest), key=len)
        if longer[: len(shorter)] != shorter:
            raise ValueError("two lists stand side by side, and neither is in the other")
        nest = longer
    return nest


def elements_of(record: Any, nest: Path, before: Path = ()) -> Iterator[tuple[int, ...]]:
    """Yield the place of every element of the deepest list, as an index a list on the way.

    Elements that are null are passed over. Raises `LookupError` with the path where there is no
    list. `before` is the path to the record, where it is in another.
    """
    if None not in nest:
        yield ()
        return
    first = nest.index(None)
    inner = nest[first + 1 :]
    here = (*before, *nest[:first])
    listed = value_at(record, nest[:first])
    if not isinstance(listed, list):
        raise LookupError(write_path(here))
    for index, element in enumerate(listed):
        if element is not None:
            for below in elements_of(element, inner, (*here, index)):
                yield (index, *below)


def leaves_of(value: Any, nest: Path, before: Path = ()) -> Iterator[Path]:
    """Yield the path of everything that is said in a record, `[]` for the lists of a nest."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves_of(inner, nest, (*before, key))
    elif isinstance(value, list):
        through = nest[: len(before) + 1] == (*before, None)
        for index, inner in enumerate(value):
            yield from leaves_of(inner, nest, (*before, None if through else index))
    elif value not in (None, ""):
        yield before


def value_at(record: Any, path: Path, element: tuple[int, ...] = ()) -> Any:
    """Return what stands at a path for one element; None where there is nothing."""
    indices = iter(element)
    for step in path:
        if isinstance(step, str):
            record = record.get(step) if isinstance(record, dict) else None
        else:
            index = next(indices, None) if step is None else step
            whole = isinstance(record, list) and index is not None and index < len(record)
            record = record[index] if whole else None
        if record is None:
            return None
    return record


def write_path(path: Path) -> str:
    """Return a path as it is written in a site file."""
    text = ""
    for step in path:
        if isinstance(step, str):
            text += ("." if text else "") + (
                step if re.fullmatch(r'[^\s."\[\]]+', step) else f'"{step}"'
            )
        else:
            text += f"[{'' if step is None else step}]"
    return text

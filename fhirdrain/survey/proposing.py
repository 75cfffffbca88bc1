"""A proposed site file as text: what is firm plainly, what is asked with a mark, and why."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from fhirdrain.survey.drafting import NOTHING, Draft

COLUMNS = (
    "code", "grade", "observables", "drain", "side", "space", "unit", "scale", "open_words", "why",
)  # fmt: skip

_HEAD = """\
# A site file proposed from an item dictionary: {firm} items firmly, {ask} asked, {out} left out.
# What carries draft = true must be looked at by somebody who knows the site; fhirdrain map takes
# the file only when no such mark is left. What is firm is worth a look too: a label is not the
# practice.

[site]
draft = true                     # all of this section is yours to say
id = "{name}"
name = "{name}"
time_zone = "UTC"
windows = ["07:00", "19:00"]
day_starts = "07:00"

[site.systems]
patient = "https://{name}.example/patient"
reading = "https://{name}.example/reading"
device = "https://{name}.example/drain"
item = "https://{name}.example/item"
"""

_SOURCE = """
[sources.{name}]
draft = true                     # what kind of file it is, and how it writes times
kind = "table"
time_format = "iso"

[sources.{name}.columns]         # its own names of the columns
row = "row"
patient = "patient"
drain = "drain"
time = "time"
item = "item"
value = "value"
unit = "unit"
"""


# Of a whole hospital's dictionary those are not worth a line each; --as csv has them all.
_MOST_UNRELATED = 200


def site_file(drafts: Sequence[Draft], name: str) -> str:
    """Return a site file in TOML with what is proposed."""
    counts = {grade: sum(d.grade == grade for d in drafts) for grade in ("firm", "ask", "out")}
    lines = [_HEAD.format(**counts, name=name)]
    lines += _drains(drafts)
    lines.append(_SOURCE.format(name=name))
    for draft in drafts:
        if draft.grade != "out":
            lines += _item(draft, name)
    left = [draft for draft in drafts if draft.grade == "out"]
    if left:
        lines.append(
            "# Left out, with the reason. An item of these in your source needs an ignore."
        )
    unrelated = [d for d in left if d.reasons == [NOTHING]]
    shown = left if len(unrelated) <= _MOST_UNRELATED else [d for d in left if d not in unrelated]
    lines += (f"#   {_comment(d)}" for d in shown)
    if len(shown) < len(left):
        lines.append(f"#   {len(unrelated)} more: {NOTHING}")
    return "\n".join(lines) + "\n"


def table(drafts: Sequence[Draft]) -> str:
    """Return what is proposed as CSV, a line an item."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for draft in drafts:
        writer.writerow(
            [
                draft.entry.code,
                draft.grade,
                "+".join(draft.observables) if draft.words else "|".join(draft.observables),
                draft.drain,
                draft.side,
                draft.space,
                draft.unit,
                draft.scale,
                "|".join(draft.open_words),
                "; ".join(draft.reasons),
            ]
        )
    return stream.getvalue()


def _drains(drafts: Sequence[Draft]) -> Iterator[str]:
    """Yield a section for each drain that a label names."""
    places: dict[str, dict[str, set[str]]] = {}
    for draft in drafts:
        if draft.drain and draft.grade != "out":
            place = places.setdefault(draft.drain, {"side": set(), "space": set()})
            for key, value in (("side", draft.side), ("space", draft.space)):
                if value:
                    place[key].add(value)
    for name, place in sorted(places.items()):
        yield f"[drains.{name}]"
        for key, values in place.items():
            if len(values) == 1:
                yield f"{key} = {_text(values.pop())}"
            elif values:
                yield f"# {key}: labels say {' and '.join(sorted(values))}"
        yield ""


def _item(draft: Draft, name: str) -> Iterator[str]:
    yield f"# {draft.grade}: {_comment(draft)}"
    yield f"[sources.{name}.items.{_key(draft.entry.code)}]"
    if draft.grade == "ask":
        yield "draft = true"
    several = len(draft.observables) > 1
    if draft.words and several:
        pass  # each word says of which observable it is
    elif several or not draft.observables:
        may = f": {' or '.join(draft.observables)}" if several else ""
        yield f'# observable = "?"   which{may}?'
        yield 'ignore = "not decided yet"'
    else:
        yield f"observable = {_text(draft.observables[0])}"
    if not several and draft.unit:
        yield f"unit = {_text(draft.unit)}"
    if not several and draft.scale:
        yield f"scale = {_text(draft.scale)}"
    if draft.drain:
        yield f"drain = {_text(draft.drain)}"
    if draft.words:
        yield f"words = {_inline(draft.words)}"
    yield ""


def _comment(draft: Draft) -> str:
    label = re.sub(r"\s+", " ", draft.entry.label)
    return f"{draft.entry.code} {json.dumps(label, ensure_ascii=False)}: {'; '.join(draft.reasons)}"


def _key(text: str) -> str:
    return text if re.fullmatch(r"[A-Za-z0-9_-]+", text) else _text(text)


def _text(text: str) -> str:
    # A basic string of TOML is written as a JSON string is, but for DEL.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _inline(value: Any) -> str:
    if isinstance(value, Mapping):
        pairs = (f"{_key(str(key))} = {_inline(item)}" for key, item in value.items())
        return "{ " + ", ".join(pairs) + " }"
    return _text(str(value))

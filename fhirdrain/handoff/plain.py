"""The sheet as plain text of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from fhirdrain.handoff.heading import heading_of
from fhirdrain.handoff.language import Language
from fhirdrain.handoff.lines import Line
from fhirdrain.handoff.sheet import Block, Sheet

_WIDTH = 80


def plain_text(sheets: Iterable[Sheet], code: str) -> str:
    """Return sheets as text in a language; a form feed stands between patients."""
    return "\f".join(_text_of(sheet, code) for sheet in sheets)


def _text_of(sheet: Sheet, code: str) -> str:
    language = Language(code, sheet.bed.settings.zone, sheet.bed.at)
    return "\n".join(_lines_of(sheet, language)) + "\n"


def _lines_of(sheet: Sheet, language: Language) -> Iterator[str]:
    text = language.text
    heading = heading_of(sheet, language)
    yield text("look-first").upper()
    yield "=" * _WIDTH
    yield text("title")
    for label, fact in heading.facts:
        yield from _wrapped(f"{label}: {fact}")
    yield f"{text('label')}: ".ljust(_WIDTH, "_")
    for note in heading.notes:
        yield from _wrapped(note, "! ")
    for caution in heading.cautions:
        yield from _wrapped(caution, "* ")
    for block in sheet.blocks:
        yield ""
        yield from _block(block, language)
    yield ""
    yield text("signatures")
    for who in ("hands-over", "takes-over", "time"):
        yield f"{text(who)}: ".ljust(_WIDTH // 2, "_")
    yield text("end-of-sheet")


def _block(block: Block, language: Language) -> Iterator[str]:
    yield "-" * _WIDTH
    yield from _wrapped(language.say(block.title))
    yield "-" * _WIDTH
    for part in block.parts:
        yield language.head(part.name)
        for line in part.lines:
            yield from _wrapped(_line(line, language), "  ", blank=part.name == "missing")


def _line(line: Line, language: Language) -> str:
    said = language.say(line.says)
    if line.struck is not None:
        said = f"[{language.text('was')}: {language.say(line.struck)}] {said}"
    return f"{language.text('look')}: {said}" if line.weight == "look" else said


def _wrapped(said: str, mark: str = "", *, blank: bool = False) -> list[str]:
    if blank:
        said = f"____ {said}"
    return textwrap.wrap(
        said,
        _WIDTH,
        initial_indent=mark,
        subsequent_indent=" " * (len(mark) + 2),
        break_on_hyphens=False,
    )

"""The sheet as one page of HTML that needs nothing else: no script, no network, no colour.

The one module that needs Jinja2, which escapes whatever a source sent.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from fhirdrain.handoff.heading import heading_of
from fhirdrain.handoff.language import Language
from fhirdrain.handoff.plots import WIDTH, drawing_of, most_of
from fhirdrain.handoff.sheet import Sheet

# A page from which nothing can be loaded, and that can send nothing.
_NOTHING = "default-src 'none'; base-uri 'none'; form-action 'none'"


def page(sheets: Sequence[Sheet], code: str) -> str:
    """Return sheets as one HTML page in a language, a page of paper or two a patient."""
    style = (files("fhirdrain.handoff") / "templates" / "page.css").read_text("utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return (
        _environment()
        .get_template("page.html")
        .render(
            code=code,
            style=style,
            policy=f"{_NOTHING}; style-src 'sha256-{digest}'",
            sheets=[_of_sheet(sheet, code, number) for number, sheet in enumerate(sheets)],
            text=Language(code, sheets[0].bed.settings.zone).text,
            width=WIDTH,
        )
    )


def _of_sheet(sheet: Sheet, code: str, number: int) -> dict[str, Any]:
    language = Language(code, sheet.bed.settings.zone, sheet.bed.at)
    most = most_of(block.drain for block in sheet.blocks)
    return {
        "heading": heading_of(sheet, language),
        "say": language.say,
        "head": language.head,
        "blocks": [
            (block, drawing_of(block.drain, sheet.bed, language, most, 100 * number + place))
            for place, block in enumerate(sheet.blocks)
        ],
    }


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("fhirdrain.handoff", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )

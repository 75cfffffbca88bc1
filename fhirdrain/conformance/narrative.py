"""What the XHTML of a narrative may hold (FHIR R4 2.4.0, narrative.html)."""

from __future__ import annotations

import re
from html.entities import name2codepoint
from typing import Any
from xml.etree import ElementTree

_XHTML = "{http://www.w3.org/1999/xhtml}"
# Chapters 7 to 11 (without section 9) and 15 of HTML 4.0, and <a>, images and in-document styles.
_ELEMENTS = frozenset(
    """a abbr acronym address area b bdo big blockquote br caption center cite code col colgroup dd
    del dfn div dl dt em font h1 h2 h3 h4 h5 h6 hr i img ins kbd li map ol p pre q s samp small
    span strike strong sub sup table tbody td tfoot th thead tr tt u ul var""".split()  # noqa: SIM905
)
_ATTRIBUTES = frozenset(
    """abbr accesskey align alt axis bgcolor border cellhalign cellpadding cellspacing cellvalign
    char charoff charset cite class clear color colspan compact coords dir face frame headers
    height href hreflang hspace id lang longdesc name nohref noshade nowrap rel rev rowspan rules
    scope shape size span src start style summary tabindex title type usemap valign value vspace
    width""".split()  # noqa: SIM905
)
_DOCTYPE = re.compile(r"<!(?:DOCTYPE|ENTITY)", re.IGNORECASE)
# The entities of HTML that XML does not know by itself.
_ENTITY = re.compile(r"&(?!(?:amp|lt|gt|quot|apos);|#)(\w+);")


def fault_of_div(text: Any) -> str:
    """Return what is wrong with a narrative's div; empty when nothing is."""
    if not isinstance(text, str):
        return ""  # the format is another rule's business
    if _DOCTYPE.search(text):
        return "it has a document type"
    try:
        div = ElementTree.fromstring(_ENTITY.sub(_character, text))
    except (ElementTree.ParseError, ValueError, RecursionError):
        return "it is not well-formed"
    if div.tag != f"{_XHTML}div":
        return "it is no div of XHTML"
    filled = False
    for element in div.iter():
        name = str(element.tag).removeprefix(_XHTML)
        if name not in _ELEMENTS:
            return "it has an element that may not stand in a narrative"
        for attribute in element.attrib:
            if attribute.startswith("{http://www.w3.org/XML/1998/namespace}"):
                continue
            if attribute.lower() not in _ATTRIBUTES:
                return "it has an attribute that may not stand in a narrative"
        own = (element.text or "") + ("" if element is div else element.tail or "")
        filled = filled or name == "img" or bool(own.strip())
    return "" if filled else "it is empty"


def _character(entity: re.Match[str]) -> str:
    """Return what an entity of HTML 4 stands for; one that it has not stays, and is a fault."""
    point = name2codepoint.get(entity[1])
    return entity[0] if point is None else chr(point)

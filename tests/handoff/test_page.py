"""The page as HTML, without a browser: what a source sent is escaped, and nothing is loaded."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser

import pytest

from fhirdrain.handoff.page import page
from tests.conftest import amount, level, reading
from tests.handoff.making import SIX, scenario_sheets, sheets

EVIL = "</style><script>alert(1)</script><img src=x onerror=alert(2)>\" ' & {{ 7*7 }} \x1b[31m"
_VOID = {"meta", "line", "rect", "circle", "polyline"}


class Tree(HTMLParser):
    """Checks that tags nest, and collects elements, ids, text and references."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.wrong: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data):
        if "style" not in self.open:
            self.text.append(data)


def read(html: str) -> Tree:
    tree = Tree()
    tree.feed(html)
    tree.close()
    assert tree.open == tree.wrong == []
    return tree


@pytest.mark.parametrize("code", ["en", "de"])
@pytest.mark.parametrize("name", SIX)
def test_the_page_is_whole_and_needs_nothing_else(name, code):
    html = page(scenario_sheets(name), code)
    tree = read(html)
    tags = {tag for tag, _ in tree.found}
    assert not tags & {"script", "a", "img", "link", "iframe", "object", "form", "input", "video"}
    for tag, attributes in tree.found:
        loading = {"src", "href", "style", "srcset", "action", "data"} & attributes.keys()
        assert not loading, (tag, loading)
        assert not any(key.startswith("on") for key in attributes)
    assert not re.search(r"url\((?!#)|@import|https?:", html)
    ids = [a["id"] for _, a in tree.found if "id" in a]
    assert len(ids) == len(set(ids))
    used = set(re.findall(r"url\(#([\w-]+)\)", html))
    assert used <= set(ids)


def test_only_its_own_style_may_be_applied():
    html = page(scenario_sheets("Sun 07:05"), "en")
    style = html.split("<style>")[1].split("</style>")[0]
    (policy,) = [
        a["content"]
        for tag, a in read(html).found
        if a.get("http-equiv") == "Content-Security-Policy"
    ]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert "default-src 'none'" in policy
    assert policy.split("style-src ")[1] == f"'sha256-{digest}'"


def test_the_title_names_no_patient():
    html = page(scenario_sheets("Sun 07:05"), "en")
    assert html.split("<title>")[1].split("</title>")[0] == "Chest drain hand-off"


def test_whatever_a_source_sent_is_escaped(settings):
    def evil(one):
        return {"note": EVIL, "performer": EVIL, "encounter": EVIL} | one

    readings = [
        level(0, 0, **evil({})),
        level(4, 40, **evil({})),
        amount(5, 10, **evil({"drain": EVIL})),
        reading("appearance", 4, "other", **evil({"text": EVIL})),
        reading("air-leak", 4, "present", **evil({})),
        reading("mode", 4, "clamped", **evil({})),
        reading("placed", 0, **evil({"parts": {"indication": EVIL}})),
        reading("drain-site", 0, **evil({"parts": {"side": "left", "position": EVIL}})),
        reading("suction-ordered", 0, level(0, 20).value, **evil({"unit": "cm[H2O]"})),
        reading("joined", 1, **evil({"parts": {"tube": EVIL}})),
        level(6, 60, **evil({"status": "entered-in-error", "recorded": level(13, 1).time})),
    ]
    html = page(sheets(settings, readings, 12.1), "en")
    tree = read(html)
    assert not {"script", "img"} & {tag for tag, _ in tree.found}
    assert "\x1b" not in html
    text = " ".join("".join(tree.text).split())
    assert "<script>alert(1)</script>" in text  # it is said, as text
    assert "{{ 7*7 }}" in text


def test_each_plot_has_a_sentence_and_a_table_that_say_the_same():
    (sheet,) = [s for s in scenario_sheets("Sun 19:05") if s.bed.patient == "demo-A"]
    tree = read(page([sheet], "en"))
    drawings = [a["aria-label"] for tag, a in tree.found if tag == "svg"]
    assert len(drawings) == 5  # bars and states of both, and the level of the one that has marks
    assert "Sun 07:00 to Sun 19:00 at least 20 mL" in drawings[0]
    text = " ".join("".join(tree.text).split())
    assert "Sun 07:00 to Sun 19:00 12 h at least 20 mL 33%".replace(" ", "") in text.replace(
        " ", ""
    )


def test_bars_of_all_drains_have_one_scale():
    from fhirdrain.handoff.language import Language
    from fhirdrain.handoff.plots import drawing_of, most_of

    (sheet,) = [s for s in scenario_sheets("Sat 07:05") if s.bed.patient == "demo-A"]
    most = most_of(b.drain for b in sheet.blocks)
    assert most == 360
    language = Language("en", sheet.bed.settings.zone, sheet.bed.at)
    heights = {}
    for block in sheet.blocks:
        drawing = drawing_of(block.drain, sheet.bed, language, most, 1)
        heights[block.drain.name] = [b.height for b in drawing.bars if b.kind == "known"]
    tall = heights["M1"][0]
    assert heights["M1"] == pytest.approx([tall, tall * 310 / 360], abs=0.1)
    assert heights["L1"] == pytest.approx([tall * 85 / 360, tall * 105 / 360], abs=0.1)


def test_the_level_is_broken_at_a_change_of_the_unit():
    from fhirdrain.handoff.language import Language
    from fhirdrain.handoff.plots import drawing_of

    (sheet,) = [s for s in scenario_sheets("Sun 07:05") if s.bed.patient == "demo-B"]
    language = Language("en", sheet.bed.settings.zone, sheet.bed.at)
    drawing = drawing_of(
        sheet.blocks[0].drain, sheet.bed, language, sheet.blocks[0].unit.capacity, 1
    )
    assert len(drawing.lines) == 2
    assert [text for _, _, text in drawing.level_labels] == ["1150", "1870", "0", "45"]


def test_a_night_of_thirteen_hours_is_drawn_longer():
    from fhirdrain.handoff.language import Language
    from fhirdrain.handoff.plots import drawing_of

    (sheet,) = [s for s in scenario_sheets("Sun 07:05") if s.bed.patient == "demo-B"]
    language = Language("en", sheet.bed.settings.zone, sheet.bed.at)
    drawing = drawing_of(
        sheet.blocks[0].drain, sheet.bed, language, sheet.blocks[0].unit.capacity, 1
    )
    day, night = [b.width for b in drawing.bars if b.kind == "known"][-2:]
    assert (night + 4) / (day + 4) == pytest.approx(13 / 12, abs=0.01)

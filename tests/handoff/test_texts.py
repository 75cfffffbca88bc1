"""The catalogues: each language says all there is to say, with the same values."""

from __future__ import annotations

import ast
import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import fhirdrain
from fhirdrain.bedside.saying import Word, say
from fhirdrain.handoff.language import LANGUAGES, Language, catalogue, shown_text
from fhirdrain.vocabulary.observables import ABSENT_REASONS, OBSERVABLES
from tests.conftest import reading

PACKAGE = Path(fhirdrain.__file__).parent
VIENNA = ZoneInfo("Europe/Vienna")
EN = Language("en", VIENNA, datetime.fromisoformat("2025-10-26T07:05+01:00"))
DE = Language("de", VIENNA, datetime.fromisoformat("2025-10-26T07:05+01:00"))


def flat(texts, prefix=""):
    for key, value in texts.items():
        if isinstance(value, dict):
            yield from flat(value, f"{prefix}{key}/")
        else:
            yield f"{prefix}{key}", value


def test_every_language_has_the_same_texts_with_the_same_values():
    english = dict(flat(catalogue("en")))
    for code in LANGUAGES:
        other = dict(flat(catalogue(code)))
        assert other.keys() == english.keys()
        for key, text in english.items():
            fields = sorted(re.findall(r"\{(\w+)\}", str(text)))
            assert sorted(re.findall(r"\{(\w+)\}", str(other[key]))) == fields, key


def keys_said() -> set[str]:
    """Return the keys that the code gives to what makes a saying or a line."""
    makers = {"say", "plain", "look", "quiet"}
    found = set()
    for path in (*(PACKAGE / "bedside").glob("*.py"), *(PACKAGE / "handoff").glob("*.py"),
                 PACKAGE / "street" / "handing_over.py"):  # fmt: skip
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in makers and node.args:
                first = node.args[0]
                found |= {
                    one.value for one in ast.walk(first)
                    if isinstance(one, ast.Constant) and isinstance(one.value, str)
                    and not isinstance(first, ast.JoinedStr)
                }  # fmt: skip
    return found


def test_all_that_is_said_has_words_and_no_words_are_left_over():
    texts = catalogue("en")["say"]
    said = {key for key in keys_said() if key in texts or re.fullmatch(r"[a-z]+(-[a-z]+)+", key)}
    source = "".join(p.read_text("utf-8") for p in (PACKAGE / "handoff").glob("*.py"))
    source += (PACKAGE / "bedside" / "policy.py").read_text("utf-8")
    made = re.compile(
        r"(shift|since|day)-(total|unknown)(-in-part)?|(shift|since|day)-(drain-out|not-here)|question-.*"
    )
    assert said - {"less", "more"} <= texts.keys()
    for key in texts:
        assert key in said or made.fullmatch(key) or f'"{key}"' in source, f"{key} is never said"


def test_every_question_has_words():
    kinds = re.findall(
        r"`kind` is one of: (.*?)\.\n", (PACKAGE / "bedside" / "findings.py").read_text("utf-8"), re.S
    )[0]  # fmt: skip
    names = [kind.strip() for kind in kinds.replace("\n", " ").split(",")]
    assert len(names) >= 17
    for kind in names:
        assert f"question-{kind}" in catalogue("en")["say"]


def test_every_word_of_the_vocabulary_has_words():
    for code in LANGUAGES:
        texts = catalogue(code)
        for name, observable in OBSERVABLES.items():
            if observable.derived:
                continue
            assert name in texts["observables"]
            for word in observable.words:
                assert texts["words"][name][word]
            for component in observable.components:
                for word in component.words:
                    assert texts["words"][f"{name}.{component.name}"][word]
        assert texts["words"]["absent"].keys() == ABSENT_REASONS.keys()


@pytest.mark.parametrize(
    ("value", "english", "german"),
    [
        (Decimal("1790"), "1790", "1790"),  # no thousands marks
        (Decimal("1790.00"), "1790", "1790"),  # no trailing zeros
        (Decimal("16.875"), "17", "17"),
        (Decimal("12.5"), "12", "12"),  # half to even
        (Decimal("4.50"), "4.5", "4,5"),  # an infant's drain
        (Decimal("0"), "0", "0"),
        (Decimal("0.04"), "<0.1", "<0,1"),  # what is not nothing is not 0
        (Decimal("-3"), "-3", "-3"),
        (Decimal("-0.04"), ">-0.1", ">-0,1"),
    ],
)
def test_numbers(value, english, german):
    assert (EN.show(value), DE.show(value)) == (english, german)


@pytest.mark.parametrize(
    ("moment", "english", "german"),
    [
        ("2025-10-25T19:00+02:00", "Sat 19:00", "Sa 19:00"),
        ("2025-10-26T02:00+02:00", "Sun 02:00 CEST", "So 02:00 CEST"),
        ("2025-10-26T02:00+01:00", "Sun 02:00 CET", "So 02:00 CET"),
        ("2025-10-26T03:00+01:00", "Sun 03:00", "So 03:00"),
        ("2025-10-20T00:10+02:00", "Mon 00:10", "Mo 00:10"),
        ("2025-10-19T23:50+02:00", "19 Oct 23:50", "19. Okt 23:50"),  # a week back, not a weekday
        ("2024-10-25T19:00+02:00", "25 Oct 2024 19:00", "25. Okt 2024 19:00"),
        ("2025-10-27T07:00+01:00", "27 Oct 07:00", "27. Okt 07:00"),  # later than the sheet
    ],
)
def test_times(moment, english, german):
    when = datetime.fromisoformat(moment)
    assert (EN.show(when), DE.show(when)) == (english, german)


def test_a_zone_without_a_name_is_an_offset():
    here = Language("en", UTC, datetime.fromisoformat("2025-10-26T07:05+00:00"))
    assert here.long_time(datetime.fromisoformat("2025-10-26T07:05+00:00")) == (
        "Sun 26 Oct 2025 07:05 +00:00"
    )


@pytest.mark.parametrize(
    ("length", "text"),
    [
        (timedelta(hours=33), "33 h"),
        (Fraction(13), "13 h"),
        (timedelta(minutes=55), "55 min"),
        (timedelta(hours=1, minutes=30), "1 h 30 min"),
        (timedelta(hours=77, minutes=20), "3 d 5 h"),
        (timedelta(0), "0 min"),
    ],
)
def test_lengths(length, text):
    assert EN.show(length) == text


def test_the_day_is_said_once_where_both_ends_are_of_it():
    start, end = (datetime.fromisoformat(f"2025-10-25T{h}:00+02:00") for h in ("07", "19"))
    assert EN.say(say("from-to", start=start, end=end)) == "Sat 07:00 to 19:00"
    night = datetime.fromisoformat("2025-10-26T07:00+01:00")
    assert EN.say(say("from-to", start=end, end=night)) == "Sat 19:00 to Sun 07:00"


def test_what_readings_say():
    assert EN.show(reading("suction-set", 1, Decimal("20.0"), unit="cm[H2O]")) == "20 cmH2O"
    leak = reading("air-leak", 1, "present", parts={"at-rest": "none", "on-cough": "present"})
    assert EN.show(leak) == "at rest none, on cough LEAK"
    other = reading("appearance", 1, "other", text="wie Himbeersaft")
    assert EN.show(other) == "wie Himbeersaft"
    assert EN.show(reading("swing", 1, absent="refused")) == "refused by the patient"
    supplies = reading("bedside-supplies", 1, "incomplete", parts={"clamps": "missing"})
    assert EN.show(supplies) == "incomplete, clamps missing"
    assert DE.show(Word("", "swing")) == "Pendeln"


def test_a_source_cannot_bend_what_stands_around_its_text():
    assert shown_text("a\x1b[31m\x00b\u202ec\ud800") == "a [31m b c"
    assert shown_text("x" * 5000) == "x" * 600 + " [...]"
    assert EN.say(say("with-note", says="{time}", note="{0} {note}")) == "{time}: “{0} {note}”"


def test_a_value_that_cannot_be_said_is_no_text():
    with pytest.raises(TypeError):
        EN.show(object())


def test_every_text_of_the_page_is_used():
    sources = [*(PACKAGE / "handoff").glob("*.py"), *(PACKAGE / "handoff").rglob("*.html")]
    source = "".join(path.read_text("utf-8") for path in sources)
    for table in ("page", "heads"):
        for key in catalogue("en")[table]:
            made = re.fullmatch("(strip|leak)-.*", key)
            assert made or f'"{key}"' in source or f"'{key}'" in source, key

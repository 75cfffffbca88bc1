"""Any site file either works or is refused with its reason and its place."""

from __future__ import annotations

import io
import re
import tomllib

from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from fhirdrain.errors import FhirdrainError
from fhirdrain.site import read_site
from fhirdrain.site.words import LANGUAGES
from fhirdrain.street.mapping import map_sources
from fhirdrain.vocabulary.observables import OBSERVABLES
from fhirdrain.vocabulary.units import UNITS
from tests.conftest import HEADER, ROOT, row, site_text

SAMPLES = ROOT / "sample_bundles"
POLICY = (SAMPLES / "scenario" / "policy.toml").read_text("utf-8")
FILES = [
    site_text(),
    (SAMPLES / "scenario" / "site.toml").read_text("utf-8"),
    (SAMPLES / "forms" / "site.toml").read_text("utf-8").replace("../scenario/", ""),
]
NAMES = [*OBSERVABLES, *(w for o in OBSERVABLES.values() for w in o.words), *UNITS]
# What a value of the file may be replaced by: of the right type and the wrong one, known and not.
VALUES = st.one_of(
    st.sampled_from(
        ['""', '"x"', "0", "-1", "1.5", "true", "[]", "{}", '["a"]', "{ value = 1 }", "1979-05-27",
         '"wide"', '"jsonlines"', '"hl7v2"', '"minutes"', '"day"', '"field"', '"+25:00"', '"utf-16"',
         '"base64"', '"%d.%m"', '"%Q"', '"\\n"', '"a[].b"', '"a..b"', "99999999999999999999", "nan"]
    ),
    st.sampled_from(NAMES).map(lambda name: f'"{name}"'),
    st.sampled_from(LANGUAGES).map(lambda name: f'"{name}"'),
    st.text(max_size=8).map(lambda text: '"' + re.sub(r'["\\\x00-\x1f\x7f]', "", text) + '"'),
)  # fmt: skip


@st.composite
def changed(draw):
    """Return a site file with a few of its lines dropped, doubled, renamed or given other values."""
    lines = draw(st.sampled_from(FILES)).splitlines()
    for _ in range(draw(st.integers(1, 3))):
        place = draw(st.integers(0, len(lines) - 1))
        line = lines[place]
        how = draw(st.sampled_from(["drop", "double", "cut", "move", *["value"] * 5, *["key"] * 2]))
        if how == "drop":
            lines[place] = ""
        elif how == "double":
            lines.insert(place, line)
        elif how == "value" and "=" in line:
            lines[place] = line.partition("=")[0] + "= " + draw(VALUES)
        elif how == "key" and "=" in line:
            lines[place] = draw(st.sampled_from(NAMES)) + " =" + line.partition("=")[2]
        elif how == "cut":
            lines[place] = line[: draw(st.integers(0, len(line)))]
        else:
            lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(place))
    return "\n".join(lines)


def judge(path, text):
    """Return the site, having seen that whatever is wrong is said with its place."""
    path.write_text(text, encoding="utf-8")
    site, issues = read_site(path)
    assert (site is None) == any(issue.is_error for issue in issues)
    for issue in issues:
        assert issue.message
        assert "Traceback" not in issue.message
        assert issue.file == str(path)
    return site


@given(text=changed())
@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
def test_a_changed_site_file_works_or_is_refused(text, tmp_path_factory):
    folder = tmp_path_factory.getbasetemp()
    (folder / "policy.toml").write_text(POLICY, encoding="utf-8")
    site = judge(folder / "any-site.toml", text)
    event("works" if site is not None else "is refused")
    if site is None:
        return
    (folder / "any.csv").write_text(
        "\n".join([",".join(HEADER), row(id="1", item="lvl", value="100")]) + "\n", encoding="utf-8"
    )
    for source in site.sources.values():
        try:
            report = map_sources(
                [folder / "any.csv"], site, source, io.BytesIO(), rejects=folder / "any-rejects"
            )
        except FhirdrainError:
            continue
        else:
            assert report.balanced


toml = st.recursive(
    st.one_of(st.booleans(), st.integers(-5, 5), st.sampled_from(NAMES), st.text(max_size=5)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from(["site", "drains", "sources", "units", "x"]), toml))
@settings(max_examples=120, deadline=None)
def test_any_toml_is_judged(tmp_path_factory, data):
    text = "\n".join(f"{key} = {written(value)}" for key, value in data.items())
    tomllib.loads(text)  # it is TOML
    assert judge(tmp_path_factory.getbasetemp() / "any-toml.toml", text) is None


def written(value) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return (
            '"'
            + "".join(
                f"\\U{ord(c):08x}" if c in '"\\' or ord(c) < 32 or ord(c) == 127 else c
                for c in value
            )
            + '"'
        )
    if isinstance(value, list):
        return "[" + ", ".join(map(written, value)) + "]"
    return "{" + ", ".join(f"{written(k)} = {written(v)}" for k, v in value.items()) + "}"

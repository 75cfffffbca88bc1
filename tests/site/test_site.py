from __future__ import annotations

import re
from datetime import timedelta
from decimal import Decimal

import pytest

from fhirdrain.errors import ConfigurationError
from fhirdrain.site import load_site, read_site
from fhirdrain.site.model import (
    ColumnsSection,
    DrainSection,
    ItemSection,
    SiteSection,
    SourceSection,
    SystemsSection,
)
from tests.conftest import ROOT, make_site, site_text


def faults(tmp_path, text):
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    site, issues = read_site(path)
    assert site is None
    return issues


def test_the_sample_and_the_real_site_files_are_right():
    for path in ("sample_bundles/scenario/site.toml", "tests/real/site.toml"):
        site, issues = read_site(ROOT / path)
        assert site is not None
        assert issues == []


def test_what_the_file_says_reaches_the_settings(tmp_path):
    more = 'longest_interval = "90min"\nnew_unit_level = 5\nspanning = "split"\n'
    settings = make_site(tmp_path, site=more, drain="began_empty = true").settings
    assert settings.longest_interval == timedelta(minutes=90)
    assert settings.new_unit_level == Decimal(5)
    assert settings.spanning == "split"
    assert settings.drain("R1").began_empty
    assert settings.drain("nowhere").side == "unknown"


def test_defaults_are_those_of_the_contract(site):
    settings = site.settings
    assert settings.longest_interval is None
    assert settings.new_unit_level is None
    assert settings.spanning == "end"
    assert settings.significant_digits == 6
    assert settings.suction_tolerance == 0
    assert settings.double_within == timedelta(minutes=10)
    assert site.policy is None


@pytest.mark.parametrize(
    ("old", "new", "message", "hint"),
    [
        ('day_starts = "07:00"', 'day_start = "07:00"', 'unknown key "day_start"', '"day_starts"'),
        ('side = "right"', 'sides = "right"', 'unknown key "sides"', '"side"'),
        (
            "[sources.rounds.columns]\n",
            '[sources.rounds.columns]\npatiens = "x"\n',
            "patiens",
            '"patient"',
        ),
        ('observable = "level"', 'observable = "levle"', 'unknown observable "levle"', '"level"'),
        (
            'unit = "mL"\n[sources.rounds.items.out]',
            'unit = "mmLs"\n[sources.rounds.items.out]',
            '"mmLs"',
            "mL",
        ),
        (
            'unit = "mL"\n[sources.rounds.items.out]',
            'unit = "kPa"\n[sources.rounds.items.out]',
            "does not belong to level",
            "mL",
        ),
        ('{ mode = "water-seal" }', '{ mode = "waterseal" }', "no word of mode", '"water-seal"'),
        (
            '{ mode = "water-seal" }',
            '{ modus = "water-seal" }',
            'unknown observable "modus"',
            '"mode"',
        ),
        ('"20 cm[H2O]" }, "on seal"', '"20" }, "on seal"', "not a number with its unit", "cm[H2O]"),
        ('hue = "dark-red"', 'hue = "dark"', "no word of appearance, hue", '"dark-red"'),
        ('drain = "L1"', 'drain = "L9"', 'unknown drain "L9"', '"L1"'),
        ('"Europe/Vienna"', '"Europe/Viena"', "not a time zone", "Europe/Vienna"),
        ('side = "right"', 'side = "rihgt"', "unknown word", '"right"'),
        ('windows = ["07:00", "19:00"]', 'windows = ["7 o clock"]', "not a time of day", "07:00"),
        ('"mls" = "mL"', '"mmHg" = "cm[H2O]"', "known to mean mm[Hg]", ""),
        ('"mls" = "mL"', '"dL" = "L"', "is a UCUM code", ""),
        ('"mls" = "mL"', '"ML" = "mL"', "is a UCUM code", ""),
        ('windows = ["07:00", "19:00"]', 'windows = ["07:00Z", "19:00"]', "not a time of day", ""),
        ('windows = ["07:00", "19:00"]', 'windows = ["07:00", "07:00"]', "two windows", ""),
        ('kind = "table"', 'kind = "table"\ntime_format = "%d.%m. %H:%M"', "no full date", ""),
        ('kind = "table"', 'kind = "table"\ntime_format = "%Y-%m-%d %I:%M"', "no full time", ""),
        (
            '{ at-rest = "none", on-cough = "none" }',
            '{ value = "present", at-rest = "none", on-cough = "none" }',
            "not what its parts say",
            "",
        ),
        (
            '"on seal" = { mode = "water-seal" }',
            '"on seal" = { mode = "water-seal", reason = "ordered" }',
            'unknown observable "reason"',
            "a part of mode",
        ),
        ('"mls" = "mL"', '"mls" = "ml"', 'the unit "ml" is not known', '"mL"'),
        ('patient = "pat"\n', "", 'the column "patient" is not named', ""),
        ('drain = "drain"\n', "", 'the column "drain" is not named', ""),
        ('"struck" = "entered-in-error"', '"struck" = "gone"', "not a status", ""),
        (', scale = "regulator"', "", "needs the scale", "wall-gauge"),
        (
            '{ at-rest = "none", on-cough = "none" }',
            '{ value = "none", at-rest = "none" }',
            "none only when",
            "",
        ),
        ('"https://test.example/reading"', '"test reading"', "not an absolute URI", ""),
        (
            'scale = "wall-gauge"',
            'scale = "wall-gauge"\nwords = { "-80" = "80 mm[Hg]" }',
            "wall gauge says nothing",
            "",
        ),
        (
            "[sources.rounds.items.txt]",
            '[sources.rounds.items.psi]\nwords = { "20" = { suction-set = "20 mm[Hg]" } }\n[sources.rounds.items.txt]',
            "reads like a wall gauge",
            "regulator",
        ),
        (
            '"minus 20" = { suction-set = "20 cm[H2O]" }',
            '"minus 20" = { suction-set = "20000 cm[H2O]" }',
            "more than is possible",
            "",
        ),
        ('kind = "table"', 'kind = "table"\nencoding = "rot13"', "not an encoding", ""),
        ('kind = "table"', 'kind = "table"\nthousands = "1"', "mark of thousands", ""),
        ('kind = "table"', 'kind = "table"\ntime_format = "%Q nonsense"', "time_format", ""),
        ('kind = "table"', 'kind = "table"\ntime_format = "%Y-%m-%d"', "no full time of day", ""),
        (
            'day_starts = "07:00"',
            'day_starts = "07:00"\nnew_unit_level = -5',
            "greater than or equal to 0",
            "",
        ),
        (
            'observable = "removed"',
            'observable = "removed"\nnot_done = ["not yet"]',
            "cannot be charted as not done",
            "",
        ),
    ],
)
def test_a_fault_has_its_line_and_the_nearest_known_name(tmp_path, old, new, message, hint):
    text = site_text()
    assert old in text
    issues = faults(tmp_path, text.replace(old, new))
    found = [issue for issue in issues if message in issue.message]
    assert found, issues
    assert hint in found[0].hint
    line = text.replace(old, new).splitlines()[found[0].line - 1]
    assert found[0].line > 0
    section = found[0].location.split(".")[-1]
    assert section in line or line.startswith("["), line


def test_a_missing_key_is_named(tmp_path):
    (issue,) = faults(tmp_path, site_text().replace('id = "test-site"\n', ""))
    assert issue.message == 'the key "id" is missing'


def test_all_faults_are_listed_and_loading_names_the_first(tmp_path):
    text = site_text().replace('"level"', '"lvel"').replace('"output"', '"outptu"')
    assert len(faults(tmp_path, text)) >= 3
    with pytest.raises(ConfigurationError, match=r"lvel.* more\)"):
        load_site(tmp_path / "site.toml")


def test_broken_toml_has_line_and_column(tmp_path):
    (issue,) = faults(tmp_path, "[site]\nid = \n")
    assert (issue.line, issue.column) == (2, 6)


def test_one_label_cannot_name_two_drains(tmp_path):
    issues = faults(tmp_path, site_text().replace('["left 1"]', '["right 1"]'))
    assert "names both" in issues[0].message


def test_a_policy_figure_needs_its_source(tmp_path):
    policy = tmp_path / "policy.toml"
    policy.write_text(
        'name = "p"\n[[figures]]\nname = "f"\nsays = "x"\nscope = "drain"\nkind = "level"\n'
    )
    issues = faults(tmp_path, site_text(site='policy = "policy.toml"'))
    assert "source" in issues[0].message
    assert f"{policy}:2" in issues[0].message


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(ConfigurationError, match="cannot be read"):
        load_site(tmp_path / "nowhere.toml")


def test_every_key_is_in_the_table_for_developers():
    """The table lists the keys of each section; none is left out, and none is made up."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    table = text.partition("| section | keys |")[2].partition("\n\n")[0]
    rows = dict(re.findall(r"^\| `\[([^\]]+)\]` \| (.*) \|$", table, re.M))
    sections = {
        "site": SiteSection,
        "site.systems": SystemsSection,
        "drains.ID": DrainSection,
        "sources.NAME": SourceSection,
        "sources.NAME.columns": ColumnsSection,
        "sources.NAME.items.CODE": ItemSection,
    }
    assert set(rows) == {*sections, "units"}
    inner = {"systems", "columns", "items"}
    for name, section in sections.items():
        keys = set(section.model_fields) - inner
        assert keys <= set(re.findall(r"`([a-z_]+)`", rows[name])), name

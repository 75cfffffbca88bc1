"""The policy file: what each kind of figure needs, said at its line."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest

from fhirdrain.errors import ConfigurationError
from fhirdrain.site import load_site
from fhirdrain.site.policy import load_policy
from tests.conftest import ROOT, site_text

FIGURE = """name = "test policy"

[[figures]]
name = "one"
says = "what it says"
source = "invented"
"""


def policy(tmp_path, lines):
    path = tmp_path / "policy.toml"
    path.write_text(FIGURE + lines, encoding="utf-8")
    return path


def test_a_figure_is_read(tmp_path):
    text = 'scope = "drain"\nkind = "volume"\nabove = "0.1 L"\nwithin = "90min"\n'
    (figure,) = load_policy(policy(tmp_path, text)).read()
    assert (figure.above, figure.within) == (Decimal(100), timedelta(minutes=90))


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('scope = "drain"\nkind = "volume"\nabove = "100 mL"\n', 'needs "within"'),
        ('scope = "drain"\nkind = "clamped"\nafter = "1h"\nabove = "1 mL"\n', 'has no "above"'),
        ('scope = "group"\nkind = "swing-lost"\ndrains = ["A", "B"]\n', "of one drain"),
        ('scope = "group"\nkind = "volume"\nabove = "1 mL"\nwithin = "1h"\n', "two drains or more"),
        ('scope = "drain"\nkind = "level"\nabove = "100"\n', "is not a volume"),
        ('scope = "drain"\nkind = "level"\nabove = "20 cm[H2O]"\n', "is not a volume"),
        ('scope = "drain"\nkind = "clamped"\nafter = "soon"\n', "is not a duration"),
        ('scope = "drain"\nkind = "appearance"\nappearance = ["pink"]\n', "no word of appearance"),
        ('scope = "drain"\nkind = "air-leak-ended"\nrounds = 0\n', "rounds"),
        ('scope = "drain"\nkind = "weather"\n', "kind"),
    ],
)
def test_what_a_figure_lacks_is_said_where_it_stands(tmp_path, lines, said):
    path = policy(tmp_path, lines)
    with pytest.raises(ConfigurationError, match=said) as error:
        load_policy(path)
    line = int(str(error.value.place).removeprefix(f"{path}:").partition(":")[0])
    assert 3 <= line <= 10


def test_a_figure_of_a_drain_nobody_has(tmp_path):
    policy(tmp_path, 'scope = "drain"\nkind = "order"\ndrains = ["R2"]\n')
    site = tmp_path / "site.toml"
    site.write_text(site_text(site='policy = "policy.toml"'), encoding="utf-8")
    with pytest.raises(ConfigurationError, match='the drain "R2"') as error:
        load_site(site)
    assert "R1" in str(error.value)


def test_the_demonstration_policy_names_a_source_for_every_figure():
    found = load_policy(ROOT / "sample_bundles" / "scenario" / "policy.toml").read()
    assert len(found) == 5
    assert all(figure.source for figure in found)

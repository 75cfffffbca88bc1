"""Two wide sources of one site, told row by row in any order: the same as told at once.

In a wide table a later version of a row takes back what it leaves empty, and an order may stand in
two columns.
"""

from __future__ import annotations

import copy
import io
import random
import re
import tempfile
from datetime import timedelta
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from fhirdrain.bedside.rates import Asked
from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import Wanted
from fhirdrain.street.rebuilding import rebuild
from fhirdrain.vocabulary.jsontext import decode
from tests.conftest import site_text
from tests.scenarios.test_anything import ITEMS as ITEMS_BESIDE
from tests.scenarios.test_anything import POLICY, WORDS
from tests.scenarios.test_arrival import seen, stored

ITEMS = ("lvl", "out", "suc", "ord", "air", "wgt", "sum")
HEADER = ("id", "pat", "drain", "seen", "stored", "state", *ITEMS)
SOURCE = """[sources.NAME]
kind = "table"
layout = "wide"
time_format = "iso"
status_words = { "struck" = "entered-in-error" }
[sources.NAME.columns]
row = "id"
patient = "pat"
drain = "drain"
time = "seen"
recorded = "stored"
status = "state"
"""
ENDED = "entered-in-error"


def two_sources() -> str:
    """Return the site file of two wide sources, each with the items of the tests' long one."""
    text = site_text(site='policy = "policy.toml"')
    head, _, long = text.partition("[sources.rounds]")
    items = SOURCE + ITEMS_BESIDE.replace("rounds", "NAME").lstrip()
    for name in ("lvl", "out", "suc", "ord", "air"):
        (section,) = re.findall(rf"\[sources\.rounds\.items\.{name}\]\n(?:[^\[].*\n)+", long)
        items += section.replace("rounds", "NAME") + ('unit = "mL"\n' if name == "out" else "")
    return head + items.replace("NAME", "a") + items.replace("NAME", "b")


class Ward:
    """A store that is given rows of both sources."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder = folder
        (folder / "policy.toml").write_text(POLICY)
        (folder / "site.toml").write_text(two_sources())
        self.site = load_site(folder / "site.toml")
        self.store = Store(folder / name, self.site.id)

    def take(self, source: str, *rows: dict[str, str]) -> int:
        """Map rows of a source; returns how many items were rejected."""
        path = self.folder / "in.csv"
        lines = [HEADER, *([row.get(name, "") for name in HEADER] for row in rows)]
        path.write_text("\n".join(map(",".join, lines)) + "\n")
        report = map_sources(
            [path], self.site, self.site.source(source), io.BytesIO(), store=self.store,
            rejects=self.folder / "r", wanted=Wanted(True, Asked(timedelta(minutes=10), True)),
        )  # fmt: skip
        assert report.balanced
        return report.rejected

    def out(self) -> dict[tuple[str, str], dict]:
        """Return the last content that was put out of each identity."""
        found = {}
        for (body,) in self.store._base.execute("SELECT body FROM outgoing ORDER BY seq"):
            resource = decode(body)
            found[resource["resourceType"], resource["identifier"][0]["value"]] = resource
        return found


def chart(rng: random.Random) -> list[tuple[str, dict[str, str]]]:
    """Return rows with their source, the versions of one behind it."""
    rows = []
    minute = 0
    for number in range(rng.randrange(1, 8)):
        minute += rng.choice([5, 30, 60, 200, 500])
        source = rng.choice("ab")
        for version in range(rng.choice([1, 1, 1, 2, 3])):
            row = {
                "id": str(number),
                "pat": "p-1",
                "drain": rng.choice(["right 1"] * 6 + ["left 1"]),
                "seen": seen(minute),
                "stored": stored(number + 100 * version),
            }
            row |= {name: rng.choice(WORDS[name]) for name in ITEMS if rng.random() < 0.4}
            if version and rng.random() < 0.2:
                row["state"] = "struck"
            rows.append((source, row))
    return rows


def standing(out: dict[tuple[str, str], dict]) -> dict[tuple[str, str], dict]:
    """Return what stands: what was taken back may say the last of what it once said."""
    return {key: one for key, one in out.items() if one["status"] != ENDED}


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6))
def test_row_by_row_in_any_order_and_after_a_loss(seed):
    rng = random.Random(seed)
    rows = chart(rng)
    mixed = rng.sample(rows, k=len(rows))
    by_source = [(name, [row for source, row in rows if source == name]) for name in "ab"]
    with tempfile.TemporaryDirectory() as name:
        once, bits = Ward(Path(name), "once"), Ward(Path(name), "bits")
        rejected = sum(once.take(source, *own) for source, own in by_source if own)
        rejected += sum(bits.take(source, row) for source, row in mixed + mixed[: len(mixed) // 2])
        if rejected:
            return  # a withdrawal came before what it withdraws
        whole = once.out()
        assert standing(bits.out()) == standing(whole)
        held = [{**copy.deepcopy(r), "id": str(n)} for n, r in enumerate(whole.values())]
        new = Ward(Path(name), "new")
        assert rebuild(new.store, new.site, held, "http://there").waiting == 0
        assert standing(new.out()) == standing(whole)
        assert sum(new.take(source, *own) for source, own in by_source if own) == 0
        assert standing(new.out()) == standing(whole)


def test_an_amount_that_levels_account_for_later_is_taken_back(tmp_path):
    """It was sent before the levels came; beside them it would count twice."""
    ward = Ward(tmp_path, "one")
    base = {"pat": "p-1", "drain": "right 1"}
    ward.take("a", *({**base, "id": str(n), "seen": seen(60 * n), "stored": stored(n), "out": "10"}
                     for n in (1, 2)))  # fmt: skip
    before = standing(ward.out())
    ward.take("b", *({**base, "id": str(n), "seen": seen(60 * n), "stored": stored(9 + n),
                      "lvl": str(50 + 10 * n)} for n in (1, 2)))  # fmt: skip
    taken_back = [key for key, one in ward.out().items() if one["status"] == ENDED]
    amounts = [one for one in before.values() if one.get("valueQuantity", {}).get("value") == 10]
    assert len(amounts) == 3  # both amounts, and the rate of the second
    outputs = [
        one["valueQuantity"]["value"]
        for one in standing(ward.out()).values()
        if one["meta"].get("profile", [""])[0].endswith("/output")
    ]
    assert outputs == [10, 10]  # the first amount, which no level accounts for, and the levels'
    assert taken_back


def test_an_order_moved_to_another_drain_stands_there_alone(tmp_path):
    """Magnitude and mode are one order: what its row no longer says does not take it back."""
    ward = Ward(tmp_path, "one")
    row = {"id": "1", "pat": "p-1", "seen": seen(0)}
    ward.take("a", {**row, "drain": "right 1", "stored": stored(1), "ord": "suction 20"})
    for _ in range(2):
        ward.take("a", {**row, "drain": "left 1", "stored": stored(2), "ord": "seal"})
    (order,) = [r for r in ward.out().values() if r["resourceType"] == "ServiceRequest"]
    assert order["status"] == "active"
    assert order["extension"][0]["valueReference"]["display"] == "L1"
    (count,) = ward.store._base.execute(
        "SELECT count(*) FROM outgoing WHERE type = 'ServiceRequest'"
    ).fetchone()
    assert count == 2


def test_orders_of_two_drains_in_two_columns_are_two(tmp_path):
    ward = Ward(tmp_path, "one")
    text = (tmp_path / "site.toml").read_text()
    words = "\n".join(line for line in text.splitlines() if "mode-ordered" in line).splitlines()[0]
    own = f'[sources.a.items.ordl]\ndrain = "L1"\n{words}\n[sources.a.items.ordr]\ndrain = "R1"\n{words}\n'
    (tmp_path / "site.toml").write_text(text + own)
    ward.site = load_site(tmp_path / "site.toml")
    path = tmp_path / "two.csv"
    path.write_text(
        f"id,pat,drain,seen,stored,state,ordl,ordr\n1,p-1,,{seen(0)},,,seal,suction 10\n"
    )
    stream = io.BytesIO()
    map_sources([path], ward.site, ward.site.source("a"), stream, rejects=tmp_path / "r")
    found = [entry["resource"] for entry in decode(stream.getvalue())["entry"]]
    orders = [r for r in found if r["resourceType"] == "ServiceRequest"]
    assert len({r["identifier"][0]["value"] for r in orders}) == len(orders) == 2

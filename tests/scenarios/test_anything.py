"""Whatever is charted of two drains: at once, bit by bit, and after a store was lost, the same.

Amounts, levels, settings, orders, changes, placings, removals, weights and charted sums; each put
right, stored again or withdrawn now and then. What is worked out is totals and rates of all kinds.
"""

from __future__ import annotations

import copy
import io
import random
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
from tests.conftest import row, rows_of, site_text
from tests.scenarios.test_arrival import seen, stored
from tests.scenarios.test_incremental import ISO, Journal

POLICY = 'name = "p"\nshortest_interval = "10min"\nrolling_hour = true\n'
SITE = 'longest_interval = "6h"\npolicy = "policy.toml"'
ITEMS = """
[sources.rounds.items.wgt]
observable = "patient-weight"
unit = "kg"
[sources.rounds.items.sum]
observable = "charted-total"
unit = "mL"
over = "shift"
"""
WORDS = {
    "out": ["0", "10", "20", "45"],
    "lvl": ["0", "50", "120", "300"],
    "suc": ["20 cm", "on seal", "10"],
    "mod": ["clamped", "suction", "water-seal"],
    "ord": ["suction 20", "suction 10", "seal"],
    "wgt": ["4", "70"],
    "sum": ["100"],
    "chg": ["full"],
    "air": ["none", "cough only", "not looked at"],
    "rem": ["planned"],
    "plc": ["in"],
}


class Book(Journal):
    """A journal of a site with a policy, sums and weights, that works out all there is."""

    def __init__(self, folder: Path, name: str) -> None:
        super().__init__(folder, name)
        (folder / "policy.toml").write_text(POLICY)
        (folder / "site.toml").write_text(site_text(source=ISO, site=SITE) + ITEMS)
        self.site = load_site(folder / "site.toml")
        self.store = Store(folder / f"{name}.sqlite", self.site.id)

    def take(self, *lines: str):
        path = self.folder / "in.csv"
        path.write_text(rows_of(*lines), encoding="utf-8")
        report = map_sources(
            [path], self.site, self.site.source(None), io.BytesIO(), rejects=self.folder / "r",
            store=self.store, wanted=Wanted(True, Asked(timedelta(minutes=10), True)),
        )  # fmt: skip
        assert report.balanced
        return report


def chart(rng: random.Random) -> list[str]:
    """Return some rows, the versions of one behind it."""
    lines: list[str] = []
    minute = 0
    for number in range(rng.randrange(1, 14)):
        minute += rng.choice([0, 5, 30, 60, 200, 500])
        item = rng.choice(["out", "out", "out", *WORDS])
        cells = {
            "id": str(number),
            "item": item,
            "drain": "" if item == "wgt" else rng.choice(["right 1"] * 4 + ["left 1"]),
            "seen": seen(minute),
        }
        if item == "out":
            cells["unit"] = "mL"
            cells["since"] = seen(minute - 90) if minute >= 90 and rng.random() < 0.2 else ""
        if item == "chg":
            cells["closing"], cells["opening"] = rng.choice(["", "300"]), rng.choice(["", "0"])
        said = [({}, 0)]
        said += [({}, 100)] * (rng.random() < 0.25)
        said += [({"state": "struck", "value": ""}, 200)] * (rng.random() < 0.2)
        said += [({"state": "put right"}, 300)] * (rng.random() < 0.1)
        for more, later in said:
            at = stored(later + number)
            lines.append(row(**{**cells, "value": rng.choice(WORDS[item]), "stored": at, **more}))
    return lines


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6))
def test_the_same_at_once_bit_by_bit_and_after_a_loss(seed):
    rng = random.Random(seed)
    lines = chart(rng)
    mixed = rng.sample(lines, k=len(lines))
    cut = rng.randrange(len(mixed) + 1)
    again = mixed[: rng.randrange(len(mixed) + 1)]
    with tempfile.TemporaryDirectory() as name:
        once, bits = Book(Path(name), "once"), Book(Path(name), "bits")
        rejected = once.take(*lines).rejected
        rejected += sum(bits.take(*c).rejected for c in (mixed[:cut], mixed[cut:], again) if c)
        if rejected:
            return  # a withdrawal came before what it withdraws, and waits in the rejects file
        whole, later = once.out(), bits.out()
        assert {key: later[key] for key in whole} == whole
        assert {later[key]["status"] for key in later.keys() - whole.keys()} <= {"entered-in-error"}
        held = [{**copy.deepcopy(r), "id": str(n)} for n, r in enumerate(whole.values())]
        new = Book(Path(name), "new")
        assert rebuild(new.store, new.site, held, "http://there").waiting == 0
        assert new.out() == whole
        told = new.store.outgoing_by_state()
        assert new.take(*lines).rejected == 0
        assert new.store.outgoing_by_state() == told

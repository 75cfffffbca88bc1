"""Messages in any order, twice, in any batches come to the same as one run over their file."""

from __future__ import annotations

import io
import random
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import Wanted
from fhirdrain.vocabulary.jsontext import decode
from tests.intake.test_hl7v2 import obx, site_text
from tests.street.test_listening import Office, message

SITE = site_text('drain_from = "OBX-4"', "")
WORDS = {
    "lvl": ["10", "50", "120", "300"],
    "out": ["0", "10", "45"],
    "suc": ["20 cm", "seal", "10"],
    "col": ["blutig", "serous"],
    "chg": ["full"],
}


def feed(rng: random.Random) -> list[bytes]:
    """Return messages of some rows, each with its corrections and withdrawals."""
    messages: list[bytes] = []
    for row in range(rng.randrange(1, 10)):
        item = rng.choice(["lvl", *WORDS])
        drain, hour = rng.choice(["right 1"] * 4 + ["left 1"]), rng.randrange(20)
        patient = rng.choice(["p-1", "p-1", "p-2"])
        for version in range(rng.choice([1, 1, 1, 2, 3])):
            value = rng.choice(WORDS[item])
            status = rng.choice("CCFW") if version else "F"
            said = obx(
                "" if status == "W" else value, item, "NM" if value.isdigit() else "ST",
                "mL" if item in ("lvl", "out") else "", status,
                f4=drain, f21=f"r-{row}", f14=f"20250110{hour:02}00+0100",
            )  # fmt: skip
            number = len(messages)
            made = f"202501{11 + version:02}{number % 24:02}{number * 7 % 60:02}00+0100"
            messages.append(message(number, said, patient=patient, made=made))
    return messages


def put_out(store: Store) -> dict[tuple[str, str], dict]:
    """Return the last content that was put out of each identity."""
    found = {}
    for (body,) in store._base.execute("SELECT body FROM outgoing ORDER BY seq").fetchall():
        resource = decode(body)
        found[resource["resourceType"], resource["identifier"][0]["value"]] = resource
    return found


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6))
def test_a_feed_comes_to_the_same_as_its_file(seed):
    rng = random.Random(seed)
    messages = feed(rng)
    mixed = rng.sample(messages, k=len(messages)) + rng.sample(messages, k=len(messages) // 2)
    with tempfile.TemporaryDirectory() as name:
        folders = [Path(name) / part for part in ("file", "wire")]
        for folder in folders:
            folder.mkdir()
            (folder / "site.toml").write_text(SITE)
        source = folders[0] / "in.hl7"
        source.write_bytes(b"".join(messages))
        site = load_site(folders[0] / "site.toml")
        with Store(folders[0] / "s.sqlite", site.id) as store:
            report = map_sources(
                [source], site, site.source(None), io.BytesIO(), rejects=folders[0] / "r",
                store=store, wanted=Wanted(totals=True),
            )  # fmt: skip
            whole = put_out(store)
        assert report.rejected == 0
        office = Office(folders[1])
        while mixed:
            count = rng.randrange(1, 4)
            office.desk.take(mixed[:count])
            mixed = mixed[count:]
            while rng.random() < 0.7 and office.works.work():
                pass
        while office.works.work():
            pass
        wire, states = put_out(office.store), office.store.messages_by_state()
        office.store.close()
        assert states == {"done": len(set(messages))}
        assert {key: wire.get(key) for key in whole} == whole
        assert {wire[k]["status"] for k in wire.keys() - whole.keys()} <= {"entered-in-error"}

"""An invented chart of any length, for measuring: rounds of five items a drain, two hours apart."""

from __future__ import annotations

import csv
import random
from datetime import datetime, timedelta
from pathlib import Path

from tests.conftest import ROOT

SITE = ROOT / "sample_bundles" / "scenario" / "site.toml"
SOURCE = "rounds"
HEADER = (
    "id", "pat", "stay", "drain", "seen", "since", "stored", "item", "value", "unit", "state",
    "by", "remark", "unit_no", "closing", "opening",
)  # fmt: skip
_ROUNDS = 60


def write_chart(path: Path, rows: int, seed: int = 1) -> Path:
    """Write a chart of so many rows for the scenario's site file; the same every time."""
    rng = random.Random(seed)
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(HEADER)
        number = patient = 0
        while number < rows:
            patient += 1
            seen, level = datetime(2025, 1, 1, 7), 0
            for _ in range(_ROUNDS):
                seen += timedelta(hours=2)
                level += rng.randint(0, 40)
                said = (
                    ("lvl", level, "mL"), ("suc", 20, "cm[H2O]"), ("air", "only on cough", ""),
                    ("col", "serosanguineous", ""), ("swg", "present", ""),
                )  # fmt: skip
                for item, value, unit in said:
                    if number == rows:
                        return path
                    number += 1
                    writer.writerow([
                        f"r{number}", f"p{patient:06}", f"s{patient}", "right pleural 1",
                        f"{seen:%Y-%m-%dT%H:%M}", "", "", item, value, unit, "", "n1", "", "", "",
                        "",
                    ])  # fmt: skip
    return path

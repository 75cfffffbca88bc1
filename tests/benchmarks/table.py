"""Print the figures of speed in the README as a table: `python -m tests.benchmarks.table`.

They are ratios inside this run, on this machine, which it names.
"""

from __future__ import annotations

import os
import platform
import statistics
import tempfile
from pathlib import Path

from tests.benchmarks.test_checking import against_the_model
from tests.benchmarks.test_delivering import client_against_a_bare_session
from tests.benchmarks.test_mapping import (
    WHOLE,
    one_reading,
    peak_memory,
    start_up,
    whole_runs,
)
from tests.benchmarks.test_spreading import spreading


def main() -> None:
    """Measure, and print."""
    print(f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lines = [("one reading made and written, times as fast as the library",
                  one_reading(folder, 50))]  # fmt: skip
        lines += [(f"{what} ({WHOLE:,} rows)", r) for what, r in whole_runs(folder, WHOLE).items()]
        least = peak_memory(folder, 10_000)
        for rows in (100_000, 1_000_000):
            lines.append((f"peak memory of {rows:,} rows, times that of 10,000",
                          peak_memory(folder, rows) / least))  # fmt: skip
        lines += [(f"{what}, times python -c pass", r) for what, r in start_up(10).items()]
        profiled, ruled = against_the_model(folder, 7)
        lines += [
            ("one Observation held against its profile, times as fast as model_validate", profiled),
            ("and against the rules of a drain", ruled),
            ("processor time of post, times that of a bare requests session",
             statistics.median(client_against_a_bare_session(60, 3))),
        ]  # fmt: skip
        lines += [
            (f"{what} ({WHOLE:,} rows)", r) for what, r in spreading(folder, WHOLE, 3).items()
        ]
    for what, ratio in lines:
        print(f"{ratio:8.2f}  {what}")


if __name__ == "__main__":
    main()

from __future__ import annotations

import pytest

from tests.conftest import Run, map_files

SITE = """
[site]
id = "other-site"
name = "Other Site"
time_zone = "Europe/Vienna"
windows = ["07:00", "19:00"]
day_starts = "07:00"
[site.systems]
patient = "https://test.example/patient"
reading = "https://test.example/reading"
device = "https://test.example/drain"
[drains.R1]
side = "right"
space = "pleural"
labels = ["right 1"]
[drains.L1]
side = "left"
space = "pleural"
[sources.one]
"""


@pytest.fixture
def run(tmp_path):
    """Map files of a source whose part of the site file is given, rejects files among them."""

    def mapped(source: str, *files: tuple[str, bytes | str], rejects: str = "refused.csv") -> Run:
        return map_files(tmp_path, SITE + source, *files, rejects=rejects)

    return mapped


def said(run: Run) -> set[tuple[str, str, str, str]]:
    """Return drain, observable, value and status of each reading."""
    return {(r.drain, r.observable, str(r.value), r.status) for r in run.report.readings}

"""The account of other sites' FHIR: what became of every element of every resource, a line each."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import BinaryIO

from fhirdrain.intake.item import SourceItem

COLUMNS = ("file", "line", "resource", "element", "became", "how")


class Account:
    """Writes the account as CSV; it holds names of resources and elements, and no values."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._write(COLUMNS)

    def write(self, item: SourceItem) -> None:
        """Write what became of the elements of the resource that an item stands for."""
        file = Path(item.file).name
        for element, became, how in item.handled:
            self._write((file, item.line, item.resource, element, became, how))

    def _write(self, row: tuple[object, ...]) -> None:
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerow(row)
        self._stream.write(text.getvalue().encode())

"""How a run is dealt out, and what makes it the same run as one that was stopped."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fhirdrain import __version__
from fhirdrain.spread.dealing import SMALLEST
from fhirdrain.spread.work import Work
from fhirdrain.spread.workers import Workers

# Enough pieces that whoever is done first takes another, and few enough that all are open at once.
_PIECES_EACH, _MOST_PIECES = 4, 250


@dataclass(frozen=True, slots=True)
class Spreading:
    """How a run is dealt out: to whom, where what is done is kept, into how many shards.

    `shards` None is by the workers there are; files are shared down to `smallest` bytes.
    """

    workers: Workers
    folder: Path
    shards: int | None = None
    smallest: int = SMALLEST

    @property
    def pieces(self) -> int:
        """Return into how many pieces the work is dealt."""
        return min(_PIECES_EACH * self.workers.processes, _MOST_PIECES)

    def work(
        self,
        kind: str,
        asked: Mapping[str, Any],
        files: Sequence[Path],
        layout: Mapping[str, Any],
    ) -> Work:
        """Return the work of a run, which is that of one before if nothing has changed since.

        That is what was `asked`, this version, and each of the `files`: its place on the disk, its
        size, and when it and what is said of it were last changed.
        """

        def digest() -> str:
            states = {str(path): _state(path) for path in files}
            said = json.dumps([__version__, asked, states], sort_keys=True)
            return hashlib.sha256(said.encode()).hexdigest()

        return Work(self.folder, kind, digest, layout)


def _state(path: Path) -> tuple[int, ...] | None:
    try:
        found = path.stat()
    except OSError:
        return None  # it is said when it is read
    # A file that is put in the place of another may have its size, and the time it was given.
    return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns

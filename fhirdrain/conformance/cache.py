"""What was worked out of profiles, kept on disk under a key of all that it was worked out from."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import tempfile
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from fhirdrain import __version__
from fhirdrain.conformance.definitions import Definitions, our_files
from fhirdrain.vocabulary.jsontext import decode, encode

# Raised when the same definitions come to mean something else.
_FORM = 1
# Each change of a definition makes a set of its own, most of which are never asked for again.
_MOST_SETS = 30


def default_folder() -> Path | None:
    """Return where plans are kept: FHIRDRAIN_PLANS, else the user's cache; None to keep none."""
    said = os.environ.get("FHIRDRAIN_PLANS")
    if said is not None:
        return Path(said) if said else None
    try:
        home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    except RuntimeError:
        return None  # nobody's home is known
    return home / "fhirdrain" / "plans"


class Plans:
    """Plans by profile, for one set of definitions.

    A file that cannot be read or written is as if it were not there: plans can be made again.
    """

    def __init__(self, folder: Path | None, definitions: Definitions) -> None:
        self._folder = folder
        self._definitions = definitions
        self._key = ""

    def get(self, name: str) -> Any | None:
        """Return what was kept under a name; None if nothing was."""
        path = self._path(name)
        if path is None:
            return None
        try:
            kept = decode(path.read_bytes())
        except (OSError, ValueError, RecursionError):
            return None
        if not isinstance(kept, dict) or kept.get("name") != name:
            return None
        plan = kept.get("plan")
        # A file that was damaged, or altered by hand, is not what was worked out.
        return plan if kept.get("sum") == _sum(plan) else None

    def put(self, name: str, plan: Any) -> None:
        """Keep something under a name; whoever reads meanwhile sees all of it or nothing."""
        path = self._path(name)
        if path is None:
            return
        body = encode({"name": name, "sum": _sum(plan), "plan": plan})
        try:
            if not path.parent.is_dir():
                path.parent.mkdir(parents=True, exist_ok=True)
                _forget(path.parent.parent)
            with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as stream:
                written = Path(stream.name)
                stream.write(body)
            try:
                os.replace(written, path)
            except OSError:
                written.unlink(missing_ok=True)
        except OSError:
            return

    def _path(self, name: str) -> Path | None:
        if self._folder is None:
            return None
        if not self._key:
            self._key = digest(self._definitions)
        return self._folder / self._key / f"{hashlib.sha256(name.encode()).hexdigest()[:32]}.json"


def _sum(plan: Any) -> str:
    return hashlib.sha256(encode(plan)).hexdigest()


def _forget(folder: Path) -> None:
    """Remove the plans of the sets of definitions that were used longest ago, and nothing else.

    The folder may be one of the user's: only folders named as a key names them are ours.
    """
    ours = (
        path
        for path in folder.iterdir()
        if re.fullmatch(r"[0-9a-f]{32}", path.name) and path.is_dir() and not path.is_symlink()
    )
    kept = sorted(ours, key=lambda path: path.stat().st_mtime, reverse=True)
    for old in kept[_MOST_SETS:]:
        shutil.rmtree(old, ignore_errors=True)


def digest(definitions: Definitions) -> str:
    """Return a key of all that a plan depends on: our code, R4's definitions, the others."""
    whole = hashlib.sha256(f"{__version__} {_FORM} {_standing_digest()}".encode())
    if definitions.with_ours:
        for path in our_files():
            whole.update(path.read_bytes())
    for (kind, url), entry in sorted(definitions.supplied.items(), key=lambda item: item[0]):
        # 1.5 and "1.5" are different ones, and half a character is none that can be encoded.
        body = repr(entry.definition).encode("utf-8", "backslashreplace")
        whole.update(f"{kind} {url} {len(body)} ".encode() + body)
    return whole.hexdigest()[:32]


@cache
def _standing_digest() -> str:
    """Return a key of R4's definitions and of the code that makes snapshots of them."""
    folder = files("fhirdrain.conformance")
    names = ("r4/definitions.txt", "r4/constraints.txt", "snapshot.py", "tree.py")
    return hashlib.sha256(b"".join(folder.joinpath(n).read_bytes() for n in names)).hexdigest()

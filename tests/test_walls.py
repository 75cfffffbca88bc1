"""The walls between the rooms: a room imports only from floors below it."""

from __future__ import annotations

import ast
from pathlib import Path

import fhirdrain

PACKAGE = Path(fhirdrain.__file__).parent

FLOORS = [
    {"errors"},
    {"issues", "log", "storefile", "packed", "spread"},
    {"vocabulary"},
    {"exchange", "conformance", "bedside"},
    {"site"},
    {"intake", "resources", "store", "handoff", "sandbox"},
    {"survey"},
    {"street"},
    {"cli"},
]
# These two serve others than us and know less than their floor would let them.
NARROWER = {
    "conformance": {"errors", "issues", "packed", "vocabulary"},
    "exchange": {"errors", "issues", "log", "vocabulary"},
    "sandbox": {"errors", "issues", "vocabulary", "conformance"},
}
# The version is everybody's.
OUTSIDE = {"__init__", "__main__"}


def modules():
    for path in sorted(PACKAGE.rglob("*.py")):
        yield path, path.relative_to(PACKAGE).with_suffix("").parts[0]


def rooms_imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "fhirdrain" and len(parts) > 1 and parts[1] != "__version__":
                found.add(parts[1])
    return found


def allowed(room: str) -> set[str]:
    if room in NARROWER:
        return NARROWER[room] | {room}
    below: set[str] = set()
    for floor in FLOORS:
        if room in floor:
            return below | {room}
        below |= floor
    raise AssertionError(f"{room} is on no floor")


def test_rooms_import_only_from_floors_below():
    wrong = []
    for path, room in modules():
        if room not in OUTSIDE:
            more = rooms_imported(path) - allowed(room)
            wrong += [f"{path.relative_to(PACKAGE)} imports {other}" for other in sorted(more)]
    assert wrong == []


def test_the_test_sees_imports():
    assert "vocabulary" in rooms_imported(PACKAGE / "bedside" / "totals.py")
    assert {"intake", "resources", "store"} <= rooms_imported(PACKAGE / "street" / "mapping.py")


def test_every_module_says_what_it_is_for():
    for path, _ in modules():
        assert ast.get_docstring(ast.parse(path.read_text("utf-8"))), path


def test_optional_libraries_sit_behind_one_module_each():
    holders = {
        name: {
            p.relative_to(PACKAGE).as_posix()
            for p, _ in modules()
            if f"{name}" in p.read_text("utf-8")
        }
        for name in (
            "fhir.resources.R4B",
            "from ucumvert",
            "import starlette",
            "from starlette",
            "import uvicorn",
            "import zstandard",
            "import distributed",
        )
    }
    assert holders.pop("from ucumvert") == {"conformance/ucum.py"}
    assert holders["fhir.resources.R4B"] == {"resources/typed.py"}
    assert holders.pop("import zstandard") == {"packed.py"}
    assert holders.pop("import distributed") == {"spread/cluster.py"}
    assert all(h.startswith("sandbox/") for n, hs in holders.items() if "fhir" not in n for h in hs)

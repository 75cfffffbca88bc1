"""The package: whole, under another base but for the code system, and the same to the last byte."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import tarfile

import pytest

from fhirdrain.errors import ConfigurationError
from fhirdrain.street.packaging import write_package
from fhirdrain.vocabulary.codes import BASE, LOCAL
from tests.cli.test_commands import run
from tests.conftest import ROOT

PROFILES = ROOT / "profiles"
PIER = "https://north-pier.example/fhir"


def written(*args):
    stream = io.BytesIO()
    write_package(stream, *args)
    return stream.getvalue()


def unpacked(data):
    with tarfile.open(fileobj=io.BytesIO(data), mode="r:gz") as archive:
        members = archive.getmembers()
        assert all(m.isfile() and (m.mtime, m.uid, m.uname) == (0, 0, "") for m in members)
        return {m.name: archive.extractfile(m).read().decode() for m in members}


@pytest.fixture(scope="module")
def moved():
    return unpacked(written(PIER))


def strings(value):
    """Yield every string of a JSON value with the keys that lead to it."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from (((key, *path), text) for path, text in strings(inner))
    elif isinstance(value, list):
        for inner in value:
            yield from strings(inner)
    elif isinstance(value, str):
        yield (), value


def test_without_a_base_it_is_what_lies_in_the_folder():
    files = unpacked(written())
    here = {f"package/{p.name}": p for p in PROFILES.glob("*.json")}
    here |= {f"package/example/{p.name}": p for p in (PROFILES / "examples").glob("*.json")}
    assert files.keys() == here.keys()
    assert {"package/package.json", "package/.index.json"} < files.keys()
    differing = [
        n for n, text in files.items() if json.loads(text) != json.loads(here[n].read_text())
    ]
    assert differing == []


def test_no_url_of_ours_is_left_but_the_code_system(moved):
    left = {
        text for file in moved.values() for _, text in strings(json.loads(file)) if BASE in text
    }
    assert all(text.replace(LOCAL, "").count(BASE) == 0 for text in left)
    assert LOCAL in left


def test_the_code_system_is_the_same(moved):
    name = "CodeSystem-drain.json"
    assert moved[f"package/{name}"] == (PROFILES / name).read_text()
    assert json.loads(moved[f"package/{name}"])["url"] == LOCAL


def test_all_that_refers_to_what_moved_leads_to_it(moved):
    """Every canonical under the new base is the url of a resource of the package."""
    bodies = {name: json.loads(text) for name, text in moved.items()}
    urls = {
        b["url"] for n, b in bodies.items() if not n.startswith("package/example") and "url" in b
    }
    referring = {}
    for body in bodies.values():
        for path, text in strings(body):
            if text.startswith(f"{PIER}/"):
                assert text in urls
                referring.setdefault(path[-1], set()).add(text)
    # A snapshot's constraints name their source too.
    assert referring.keys() - {"source"} == {
        "url", "baseDefinition", "targetProfile", "valueSet", "fixedUri", "profile",
        "sourceCanonical", "exampleCanonical",
    }  # fmt: skip
    assert bodies["package/package.json"]["canonical"] == PIER


def test_numbers_keep_their_digits(moved):
    name = "Observation-water-seal-level.json"
    assert '"value": 2.0,' in moved[f"package/example/{name}"]


def test_it_is_the_same_to_the_last_byte():
    assert written(PIER) == written(PIER)
    # RFC 1952: no name, no time.
    assert written(PIER)[3:8] == b"\0\0\0\0\0"


@pytest.mark.parametrize(
    ("args", "name"),
    [
        ((), "fhirdrain.profiles"),
        ((PIER,), "example.north-pier.fhirdrain"),
        (("http://Ward.Example:8080",), "example.ward.fhirdrain"),
        ((PIER, "pier.drains"), "pier.drains"),
        (("http://127.0.0.1/fhir", "pier.drains"), "pier.drains"),
    ],
)
def test_its_name(args, name):
    files = unpacked(written(*args))
    assert json.loads(files["package/package.json"])["name"] == name
    guide = json.loads(files["package/ImplementationGuide-fhirdrain.json"])
    assert guide["packageId"] == name


@pytest.mark.parametrize(
    "base",
    [
        "", "north-pier.example/fhir", "/fhir", "ftp://north-pier.example", "http://", "https:///fhir",
        f"{PIER}/", f"{PIER}#a", f"{PIER}?a=b", f"{PIER}|1", f"{PIER}/a b", f'{PIER}/"', f"{PIER}\n",
        "https://north-pier.example:99999", "https://north-pier.example:x", "https://[::1",
        "https://user@north-pier.example", f"{PIER}//a",
    ],
)  # fmt: skip
def test_a_base_that_is_none_is_refused(base):
    with pytest.raises(ConfigurationError, match="absolute http or https URL"):
        written(base)


@pytest.mark.parametrize("name", ["drains", "Pier.drains", "pier..drains", "pier.drains ", "-a.b"])
def test_a_name_that_is_none_is_refused(name):
    with pytest.raises(ConfigurationError, match="name of a package"):
        written(PIER, name)


def test_a_host_without_a_name_needs_one():
    with pytest.raises(ConfigurationError, match="--name"):
        written("http://127.0.0.1/fhir")


def test_the_command(tmp_path):
    file = tmp_path / "pier.tgz"
    assert run("package", "--base", PIER, "--out", file)[:2] == (0, "")
    assert file.read_bytes() == written(PIER)
    piped = subprocess.run(
        [sys.executable, "-m", "fhirdrain", "package", "--base", PIER, "--out", "-"],
        capture_output=True,
        cwd=ROOT,
        check=True,
    )
    assert piped.stdout == written(PIER)
    for wrong in (("--base", f"{PIER}/"), ("--base", "pier"), ("--name", "x")):
        code, out, err = run("package", *wrong, "--out", tmp_path / "no.tgz")
        assert (code, out) == (2, "")
        assert len(err.splitlines()) == 1
    assert not (tmp_path / "no.tgz").exists()

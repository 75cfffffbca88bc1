"""Supplied definitions: every form they come in, and archives that mean harm."""

from __future__ import annotations

import gzip
import io
import json
import os
import tarfile
import time
from pathlib import Path

import pytest

from fhirdrain.conformance import archives
from fhirdrain.conformance.definitions import Definitions
from fhirdrain.conformance.packages import supplied
from fhirdrain.errors import SourceError

A = "https://a.example/"
PROFILE = {
    "resourceType": "StructureDefinition",
    "id": "p",
    "url": A + "p",
    "fhirVersion": "4.0.1",
    "kind": "resource",
    "type": "Observation",
    "derivation": "constraint",
}
CODES = {"resourceType": "CodeSystem", "url": A + "c", "content": "complete"}
VALUES = {"resourceType": "ValueSet", "url": A + "v"}
MAP = {"resourceType": "ConceptMap", "id": "m", "url": A + "m", "status": "active"}
PATIENT = {"resourceType": "Patient", "id": "p1"}
MANIFEST = {"name": "a.example", "version": "1.0.0", "fhirVersions": ["4.0.1"]}


def bundle(*entries, **more):
    return {"resourceType": "Bundle", "type": "collection", "entry": list(entries)} | more


def raw(value):
    return value if isinstance(value, bytes) else json.dumps(value).encode()


def member(name, data=b"", kind=tarfile.REGTYPE, link=""):
    info = tarfile.TarInfo(name)
    info.type, info.linkname = kind, link
    info.size = len(data) if kind == tarfile.REGTYPE else 0
    return info, data


def packed(path, *members):
    with tarfile.open(path, "w:gz") as archive:
        for info, data in members:
            archive.addfile(info, io.BytesIO(data) if info.isreg() else None)
    return path


def package(path, manifest=MANIFEST, more=(), **files):
    members = [member(f"package/{name}.json", raw(value)) for name, value in files.items()]
    if manifest is not None:
        members.append(member("package/package.json", raw(manifest)))
    return packed(path, *members, *more)


def file(path, value):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(raw(value))
    return path


def urls(found):
    return sorted(entry.definition["url"].removeprefix(A) for entry in found.definitions)


def told(found, severity="error"):
    return [issue.message for issue in found.issues if issue.severity == severity]


def only(found):
    assert len(found.issues) == 1, found.issues
    return found.issues[0]


# -- forms ----------------------------------------------------------------------------------------


def test_a_folder_gives_its_files_and_those_of_a_package_in_it(tmp_path):
    file(tmp_path / "p.json", PROFILE)
    file(tmp_path / "package" / "c.json", CODES)
    file(tmp_path / "package" / "m.json", MAP)
    file(tmp_path / "package" / "deep" / "v.json", VALUES)
    file(tmp_path / ".index.json", b"not JSON at all")
    file(tmp_path / "notes.txt", b"not JSON at all")
    file(tmp_path / "package" / "package.json", MANIFEST)
    found = supplied([tmp_path])
    assert urls(found) == ["c", "p"]
    assert set(found.instances) == {"ConceptMap/m", A + "m"}
    assert found.issues == []
    origins = {entry.origin for entry in found.definitions}
    assert origins == {str(tmp_path / "p.json"), str(tmp_path / "package" / "c.json")}


def test_a_file_gives_one_definition(tmp_path):
    found = supplied([file(tmp_path / "p.json", PROFILE), file(tmp_path / "v.JSON", VALUES)])
    assert urls(found) == ["p", "v"]
    assert found.issues == []
    definitions, left_out = Definitions().extended(found.definitions)
    assert left_out == []
    assert definitions.structure(A + "p") == PROFILE


def test_a_bundle_gives_each_of_its_entries(tmp_path):
    inner = bundle({"resource": VALUES})
    path = file(
        tmp_path / "b.json",
        bundle(
            {"resource": PROFILE},
            {"fullUrl": "urn:uuid:1", "resource": PATIENT},
            {"resource": inner},
            {"request": {"method": "DELETE", "url": "Patient/1"}},
            id="b",
        ),
    )
    found = supplied([path])
    assert urls(found) == ["p", "v"]
    assert set(found.instances) == {"Bundle/b", "Patient/p1", "urn:uuid:1"}
    assert found.instances["urn:uuid:1"] == PATIENT
    assert found.definitions[1].origin == f"{path} Bundle.entry[2].resource.entry[0].resource"
    assert only(found).location == "Bundle.entry[3].resource"


@pytest.mark.parametrize("name", ["a.tgz", "a.tar.gz", "A.TGZ"])
def test_a_package_gives_the_files_of_its_package_folder(tmp_path, name):
    more = [
        member("package/.index.json", b"not JSON at all"),
        member("package/example/e.json", b"not JSON at all"),
        member("package/readme.md", b"not JSON at all"),
        member("other.json", b"not JSON at all"),
        member("./package/v.json", raw(VALUES)),
        member("package", kind=tarfile.DIRTYPE),
    ]
    path = package(tmp_path / name, p=PROFILE, c=CODES, pat=PATIENT, more=more)
    found = supplied([path])
    assert found.issues == []
    assert urls(found) == ["c", "p", "v"]
    assert set(found.instances) == {"Patient/p1"}
    assert found.definitions[0].origin == f"{path}!package/p.json"
    assert [p.name for p in tmp_path.iterdir()] == [name]  # nothing was unpacked to disk


def test_numbers_keep_their_digits(tmp_path):
    text = b'{"resourceType":"Observation","id":"o","valueQuantity":{"value":19.00}}'
    found = supplied([file(tmp_path / "o.json", text)])
    assert str(found.instances["Observation/o"]["valueQuantity"]["value"]) == "19.00"


# -- paths that cannot be used --------------------------------------------------------------------


def test_a_path_that_is_none_of_these_stops_the_command(tmp_path):
    (tmp_path / "empty").mkdir()
    wrong = {
        tmp_path / "gone.json": "is not there",
        tmp_path / "empty": "has no .json files",
        file(tmp_path / "p.xml", b"<StructureDefinition/>"): "is no definition in JSON",
        file(tmp_path / "p.tgz", raw(PROFILE)): "not packed with gzip",
        Path(os.devnull): "is neither a file nor a folder",
    }
    for path, why in wrong.items():
        with pytest.raises(SourceError, match=why) as caught:
            supplied([path])
        assert caught.value.place == str(path)
        assert caught.value.exit_code == 2


def test_a_file_that_may_not_be_read_stops_the_command(tmp_path, monkeypatch):
    path = file(tmp_path / "p.json", PROFILE)

    def refuse(self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(SourceError, match="Permission denied"):
        supplied([path])


# -- what is wrong in a file ----------------------------------------------------------------------


def test_what_is_not_json_is_an_issue_with_its_place_and_the_rest_is_read(tmp_path):
    path = package(tmp_path / "a.tgz", bad=b'{"resourceType":\n  "ValueSet",,}', p=PROFILE)
    found = supplied([path])
    assert urls(found) == ["p"]
    issue = only(found)
    assert (issue.rule, issue.severity) == ("definition", "error")
    assert issue.file == f"{path}!package/bad.json"
    assert (issue.line, issue.column) == (2, 14)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "empty"),
        (b"[]", "JSON object"),
        (b"7", "JSON object"),
        (b"null", "JSON object"),
        (b'{"resourceType": "ValueSet", "url": "\xff"}', "not UTF-8"),
        (b'{"a":' * 5000 + b"1" + b"}" * 5000, "nested more than"),
        (b'{"a":' * 200 + b"1" + b"}" * 200, "nested more than"),
        ({"resourceType": "ValueSet"}, "has no url"),
        ({"resourceType": "ValueSet", "url": 7}, "has no url"),
        ({"resourceType": "StructureDefinition", "url": A + "p"}, "has no type"),
        (b'{"resourceType":"ValueSet","url":"a","url":"b"}', "a key stands twice"),
        ({"resourceType": "Bundle", "entry": "a"}, "not an array"),
    ],
)
def test_a_file_that_cannot_be_used_is_an_issue_and_the_next_is_read(tmp_path, data, why):
    found = supplied([file(tmp_path / "bad.json", data), file(tmp_path / "p.json", PROFILE)])
    assert "p" in urls(found)
    assert why in only(found).message
    assert only(found).is_error
    assert only(found).file == str(tmp_path / "bad.json")


def test_nesting_up_to_the_bound_is_read(tmp_path):
    deep = b'{"resourceType":"Basic","id":"b","a":' + b'{"a":' * 99 + b"1" + b"}" * 100
    found = supplied([file(tmp_path / "b.json", deep)])
    assert found.issues == []
    assert "Basic/b" in found.instances


def test_other_json_is_left_aside_and_said_so(tmp_path):
    found = supplied([file(tmp_path / "o.json", {"openapi": "3.0"})])
    assert only(found).severity == "information"


def test_a_second_definition_of_a_url_is_an_issue_that_names_both(tmp_path):
    one = file(tmp_path / "one.json", PROFILE)
    two = file(tmp_path / "two.json", PROFILE | {"type": "Patient"})
    same = file(tmp_path / "same.json", PROFILE)
    found = supplied([one, two, same])
    assert [entry.definition for entry in found.definitions] == [PROFILE]
    issue = only(found)
    assert issue.is_error
    assert issue.file == str(two)
    assert str(one) in issue.message
    # A value set and a code system may share one.
    assert supplied([file(tmp_path / "c.json", CODES | {"url": A + "p"}), one]).issues == []


def test_a_second_resource_of_an_id_is_a_warning(tmp_path):
    one = file(tmp_path / "one.json", PATIENT)
    two = file(tmp_path / "two.json", PATIENT | {"active": True})
    found = supplied([one, two, one])
    assert found.instances == {"Patient/p1": PATIENT}
    assert only(found).severity == "warning"
    assert str(one) in only(found).message


@pytest.mark.parametrize(
    ("version", "warned"),
    [("4.0.1", 0), ("4.0.0", 0), ("4.3.0", 0), ("5.0.0", 1), ("3.0.2", 1), (5, 1)],
)
def test_a_profile_for_another_release_is_taken_with_a_warning(tmp_path, version, warned):
    found = supplied([file(tmp_path / "p.json", PROFILE | {"fhirVersion": version})])
    assert urls(found) == ["p"]
    assert [i.severity for i in found.issues] == ["warning"] * warned


def test_a_logical_model_is_no_definition_of_a_resource(tmp_path):
    found = supplied([file(tmp_path / "l.json", PROFILE | {"kind": "logical"})])
    assert found.definitions == []
    assert set(found.instances) == {"StructureDefinition/p", A + "p"}
    assert found.issues == []


# -- what a package says of itself ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("stated", "severity", "read"),
    [
        (["4.0.1"], None, True),
        (["4.0.0", "3.0.2"], None, True),
        (["4.3.0"], "warning", True),
        (["4.3.0", "4.0.1"], None, True),
        (["5.0.0"], "error", False),
        (["3.0.2", "4.1.0"], "error", False),
        ([], "warning", True),
        ("4.0.1", "warning", True),
        (None, "warning", True),
    ],
)
def test_a_package_is_for_a_release_of_fhir(tmp_path, stated, severity, read):
    path = package(tmp_path / "a.tgz", MANIFEST | {"fhirVersions": stated}, p=PROFILE)
    found = supplied([path])
    assert urls(found) == ["p"] * read
    assert [i.severity for i in found.issues] == ([severity] if severity else [])
    if severity:
        assert only(found).file == f"{path}!package/package.json"


def test_an_archive_without_a_manifest_is_read_with_a_warning(tmp_path):
    found = supplied([package(tmp_path / "a.tgz", None, p=PROFILE)])
    assert urls(found) == ["p"]
    assert only(found).severity == "warning"


def test_what_a_package_depends_on_is_named_unless_it_is_supplied(tmp_path):
    needs = {"hl7.fhir.r4.core": "4.0.1", "b.example": "1.0.0", "c\x1b[31m.example": "2"}
    a = package(tmp_path / "a.tgz", MANIFEST | {"dependencies": needs}, p=PROFILE)
    b = package(tmp_path / "b.tgz", MANIFEST | {"name": "b.example"}, v=VALUES)
    alone, both = supplied([a]), supplied([a, b])
    assert [i.rule for i in alone.issues] == ["not-supported"] * 2
    assert {i.severity for i in alone.issues} == {"warning"}
    assert "depends on b.example," in alone.issues[0].message
    assert "c?[31m.example" in only(both).message
    broken = package(tmp_path / "c.tgz", MANIFEST | {"dependencies": ["b.example"]}, p=PROFILE)
    assert "not an object" in only(supplied([broken])).message


def test_r4s_own_package_is_left_aside(tmp_path):
    path = package(tmp_path / "a.tgz", MANIFEST | {"name": "hl7.fhir.r4.core"}, p=PROFILE)
    found = supplied([path])
    assert (found.definitions, found.instances) == ([], {})
    assert only(found).severity == "information"


# -- archives that mean harm ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "../package/x.json",
        "package/../../x.json",
        "package/..",
        "/package/x.json",
        "//package/x.json",
        "C:/package/x.json",
        "c:x.json",
        "package\\x.json",
        "..\\x.json",
    ],
)
def test_a_name_that_leads_out_of_the_archive_is_refused(tmp_path, name):
    path = package(tmp_path / "a.tgz", more=[member(name, raw(VALUES))], p=PROFILE)
    found = supplied([path])
    assert urls(found) == ["p"]
    assert "leads out" in only(found).message
    assert only(found).file == f"{path}!{name}"
    assert [p.name for p in tmp_path.iterdir()] == ["a.tgz"]


@pytest.mark.parametrize(
    "kind",
    [tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.CHRTYPE, tarfile.BLKTYPE, tarfile.FIFOTYPE],
)
def test_links_and_devices_are_refused(tmp_path, kind):
    secret = file(tmp_path / "secret.json", VALUES)
    link = member("package/x.json", kind=kind, link=str(secret))
    found = supplied([package(tmp_path / "a.tgz", more=[link], p=PROFILE)])
    assert urls(found) == ["p"]
    assert only(found).is_error
    assert "is not read" in only(found).message


def test_a_link_to_a_file_before_it_in_the_archive_is_refused_too(tmp_path):
    link = member("package/x.json", kind=tarfile.LNKTYPE, link="package/p.json")
    assert "link" in only(supplied([package(tmp_path / "a.tgz", more=[link], p=PROFILE)])).message


def test_in_a_folder_links_to_outside_and_what_is_no_file_are_refused(tmp_path):
    secret = file(tmp_path / "outside" / "secret.json", VALUES)
    folder = tmp_path / "folder"
    file(folder / "p.json", PROFILE)
    (folder / "out.json").symlink_to(secret)
    (folder / "in.json").symlink_to(folder / "p.json")
    (folder / "dir.json").mkdir()
    os.mkfifo(folder / "pipe.json")
    found = supplied([folder])
    assert urls(found) == ["p"]
    assert [Path(i.file).name for i in found.issues] == ["dir.json", "out.json", "pipe.json"]


def test_a_file_that_stands_twice_is_read_once(tmp_path):
    again = member("package/p.json", raw(PROFILE | {"type": "Patient"}))
    found = supplied([package(tmp_path / "a.tgz", more=[again], p=PROFILE)])
    assert [entry.definition for entry in found.definitions] == [PROFILE]
    assert "stands twice" in only(found).message


def test_a_name_that_would_colour_a_terminal_is_shown_harmless(tmp_path):
    path = package(tmp_path / "a.tgz", more=[member("package/\x1b[2Jx.json", b"{")])
    assert only(supplied([path])).file == f"{path}!package/?[2Jx.json"


def test_a_bomb_is_stopped_before_it_has_gone_off(tmp_path):
    path = tmp_path / "a.tgz"
    info, data = member("package/p.json", raw(PROFILE))
    with (
        gzip.open(path, "wb", compresslevel=9) as stream,
        tarfile.open(fileobj=stream, mode="w|") as archive,
    ):
        archive.addfile(info, io.BytesIO(data))
        info = tarfile.TarInfo("package/other/zeros.bin")
        info.size = 200 << 20
        archive.addfile(info, Zeros(info.size))
    assert path.stat().st_size < 1 << 20
    began = time.perf_counter()
    found = supplied([path])
    assert time.perf_counter() - began < 5
    assert urls(found) == ["p"]
    assert "times its size" in told(found)[0]


class Zeros(io.RawIOBase):
    """So many zeros, without holding them."""

    def __init__(self, size):
        self.left = size

    def read(self, size=-1):
        size = min(size, self.left)
        self.left -= size
        return bytes(size)


def test_bounds_of_size_and_number(tmp_path, monkeypatch):
    noise = os.urandom(3000).hex().encode()
    big = raw(VALUES | {"title": noise.decode()})
    path = package(tmp_path / "a.tgz", p=PROFILE, v=big, c=CODES)
    assert urls(supplied([path])) == ["c", "p", "v"]

    monkeypatch.setattr(archives, "MOST_FILE_BYTES", 5000)
    found = supplied([path])
    assert urls(found) == ["c", "p"]
    assert "larger than" in only(found).message
    assert only(found).file == f"{path}!package/v.json"
    file(tmp_path / "f" / "v.json", big)
    assert "larger than" in only(supplied([tmp_path / "f"])).message

    monkeypatch.setattr(archives, "MOST_FILE_BYTES", 1 << 20)
    monkeypatch.setattr(archives, "MOST_BYTES", 8000)
    assert "unpacks to more than" in told(supplied([path]))[0]

    monkeypatch.setattr(archives, "MOST_BYTES", 1 << 20)
    monkeypatch.setattr(archives, "MOST_FILES", 2)
    assert "more than 2 files" in told(supplied([path]))[0]
    for name in ("a", "b", "c"):
        file(tmp_path / "g" / f"{name}.json", CODES)
    assert "more than 2 files" in told(supplied([tmp_path / "g"]))[0]


def broken_archives():
    """Yield what is done to a good archive's bytes, unpacked, and whether its first file is read."""
    yield "cut in the second file", lambda tar: tar[:1550], True
    yield "cut in a header", lambda tar: tar[:1100], True
    yield "a broken header", lambda tar: tar[:1024] + b"x" * 512 + tar[1536:], True
    yield "a broken checksum", lambda tar: tar[:1170] + b"9" + tar[1171:], True
    yield "a size below zero", lambda tar: resized(tar, b"\xff" * 12), True
    yield "a size beyond the end", lambda tar: resized(tar, b"77777777777\0"), True
    vast = b"\x80" + (2**62).to_bytes(11, "big")  # in base 256, as GNU tar writes it
    yield "a size beyond all measure", lambda tar: resized(tar, vast), True
    yield "no archive", lambda tar: b"x" * 2000, False
    yield "nothing", lambda tar: b"", False


def resized(tar, size):
    """Return an archive whose second header has another size, and a right checksum."""
    header = bytearray(tar[1024:1536])
    header[124:136] = size
    header[148:156] = b" " * 8
    header[148:156] = b"%06o\0 " % sum(header)
    return tar[:1024] + bytes(header) + tar[1536:]


@pytest.mark.parametrize(
    ("change", "first"), [pytest.param(c, f, id=name) for name, c, f in broken_archives()]
)
def test_a_broken_archive_is_an_issue_and_what_came_before_is_read(tmp_path, change, first):
    good = package(tmp_path / "good.tgz", None, p=PROFILE, v=VALUES)
    path = tmp_path / "bad.tgz"
    path.write_bytes(gzip.compress(change(gzip.decompress(good.read_bytes()))))
    began = time.perf_counter()
    found = supplied([path])
    assert time.perf_counter() - began < 5
    assert urls(found) == ["p"] * first
    # What is wrong with the one file that is damaged may be said beside it.
    assert any(what.endswith("is read no further") for what in told(found))
    assert all(issue.is_error or issue.severity == "warning" for issue in found.issues)


@pytest.mark.parametrize("keep", [3, 15, 0.5, 0.9])
def test_a_package_that_was_cut_short_is_an_issue(tmp_path, keep):
    data = package(tmp_path / "good.tgz", p=PROFILE, v=VALUES).read_bytes()
    path = tmp_path / "bad.tgz"
    path.write_bytes(data[: keep if keep > 1 else int(len(data) * keep)])
    assert "the archive is broken, and is read no further" in told(supplied([path]))


def test_what_follows_the_end_of_an_archive_is_not_passed_in_silence(tmp_path):
    path = package(tmp_path / "a.tgz", p=PROFILE)
    tar = gzip.decompress(path.read_bytes())
    hidden = gzip.decompress(package(tmp_path / "b.tgz", v=VALUES).read_bytes())
    path.write_bytes(gzip.compress(tar + hidden))
    found = supplied([path])
    assert urls(found) == ["p"]
    assert "broken" in told(found)[0]


def test_a_header_that_goes_on_and_on_is_stopped(tmp_path):
    """A pax header of 100 MB in front of a file: `tarfile` would hold it whole, and then parse it."""
    path = tmp_path / "a.tgz"
    with gzip.open(path, "wb") as stream:
        head = tarfile.TarInfo("x")
        head.type, head.size = tarfile.XHDTYPE, 100 << 20
        stream.write(head.tobuf(tarfile.USTAR_FORMAT))
        for _ in range(100):
            stream.write(b"9" * (1 << 20))
    began = time.perf_counter()
    assert told(supplied([path]))
    assert time.perf_counter() - began < 5

"""map and check, dealt out: the commands say what they say in one process, and spoil nothing."""

from __future__ import annotations

import gzip
import json
import os
import signal
import subprocess
import sys
import time

import pytest

from tests.benchmarks.chart import SITE, SOURCE, write_chart
from tests.cli.test_commands import run
from tests.conftest import HEADER, row, site_text


@pytest.fixture
def work(tmp_path):
    (tmp_path / "site.toml").write_text(site_text())
    (tmp_path / "in").mkdir()
    write(tmp_path / "in" / "a.csv", row(id="1", item="lvl", value="5", unit="mls"),
          row(id="2", item="odd", value="5"))  # fmt: skip
    write(tmp_path / "in" / "b.csv", row(id="3", pat="p-2", item="lvl", value="7"))
    return tmp_path


def write(path, *lines):
    path.write_text("\n".join([",".join(HEADER), *lines]) + "\n")


def map_(work, *args, **more):
    return run("map", *args, "--site", "site.toml", cwd=work, **more)


def tree(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.parametrize("how", [["--workers", "1"], ["--workers", "2", "--shards", "3"]])
def test_the_same_is_written_and_said(work, how):
    alone = map_(work, "in", "--out", "o.json", "--rejects", "r.csv")
    before = tree(work)
    dealt = map_(work, "in", "--out", "o.json", "--rejects", "r.csv", *how)
    assert dealt == alone
    assert alone[0] == 1
    assert "in/a.csv:3" in alone[2]
    assert 'unit "mls" read as mL: 1 times' in alone[2]
    assert tree(work) == before


def test_a_folder_in_and_a_folder_out(work):
    code, out, err = map_(work, "in", "--out", "out/", "--compress", "gzip", "--workers", "2")
    assert (code, out) == (1, "")
    assert {path.name for path in (work / "out").iterdir()} == {
        "Device.ndjson.gz", "DeviceUseStatement.ndjson.gz", "Observation.ndjson.gz", "manifest.json",
    }  # fmt: skip
    lines = gzip.decompress((work / "out" / "Observation.ndjson.gz").read_bytes()).splitlines()
    manifest = json.loads((work / "out" / "manifest.json").read_bytes())
    assert {one["type"]: one["count"] for one in manifest["output"]} == {
        "Device": 2, "DeviceUseStatement": 2, "Observation": len(lines),
    }  # fmt: skip
    assert (manifest["requiresAccessToken"], manifest["error"]) == (False, [])
    assert run("check", "out", cwd=work)[0] == 0
    assert run("compare", "out", "out", cwd=work)[0] == 0
    assert "mls" in err


def test_packed_files_in_and_out(work):
    path = work / "in" / "a.csv"
    path.with_suffix(".csv.gz").write_bytes(gzip.compress(path.read_bytes()))
    path.unlink()
    code, _, err = map_(work, "in", "--out", "o.json.gz", "--rejects", "r.csv.gz")
    assert code == 1
    bundle = json.loads(gzip.decompress((work / "o.json.gz").read_bytes()))
    assert bundle["type"] == "transaction"
    assert b"fhirdrain_why" in gzip.decompress((work / "r.csv.gz").read_bytes())
    assert run("check", "o.json.gz", cwd=work)[0] == 0
    assert "3 items in = 2 mapped + 1 rejected" in err


# -- what is refused, with nothing done ---------------------------------------------------------

REFUSED = {
    "out in the work": (["--out", "w/o.json", "--work", "w"], "lies in w"),
    "rejects in the work": (["--out", "o", "--rejects", "o.work/r"], "lies in o.work"),
    "a source in the work": (["--out", "o", "--work", "in"], "lies in in"),
    "out among the sources": (["--out", "in/o.json", "--rejects", "r"], "in/o.json: lies in in"),
    "rejects among the sources": (["--out", "o", "--rejects", "in/r"], "in/r: lies in in"),
    "work among the sources": (["--out", "o", "--work", "in/w"], "lies in in"),
    "rejects in the folder": (["--out", "f/", "--rejects", "f/r"], "f/r: lies in f"),
    "somebody's folder": (["--out", "o", "--work", "thesis"], "something else than unfinished"),
    "no folder": (["--out", "none/o"], "none/o: cannot be written: No such file or directory"),
    "a filled folder": (["--out", "thesis/"], "thesis/: is there already"),
    "a bundle in a folder": (["--out", "f/", "--as", "collection"], "a folder holds NDJSON"),
    "a file by an option": (["--out", "o", "--compress", "gzip"], "a file is packed by its name"),
    "a store": (["--out", "o", "--store", "s.db"], "written by one process alone"),
    "two ways": (["--out", "o", "--cluster", "tcp://127.0.0.1:9"], "either processes"),
    "none": (["--out", "o", "--workers", "0"], "Invalid value for '--workers'"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_is_said_before_anything_is_done(work, name):
    args, said = REFUSED[name]
    (work / "thesis").mkdir()
    (work / "thesis" / "chapter.txt").write_text("all of it")
    before = tree(work)
    code, out, err = map_(work, "in", *(args if "0" in args else ["--workers", "2", *args]))
    assert (code, out) == (2, "")
    assert said in err
    after = {name: data for name, data in tree(work).items() if not name.startswith("s.db")}
    assert after == before


def test_a_folder_with_what_cannot_be_looked_into(work):
    (work / "in" / "gone.csv").symlink_to(work / "nowhere.csv")
    code, _, err = map_(work, "in", "--out", "o.json")
    assert code == 2
    assert "in/gone.csv: is a link to a folder, or no file" in err
    (work / "in" / "gone.csv").unlink()
    (work / "elsewhere").mkdir()
    (work / "in" / "more").symlink_to(work / "elsewhere")
    assert "in/more: is a link to a folder" in map_(work, "in", "--out", "o.json")[2]
    assert "elsewhere: the folder holds no such file" in map_(work, "elsewhere")[2]


def test_the_site_file_is_no_source_of_its_own_folder(work):
    (work / "in" / "site.toml").write_text(site_text())
    code, _, err = run("map", "in", "--site", "in/site.toml", "--out", "o.json", cwd=work)
    assert (code, "3 items in" in err) == (1, True)


def test_check_does_not_take_a_folder_that_it_is_given_for_its_work(work):
    assert map_(work, "in/b.csv", "--out", "bulk/")[0] == 0
    before = tree(work / "bulk")
    code, _, err = run("check", "bulk", "--workers", "1", "--work", "bulk", cwd=work)
    assert (code, "lies in bulk" in err) == (2, True)
    code, _, err = run("check", "o.json", "--workers", "1", "--work", "bulk", cwd=work)
    assert (code, "something else than unfinished work" in err) == (2, True)
    assert tree(work / "bulk") == before


def test_no_room_on_the_disk_is_said(work):
    if not os.access("/dev/full", os.W_OK):
        pytest.skip("there is no /dev/full")
    code, _, err = map_(work, "in", "--out", "/dev/full", "--workers", "2", "--rejects", "r.csv")
    assert (code, "No space left on device" in err) == (2, True)


@pytest.mark.parametrize("how", [["--workers", "1"], ["--workers", "2"]])
def test_interrupted_it_stops_at_once_and_goes_on_later(tmp_path, how):
    write_chart(tmp_path / "chart.csv", 40_000)
    command = [
        sys.executable, "-m", "fhirdrain", "map", "chart.csv", "--site", str(SITE), "--source",
        SOURCE, "--as", "ndjson", "--out", "o.ndjson", "--rejects", "r.csv", "--shards", "20", *how,
    ]  # fmt: skip
    process = subprocess.Popen(
        command, cwd=tmp_path, start_new_session=True, stderr=subprocess.PIPE, text=True
    )
    manifest = tmp_path / "o.ndjson.work" / "fhirdrain-work.json"
    end = time.monotonic() + 60
    while not (manifest.exists() and "part-" in manifest.read_text()):
        assert time.monotonic() < end
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=30)
    assert (process.returncode, err.strip()) == (130, "fhirdrain: interrupted")
    assert not (tmp_path / "o.ndjson").exists()
    kept = json.loads(manifest.read_text())["done"]
    assert kept
    again = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True)
    assert f"{len(kept)} pieces of work are done already" in again.stderr
    assert "40000 items in = 40000 mapped" in again.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"chart.csv", "o.ndjson"}

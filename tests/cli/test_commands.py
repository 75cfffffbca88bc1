"""The commands: exit codes, streams, messages, and never a traceback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread

import pytest

from fhirdrain.cli.main import COMMANDS
from tests.conftest import HEADER, ROOT, row, site_text

SCENARIO = ROOT / "sample_bundles" / "scenario"


def run(*args, stdin: bytes | None = None, cwd: Path | None = None, **env: str):
    result = subprocess.run(
        [sys.executable, "-m", "fhirdrain", *map(str, args)],
        input=stdin, capture_output=True, cwd=cwd, timeout=60, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), **env},
    )  # fmt: skip
    assert b"Traceback" not in result.stderr, result.stderr.decode()
    return result.returncode, result.stdout.decode(), result.stderr.decode()


@pytest.fixture
def work(tmp_path):
    (tmp_path / "site.toml").write_text(site_text())
    return tmp_path


def source(work, *lines, name="in.csv"):
    path = work / name
    path.write_text("\n".join([",".join(HEADER), *lines]) + "\n")
    return path


def map_(work, *args, **more):
    return run("map", *args, "--site", work / "site.toml", cwd=work, **more)


def test_every_command_is_documented_in_the_readme():
    readme = (ROOT / "README.md").read_text()
    for name in COMMANDS:
        assert f"`fhirdrain {name}" in readme
        code, out, _ = run(name, "--help")
        assert code == 0
        assert out.startswith("Usage:")


def test_help_imports_no_heavy_library():
    code = "import sys; sys.argv=['fhirdrain','--help']\nfrom fhirdrain.cli.main import main\ntry: main()\nexcept SystemExit: pass\nprint(sorted({'pydantic','requests','starlette','uvicorn','msgspec'} & set(sys.modules)))"
    result = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert result.stdout.splitlines()[-1] == "[]"


def test_map_to_stdout_and_to_a_file(work):
    path = source(work, row(id="1", item="lvl", value="5"))
    code, out, err = map_(work, path)
    assert code == 0
    assert out.startswith('{"resourceType":"Bundle","type":"transaction"')
    assert "1 items in = 1 mapped + 0 rejected + 0 set aside" in err
    assert "without --store nothing is remembered" in err
    code, out, _ = map_(work, path, "--out", "o.json")
    assert (code, out) == (0, "")
    assert run("check", work / "o.json")[0] == 0


def test_refused_rows_make_exit_code_1_and_a_rejects_file(work):
    path = source(
        work, row(id="1", item="lvl", value="5"), row(id="2", item="lvl", value="4711.123")
    )
    code, _, err = map_(work, path, "--out", "o.json")
    assert code == 1
    assert f"{path}:3:" in err
    assert "4711" not in err
    assert "p-1" not in err
    assert "4711.123" in (work / "o.rejects.csv").read_text()
    code, _, err = map_(work, path, "--out", "o.json", "--show-values")
    assert "[4711.123]" in err
    assert (work / "o.rejects-2.csv").exists()


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("missing column", b"a,b\n1,2\n", 'the column "id" (row in the site file) is missing'),
        ("empty", b"", "is empty"),
        ("binary", b"\x7fELF\0\0\0", "binary file"),
        ("gone", None, "no such file"),
    ],
)
def test_files_that_cannot_be_read_stop_the_run_before_anything_is_written(
    work, name, content, message
):
    path = work / "bad.csv"
    if content is not None:
        path.write_bytes(content)
    code, _out, err = map_(work, path, "--out", "o.json")
    assert code == 2
    assert f"{path}" in err
    assert message in err
    assert len(err.strip().splitlines()) == 1
    assert not (work / "o.json").exists()
    assert [p.name for p in work.iterdir() if p.name.startswith(".o")] == []


def test_a_file_cut_short_loses_nothing(work):
    path = source(work, row(id="1", item="lvl", value="5"))
    path.write_text(path.read_text() + "2,p-1,,right 1,2025-01")
    code, _, err = map_(work, path, "--out", "o.json")
    assert code == 1
    assert "was the file cut short?" in err
    assert "2,p-1,,right 1,2025-01" in (work / "o.rejects.csv").read_text()


def test_sources_are_never_overwritten(work):
    path = source(work, row(id="1", item="lvl", value="x"))
    before = path.read_bytes()
    for args in (("--out", path), ("--out", "o.json", "--rejects", path)):
        code, _, _ = map_(work, path, *args)
        assert code == 2
        assert path.read_bytes() == before


@pytest.mark.parametrize(
    "args",
    [
        ("map",), ("map", "x.csv"), ("nonsense",), ("check",), ("post", "x"), ("read",),
        ("check", "x.json", "--report", "pdf"), ("sandbox", "--port", "x"), ("--nonsense",),
        ("check", "nowhere.json"), ("post", "nowhere.json", "--server", "http://127.0.0.1:1"),
        ("read", "--server", "nowhere"), ("read", "--server", "http://127.0.0.1:1", "--since", "today"),
        ("read", "--server", "http://127.0.0.1:1", "--patient", "4711"),
        ("site", "nowhere.toml"), ("sandbox", "--port", "99999"), ("sandbox", "--port", "-5"),
        ("tour", "--keep", "/proc/nowhere"), ("read", "--server", "http://[::1/fhir"),
        ("read", "--server", "http://127.0.0.1:1", "--since", "2025-01-02T00:00Z", "--until", "2025-01-01T00:00Z"),
        ("map", "x.csv", "--site", "site.toml", "--rejects", "nowhere/r.csv"),
    ],
)  # fmt: skip
def test_wrong_usage_is_exit_code_2(args, work):
    code, _, err = run(*args, cwd=work)
    assert code == 2, err
    assert err.strip()


def test_an_unknown_command_names_the_nearest():
    assert "Nearest: check" in run("chekc")[2]


def test_site(work):
    assert run("site", work / "site.toml")[0] == 0
    (work / "site.toml").write_text(site_text().replace("day_starts", "day_start"))
    code, out, _ = run("site", work / "site.toml")
    assert code == 2
    assert 'nearest known: "day_starts"' in out
    code, _, err = map_(work, source(work))
    assert code == 2
    assert "day_start" in err


def test_check_reports_as_text_and_as_operation_outcome(work):
    path = work / "b.json"
    path.write_text('{"resourceType": "Observation",\n "status": "done"}')
    code, out, _ = run("check", path)
    assert code == 1
    assert f"\n    {path}:2:2 Observation.status\n" in out
    code, out, _ = run("check", path, "--report", "operationoutcome")
    assert code == 1
    assert '"resourceType": "OperationOutcome"' in out
    assert '"diagnostics": "line 2, column 2; ' in out


@pytest.mark.parametrize(
    "content",
    [b"", b"\0\1\2", b"{", b'{"a": 1}', b"<html></html>", b'[{"resourceType":"Patient"}]'],
)
def test_check_of_what_is_no_fhir_is_exit_code_1(content, work):
    code, out, _ = run("check", "-", stdin=content)
    assert code == 1
    assert "<stdin>" in out


def test_warnings_fail_only_when_asked(work):
    path = work / "b.json"
    path.write_text('{"resourceType": "Patient", "meta": {"profile": ["https://x.example/p"]}}')
    assert run("check", path)[0] == 0
    assert run("check", path, "--fail-on", "warning")[0] == 1


# -- servers


class Page(BaseHTTPRequestHandler):
    status, kind, body = 200, "text/html", b"<html>hello</html>"

    def do_GET(self):
        self.send_response(self.status)
        self.send_header("Content-Type", self.kind)
        self.send_header("Content-Length", str(len(self.body)))
        self.end_headers()
        self.wfile.write(self.body)

    do_POST = do_GET

    def log_message(self, *args):
        pass


@pytest.fixture
def page():
    server = HTTPServer(("127.0.0.1", 0), Page)
    thread = Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


def bundle(work):
    path = source(
        work, row(id="1", item="lvl", value="5"), row(id="2", item="lvl", value="9", pat="p-2")
    )
    assert map_(work, path, "--out", "o.json")[0] == 0
    return work / "o.json"


def test_what_is_no_transaction_is_not_sent(work, server):
    data = ROOT / "sample_bundles" / "valid" / "rounds.ndjson"
    code, _, err = run("post", data, "--server", server)
    assert (code, "only transaction Bundles are posted" in err) == (1, True)


def test_a_server_that_answers_html_is_exit_code_3(work, page):
    for args in (("post", bundle(work)), ("read",)):
        code, out, err = run(*args, "--server", page)
        assert (code, out) == (3, "")
        assert "web page" in err


def test_a_server_that_is_not_there_is_exit_code_3(work):
    for args in (("post", bundle(work)), ("read",)):
        code, _, err = run(*args, "--server", "http://127.0.0.1:1/fhir")
        assert code == 3
        assert "no answer from the server" in err


def test_post_read_and_their_exit_codes(work, server):
    path = bundle(work)
    code, _, err = run("post", path, "--server", server)
    assert code == 1
    assert "6 parked" in err
    assert "p-1" not in err
    code, _, err = run("post", path, "--server", server, "--dry-run", "--create-patients")
    assert code == 0
    assert "6 entries in 2 transactions would be sent; nothing was" in err
    assert run("read", "--server", server)[1].count("\n") == 1
    code, _, err = run("post", path, "--server", server, "--create-patients")
    assert (code, "6 created" in err) == (0, True)
    code, _, err = run("post", "-", "--server", server, stdin=path.read_bytes())
    assert (code, "0 created, 6 there already and the same" in err) == (0, True)
    changed = path.read_text().replace('"value":9,', '"value":10,')
    code, _, err = run("post", "-", "--server", server, stdin=changed.encode())
    assert code == 1
    assert "the server holds something else: valueQuantity.value differs" in err
    code, out, _ = run("read", "--server", server, FHIRDRAIN_TOKEN="t0ken")
    assert code == 0
    assert out.count("\n") == 3
    for form in ("ndjson", "collection"):
        code, out, _ = run("read", "--server", server, "--as", form)
        assert run("check", "-", stdin=out.encode())[0] == 0
    broken = path.read_text().replace('"code":"mL"', '"code":"ML"')
    assert run("post", "-", "--server", server, stdin=broken.encode())[0] == 1


def test_a_lost_store_is_made_anew_from_a_server(work, server):
    rebuild = ("rebuild", "--site", work / "site.toml", "--server", server)
    assert run("post", bundle(work), "--server", server, "--create-patients")[0] == 0
    code, out, err = run(*rebuild, work / "new.sqlite")
    assert (code, out) == (0, "")
    assert "2 readings of 2 drains are in the store" in err
    assert "6 resources stand there as they would go out, 0 do not" in err
    assert "p-1" not in err
    assert oct((work / "new.sqlite").stat().st_mode)[-3:] == "600"
    code, _, err = run(*rebuild, work / "new.sqlite")
    assert (code, "the file is there already" in err) == (2, True)
    code, _, err = map_(work, work / "in.csv", "--store", "new.sqlite", "--out", "o2.json")
    assert (code, "going out: 6 sent" in err) == (0, True)
    assert run("rebuild", "x.sqlite", "--site", work / "site.toml", "--server", "nowhere")[0] == 2
    silent = ("--server", "http://127.0.0.1:1/fhir")
    code, _, err = run("rebuild", work / "x.sqlite", "--site", work / "site.toml", *silent)
    assert (code, (work / "x.sqlite").exists()) == (3, False)


def test_what_a_store_was_once_asked_for_is_kept_right(work):
    """Totals that went out once are not taken back because a later run does not ask for them."""
    path = source(work, row(id="1", item="lvl", value="5", seen="2025-01-10 08:00"),
                  row(id="2", item="lvl", value="9", seen="2025-01-10 09:00"))  # fmt: skip
    assert map_(work, path, "--store", "s", "--with", "totals", "--out", "a")[0] == 0
    source(work, row(id="3", item="lvl", value="20", seen="2025-01-10 10:00"))
    code, _, err = map_(work, path, "--store", "s", "--out", "b")
    assert (code, "totals: sent too, since an earlier run" in err) == (0, True)
    assert b'"entered-in-error"' not in (work / "b").read_bytes()
    assert b"output-total" in (work / "b").read_bytes()


def test_what_waits_in_a_store_is_sent(work, server):
    bundle(work)
    assert map_(work, work / "in.csv", "--store", "s", "--out", "o2.json")[0] == 0
    send = ("post", "--server", server, "--store", work / "s")
    code, _, err = run(*send, "--dry-run")
    assert (code, "6 resources that wait in the store would be sent; nothing was" in err) == (
        0,
        True,
    )
    code, _, err = run(*send)
    assert (code, "6 parked" in err, "p-1" in err) == (1, True, False)
    code, _, err = run(*send, "--create-patients")
    assert (code, "6 created" in err) == (0, True)
    source(work, row(id="1", item="lvl", value="7", stored="2025-01-11 10:00"))
    assert map_(work, work / "in.csv", "--store", "s", "--out", "o3.json")[0] == 0
    code, _, err = run(*send)
    assert (code, "1 updated" in err, "0 created" in err) == (0, True, True)
    assert run("read", "--server", server)[1].count("corrected") == 1
    assert run("post", "--server", server)[0] == 2
    assert run("post", "--server", server, "--store", work / "none")[0] == 2
    assert not (work / "none").exists()


class Dying(Page):
    """Speaks R4, knows every patient, takes one transaction and then fails."""

    taken = 0

    def do_GET(self):
        if "metadata" in self.path:
            self.answer(
                {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "format": ["json"]}
            )
        else:
            found = {
                "resource": {"resourceType": "Patient", "id": "p"},
                "search": {"mode": "match"},
            }
            self.answer({"resourceType": "Bundle", "type": "searchset", "entry": [found]})

    def do_POST(self):
        import json

        sent = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        type(self).taken += 1
        if self.taken > 1:
            self.send_error(500)
            return
        answers = [
            {
                "response": {
                    "status": "201 Created",
                    "location": f"{e['resource']['resourceType']}/{n}",
                }
            }
            for n, e in enumerate(sent["entry"])
        ]
        self.answer({"resourceType": "Bundle", "type": "transaction-response", "entry": answers})

    def answer(self, body):
        import json

        data = json.dumps(body).encode()
        self.send_response(200)
        self.send_header("Content-Type", "application/fhir+json")
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)


def test_a_server_that_fails_half_way_is_exit_code_4(work):
    server = HTTPServer(("127.0.0.1", 0), Dying)
    Dying.taken = 0
    thread = Thread(target=server.serve_forever)
    thread.start()
    try:
        code, _, err = run(
            "post", bundle(work), "--server", f"http://127.0.0.1:{server.server_port}"
        )
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert code == 4, err
    assert "3 created" in err
    assert "3 not confirmed" in err
    assert "a part was delivered" in err


def test_sandbox_prints_its_address_and_stops_when_told():
    process = subprocess.Popen(
        [sys.executable, "-m", "fhirdrain", "sandbox"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    try:
        address = process.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        deadline = time.monotonic() + 10
        while run("read", "--server", address)[0] != 0 and time.monotonic() < deadline:
            time.sleep(0.1)
        assert run("read", "--server", address)[0] == 0
    finally:
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=20)
    assert "Traceback" not in err
    assert process.returncode in (0, 130)


def test_a_reader_that_goes_away_is_no_error(work):
    many = [
        row(id=str(n), item="lvl", value=str(n), seen=f"2025-01-{1 + n // 24:02} {n % 24:02}:00")
        for n in range(600)
    ]
    path = source(work, *many)
    for arguments in (f"map {path} --site {work}/site.toml", "about", "tour"):
        command = f"{sys.executable} -m fhirdrain {arguments} | head -c 10; exit ${{PIPESTATUS[0]}}"
        result = subprocess.run(
            ["bash", "-c", command], capture_output=True, text=True, check=False, cwd=work,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert "Traceback" not in result.stderr
        assert "BrokenPipe" not in result.stderr
        assert result.returncode == 0


def test_tour_and_about(tmp_path):
    code, out, _ = run("tour", "--keep", tmp_path / "t")
    assert code == 0
    assert "read back     246 readings" in out
    code, out, _ = run("about", FHIRDRAIN_TOKEN="t0ken")
    assert code == 0
    assert "t0ken" not in out
    assert "fhirdrain" in out


def test_the_samples_exit_as_the_readme_says(work):
    code, _, err = run(
        "map", SCENARIO / "rounds.csv", "--site", SCENARIO / "site.toml", "--source", "rounds",
        "--out", work / "right.json", "--rejects", work / "refused.csv",
    )  # fmt: skip
    assert code == 1
    assert "128 items in = 124 mapped + 4 rejected + 0 set aside" in err
    assert (work / "refused.csv").read_text().count("\n") == 5
    assert run("check", work / "right.json")[0] == 0


def test_outputs_that_take_nothing(work):
    path = source(work, row(id="1", item="lvl", value="5"))
    for command in (
        f"-m fhirdrain map {path} --site {work}/site.toml > /dev/full",
        f"-m fhirdrain map {path} --site {work}/site.toml >&-",
        "-m fhirdrain post - --server http://127.0.0.1:1/fhir <&-",
        "-m fhirdrain about > /dev/full",
    ):
        result = subprocess.run(
            ["bash", "-c", f"{sys.executable} {command}"], capture_output=True, text=True,
            check=False, cwd=work, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert "Traceback" not in result.stderr, result.stderr
        assert "Exception ignored" not in result.stderr
        assert result.returncode == 2


def test_a_rejects_file_in_no_folder_is_said_before_anything_is_lost(work):
    path = source(work, row(id="1", item="lvl", value="x"))
    code, _, err = map_(work, path, "--out", "o.json", "--rejects", "nowhere/r.csv")
    assert code == 2
    assert "cannot be written" in err
    assert not (work / "o.json").exists()


def test_a_store_in_use_is_known_before_anything_is_sent(work, server):
    import sqlite3

    path = bundle(work)
    store = work / "store.db"
    assert map_(work, work / "in.csv", "--store", store, "--out", "o2.json")[0] == 0
    other = sqlite3.connect(store, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    code, _, err = run("post", path, "--server", server, "--create-patients", "--store", store)
    other.close()
    assert code == 2
    assert "in use" in err
    assert run("read", "--server", server)[1].count("\n") == 1


@pytest.mark.parametrize(
    "bundle",
    [
        '{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"GET","url":"Patient"}}]}',
        '{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"PUT","url":"Patient/1"},"resource":{"resourceType":"Patient","id":"1"}}]}',
        '{"resourceType":"Bundle","type":"transaction","entry":null}',
        '{"resourceType":"Bundle","type":"transaction","entry":["a"]}',
    ],
)
def test_bundles_that_cannot_be_sent_once_are_refused(bundle, server):
    for more in ([], ["--unchecked"]):
        code, _, err = run("post", "-", "--server", server, *more, stdin=bundle.encode())
        assert code == 1, err


def test_the_second_of_two_files_may_fail(work):
    server = HTTPServer(("127.0.0.1", 0), Dying)
    Dying.taken = 0
    thread = Thread(target=server.serve_forever)
    thread.start()
    paths = []
    for number in (1, 2):
        path = source(work, row(id=str(number), item="lvl", value="5"), name=f"{number}.csv")
        assert map_(work, path, "--out", f"{number}.json")[0] == 0
        paths.append(work / f"{number}.json")
    try:
        code, _, err = run("post", *paths, "--server", f"http://127.0.0.1:{server.server_port}")
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert code == 4, err
    assert "post the same files again" in err


def test_an_old_file_keeps_its_rights(work):
    out = work / "o.json"
    out.touch(mode=0o600)
    os.chmod(out, 0o600)
    assert map_(work, source(work, row(id="1", item="lvl", value="5")), "--out", out)[0] == 0
    assert out.stat().st_mode & 0o777 == 0o600


def test_rejects_of_an_earlier_run_are_said(work):
    bad = source(work, row(id="1", item="lvl", value="x"), name="bad.csv")
    assert map_(work, bad, "--out", "o.json", "--rejects", "r.csv")[0] == 1
    good = source(work, row(id="1", item="lvl", value="5"))
    code, _, err = map_(work, good, "--out", "o.json", "--rejects", "r.csv")
    assert code == 0
    assert "r.csv is from an earlier run" in err


def test_rejects_stand_beside_the_output_and_are_named_as_the_source_is(work):
    bad = source(work, row(id="1", item="lvl", value="many"), name="in.tsv")
    assert map_(work, bad, "--out", work / "o.json")[0] == 1
    assert (work / "o.rejects.tsv").is_file()
    assert map_(work, bad, "--out", "/dev/null")[0] == 1
    assert (work / "fhirdrain.rejects.tsv").is_file()

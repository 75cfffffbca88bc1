"""Work that is dealt out: nothing of it twice, nothing lost, whoever is killed in the middle."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from fhirdrain.errors import ConfigurationError, FhirdrainError
from fhirdrain.spread import Spreading, Work, Workers, deal, placing, refuse_other, writing


@dataclass(frozen=True)
class Job:
    folder: Path
    log: Path


def piece(job: Job, number: int) -> None:
    """Write a file, and say in the log that it was done."""
    with writing(job.folder / f"part-{number}") as stream:
        stream.write(b"%d" % number)
    with job.log.open("a") as log:
        log.write(f"{number}\n")


def dies_once(job: Job, number: int) -> None:
    """Kill the process that does it, the first time."""
    mark = job.log.with_name(f"died-{number}")
    if number == 2 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    piece(job, number)


def dies(job: Job, number: int) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def refuses(job: Job, number: int) -> None:
    if number == 1:
        raise ConfigurationError("cannot be done", place="there", hint="so")
    piece(job, number)


def breaks(job: Job, number: int) -> None:
    with writing(job.folder / f"part-{number}") as stream:
        stream.write(b"half")
        raise ValueError("a fault of ours")


ALONE = Workers(1)
NAMES = [f"part-{number}" for number in range(5)]


def do(tmp_path, function=piece, workers=ALONE, key="job", keep=False, names=NAMES):
    told = []
    job = Job(tmp_path / "work", tmp_path / "log")
    with Work(tmp_path / "work", "try", lambda: key, {"n": 5}) as work:
        before = set(work.done)
        work.run(workers, job, [(function, [work.folder / name for name in names])], told.append)
        found = {name: (work.folder / name).read_bytes() for name in names}
        if keep:
            raise KeyboardInterrupt
    return before, found, told


def done(tmp_path):
    return sorted((tmp_path / "log").read_text().split())


def test_each_piece_is_done_once_and_the_folder_goes(tmp_path):
    before, found, told = do(tmp_path)
    assert before == set()
    assert found == {f"part-{n}": b"%d" % n for n in range(5)}
    assert told == [1, 2, 3, 4, 5]
    assert done(tmp_path) == ["0", "1", "2", "3", "4"]
    assert not (tmp_path / "work").exists()


def test_what_is_done_is_not_done_again(tmp_path):
    with pytest.raises(KeyboardInterrupt):
        do(tmp_path, keep=True, names=NAMES[:3])
    before, found, _ = do(tmp_path)
    assert before == set(NAMES[:3])
    assert set(found) == set(NAMES)
    assert done(tmp_path) == ["0", "1", "2", "3", "4"]


def test_the_layout_is_that_of_the_run_that_began(tmp_path):
    with pytest.raises(KeyboardInterrupt):
        do(tmp_path, keep=True)
    with Work(tmp_path / "work", "try", lambda: "job", {"n": 9}) as work:
        assert work.layout == {"n": 5}


def test_another_job_begins_anew(tmp_path):
    with pytest.raises(KeyboardInterrupt):
        do(tmp_path, keep=True)
    with Work(tmp_path / "work", "try", lambda: "another", {"n": 9}) as work:
        assert (work.begun_anew, work.done, work.layout) == (True, {}, {"n": 9})
        assert {path.name for path in work.folder.iterdir()} == {"fhirdrain-work.json", "lock"}


def test_a_piece_that_is_not_what_the_manifest_says_is_done_again(tmp_path):
    with pytest.raises(KeyboardInterrupt):
        do(tmp_path, keep=True)
    (tmp_path / "work" / "part-3").write_bytes(b"")
    (tmp_path / "work" / "part-4").unlink()
    (tmp_path / "work" / ".part-9.half").write_bytes(b"x")
    before, found, _ = do(tmp_path)
    assert before == set(NAMES[:3])
    assert found["part-3"] == b"3"
    assert done(tmp_path) == ["0", "1", "2", "3", "3", "4", "4"]


@pytest.mark.parametrize("text", ["{", "[1]", "hello", '{"name": "my extension"}', "null"])
def test_a_manifest_that_is_not_ours_is_refused(tmp_path, text):
    """What is in the folder is somebody's: nothing of it is touched."""
    with pytest.raises(KeyboardInterrupt):
        do(tmp_path, keep=True)
    (tmp_path / "work" / "fhirdrain-work.json").write_text(text)
    with pytest.raises(ConfigurationError, match="something else than unfinished work"):
        do(tmp_path)
    assert (tmp_path / "work" / "part-3").read_bytes() == b"3"


def test_work_of_another_command_is_refused(tmp_path):
    with pytest.raises(KeyboardInterrupt):
        do(tmp_path, keep=True)
    with (
        pytest.raises(ConfigurationError, match="holds unfinished work of try"),
        Work(tmp_path / "work", "other", lambda: "job", {}),
    ):
        pass
    assert (tmp_path / "work" / "part-3").exists()


def test_nothing_but_what_is_ours_is_removed(tmp_path):
    def left():
        with Work(tmp_path / "work", "try", lambda: "job", {}) as work:
            (work.folder / "letter.txt").write_text("mine")
            (work.folder / "part-7").write_text("ours")

    left()
    assert [path.name for path in (tmp_path / "work").iterdir()] == ["letter.txt"]
    with pytest.raises(ConfigurationError, match="something else"):
        left()


def test_a_link_to_a_folder_is_the_folder(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "work").symlink_to(tmp_path / "real")
    do(tmp_path)
    assert not (tmp_path / "real").exists()


def test_what_is_read_may_not_change_meanwhile(tmp_path):
    keys = iter(["one", "two"])
    job = Job(tmp_path / "work", tmp_path / "log")
    with (
        pytest.raises(ConfigurationError, match="was changed while the run was at work"),
        Work(tmp_path / "work", "try", lambda: next(keys), {}) as work,
    ):
        work.run(ALONE, job, [(piece, [work.folder / "part-0"])], lambda done: None)


def test_a_folder_that_is_not_there_on_the_machine_that_works(tmp_path):
    with (
        pytest.raises(ConfigurationError, match="is not there where the work is done"),
        placing(tmp_path / "none" / "part-1"),
    ):
        pass


def test_a_full_disk_is_said(tmp_path):
    def full():
        with writing(tmp_path / "part-1"):
            raise OSError(28, "No space left on device")

    with pytest.raises(ConfigurationError, match="No space left on device") as stopped:
        full()
    assert stopped.value.place == str(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_workers_end_with_their_parent(tmp_path):
    """A run that is killed leaves nobody behind who goes on with it."""
    program = (
        "import os, sys, time\n"
        "from fhirdrain.spread import Workers\n"
        "if __name__ == '__main__':\n"
        "    with Workers(2).executor() as executor:\n"
        "        print([executor.submit(os.getpid).result() for _ in range(4)], flush=True)\n"
        "        time.sleep(60)\n"
    )
    path = tmp_path / "parent.py"
    path.write_text(program)
    parent = subprocess.Popen(
        [sys.executable, path], stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert parent.stdout is not None
    pids = set(map(int, parent.stdout.readline().strip("[]\n").split(",")))
    parent.kill()
    parent.wait()
    parent.stdout.close()
    end = time.monotonic() + 10
    while any(_runs(pid) for pid in pids):
        assert time.monotonic() < end
        time.sleep(0.05)


def _runs(pid):
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def test_a_process_that_is_killed_loses_nothing(tmp_path):
    _, found, _ = do(tmp_path, dies_once, Workers(2))
    assert found == {f"part-{n}": b"%d" % n for n in range(5)}
    assert (tmp_path / "died-2").exists()


def test_where_workers_die_again_and_again_it_is_said(tmp_path):
    with pytest.raises(FhirdrainError, match="workers were lost 3 times") as stopped:
        do(tmp_path, dies, Workers(2))
    assert "goes on from there" in stopped.value.hint
    assert (tmp_path / "work" / "fhirdrain-work.json").exists()


@pytest.mark.parametrize("workers", [Workers(1), Workers(2)])
def test_an_error_of_a_piece_is_the_error_of_the_run(tmp_path, workers):
    with pytest.raises(ConfigurationError) as stopped:
        do(tmp_path, refuses, workers)
    assert str(stopped.value) == "there: cannot be done (hint: so)"


def test_half_a_piece_is_never_there(tmp_path):
    with pytest.raises(ValueError, match="a fault of ours"):
        do(tmp_path, breaks)
    assert {path.name for path in (tmp_path / "work").iterdir()} == {"fhirdrain-work.json", "lock"}


def test_a_file_that_is_placed_is_there_only_when_it_is_whole(tmp_path):
    def break_off():
        with placing(tmp_path / "a") as unfinished:
            unfinished.write_text("half")
            raise ValueError("a fault of ours")

    with pytest.raises(ValueError, match="a fault"):
        break_off()
    assert list(tmp_path.iterdir()) == []
    with placing(tmp_path / "a") as unfinished:
        unfinished.write_text("whole")
        assert not (tmp_path / "a").exists()
    assert (tmp_path / "a").read_text() == "whole"
    assert len(list(tmp_path.iterdir())) == 1


def test_two_runs_do_not_work_in_one_folder(tmp_path):
    with (
        Work(tmp_path / "work", "try", lambda: "job", {}),
        pytest.raises(ConfigurationError, match="another run"),
        Work(tmp_path / "work", "try", lambda: "job", {}),
    ):
        pass


def test_a_folder_that_is_not_ours_is_refused(tmp_path):
    folder = tmp_path / "work"
    folder.mkdir()
    (folder / "thesis.txt").write_text("all of it")
    with (
        pytest.raises(ConfigurationError, match="something else"),
        Work(folder, "try", lambda: "job", {}),
    ):
        pass
    assert (folder / "thesis.txt").read_text() == "all of it"


def test_a_folder_that_others_can_write_is_refused(tmp_path):
    folder = tmp_path / "work"
    folder.mkdir()
    folder.chmod(0o770)
    with (
        pytest.raises(ConfigurationError, match="others can write"),
        Work(folder, "try", lambda: "job", {}),
    ):
        pass


def test_nobody_else_can_read_it(tmp_path):
    (tmp_path / "work").mkdir(mode=0o755)
    with Work(tmp_path / "work", "try", lambda: "job", {}) as work:
        assert work.folder.stat().st_mode & 0o077 == 0


def test_a_folder_that_cannot_be_made(tmp_path):
    with pytest.raises(ConfigurationError, match="no work can be kept"):
        Work(tmp_path / "no" / "work", "try", lambda: "job", {}).__enter__()


def test_what_makes_a_run_another(tmp_path):
    file = tmp_path / "file"
    file.write_text("one")

    def key(asked, files=(file,)):
        return Spreading(Workers(1), tmp_path / "work").work("try", asked, files, {}).job

    first = key({"form": "ndjson"})
    assert key({"form": "ndjson"}) == first
    assert key({"form": "transaction"}) != first
    assert key({"form": "ndjson"}, (file, tmp_path / "none")) != first
    os.utime(file, (1, 1))
    assert key({"form": "ndjson"}) != first


def test_more_pieces_than_may_be_open_are_refused_before_any_is_made(tmp_path, monkeypatch):
    monkeypatch.setattr(resource, "getrlimit", lambda which: (256, 256))
    with (
        pytest.raises(ConfigurationError, match=r"250 pieces of work are too many .* 256 files"),
        Work(tmp_path / "work", "try", lambda: "job", {"reading": [[]], "shards": 250}),
    ):
        pass
    with Work(tmp_path / "other", "try", lambda: "job", {"reading": [[]] * 200, "shards": 3}):
        pass


def test_a_worker_of_another_version_does_not_work(tmp_path):
    from fhirdrain import __version__

    refuse_other(__version__)
    with pytest.raises(ConfigurationError, match=r"a worker has fhirdrain .* of 0\.0\.0-other"):
        refuse_other("0.0.0-other")


# -- dealing ----------------------------------------------------------------------------------


@pytest.mark.parametrize("pieces", [1, 2, 3, 8, 50])
def test_every_record_of_every_file_is_dealt_once(pieces):
    from fhirdrain.intake.item import Share

    sizes = {0: 5, 1: 900, 2: 0, 4: 40, 5: 3000, 7: 41}
    dealt = [one for piece in deal(sizes, pieces, 1) for one in piece]
    for index in sizes:
        shares = [Share(turn, of) for which, turn, of in dealt if which == index]
        assert [sum(share.has(n) for share in shares) for n in range(20_000)] == [1] * 20_000
    assert {index for index, _, _ in dealt} == set(sizes)


def test_small_files_go_together_in_their_order_and_large_ones_are_shared():
    found = deal({0: 10, 1: 10, 2: 500, 3: 10}, 4, 1)
    assert found == [[(0, 0, 1), (1, 0, 1)], *[[(2, t, 4)] for t in range(4)], [(3, 0, 1)]]
    assert deal({0: 10, 1: 10, 2: 500, 3: 10}, 4, 10_000) == [[(n, 0, 1) for n in range(4)]]
    assert deal({}, 4) == []


# -- the commands -----------------------------------------------------------------------------


def test_a_run_that_was_killed_goes_on_and_writes_the_same(tmp_path):
    """The command itself, killed with SIGKILL as soon as something is done."""
    from tests.benchmarks.chart import SITE, SOURCE, write_chart

    chart = write_chart(tmp_path / "chart.csv", 12_000)

    def command(out, *more):
        return [
            sys.executable, "-m", "fhirdrain", "map", str(chart), "--site", str(SITE),
            "--source", SOURCE, "--as", "ndjson", "--out", str(tmp_path / out), *more,
        ]  # fmt: skip

    subprocess.run(command("alone"), check=True, capture_output=True)
    dealt = command("dealt", "--workers", "2", "--shards", "12")
    manifest = tmp_path / "dealt.work" / "fhirdrain-work.json"
    process = subprocess.Popen(
        dealt, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    end = time.monotonic() + 60
    while not (manifest.exists() and "shard-0001" in manifest.read_text()):
        assert process.poll() is None
        assert time.monotonic() < end
        time.sleep(0.005)
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    assert not (tmp_path / "dealt").exists()
    again = subprocess.run(dealt, check=True, capture_output=True, text=True)
    assert "pieces of work are done already" in again.stderr
    assert (tmp_path / "dealt").read_bytes() == (tmp_path / "alone").read_bytes()
    assert not manifest.parent.exists()

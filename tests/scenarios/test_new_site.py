"""The guide for a new site: its ten steps, walked as they are written."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest
import requests

from tests.conftest import ROOT

GUIDE = ROOT / "sample_bundles" / "new-site"
# What the guide says of a command that does not exit 0.
EXITS = re.compile(r"\s+# exits (\d)$")


def blocks() -> list[tuple[str, str]]:
    text = (GUIDE / "README.md").read_text("utf-8")
    return re.findall(r"(?ms)^```(sh|toml)\n(.*?)^```$", text)


def put(site: str, block: str) -> str:
    """Put each section of a block in place of the one of the same name, or behind all others."""
    for section in re.split(r"(?m)^(?=\[)", block):
        if not section.strip():
            continue
        head = re.match(r"\[[^\n]*?\]", section)
        assert head is not None
        old = re.search(rf"(?ms)^{re.escape(head[0])}.*?(?=^\[|^# (?:firm|ask|Left)|\Z)", site)
        new = section.rstrip() + "\n\n"
        site = site + "\n" + new if old is None else site[: old.start()] + new + site[old.end() :]
    return site


@pytest.fixture
def port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def test_the_ten_steps(tmp_path, port):
    folder = tmp_path / "new-site"
    shutil.copytree(GUIDE, folder)
    command = folder / "bin" / "fhirdrain"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec {sys.executable} -m fhirdrain "$@"\n')
    command.chmod(0o755)
    path = f"{command.parent}{os.pathsep}{os.environ['PATH']}"
    environment = {**os.environ, "PATH": path, "PYTHONPATH": str(ROOT)}
    site, said, servers = folder / "site.toml", {}, []
    try:
        for kind, text in blocks():
            if kind == "toml":
                site.write_text(put(site.read_text("utf-8"), text), encoding="utf-8")
                continue
            for line in re.sub(r"\\\n\s*", "", text).replace("8000", str(port)).splitlines():
                exits = EXITS.search(line)
                line = EXITS.sub("", line)
                if line.endswith(" &"):
                    words = line.removesuffix(" &").split()
                    servers.append(subprocess.Popen(words, cwd=folder, env=environment))
                    wait_for(f"http://127.0.0.1:{port}/fhir/metadata")
                    continue
                done = subprocess.run(
                    line, shell=True, cwd=folder, env=environment, text=True, capture_output=True,
                    check=False,
                )  # fmt: skip
                wanted = int(exits[1]) if exits else 0
                assert done.returncode == wanted, (line, done.stdout, done.stderr)
                said[line] = done.stdout + done.stderr
    finally:
        for server in servers:
            server.terminate()
            server.wait()
    everything = "\n".join(said.values())
    assert "8 firm, 2 to be asked, 4 left out" in everything
    assert "21 items in = 18 mapped + 1 rejected + 2 set aside" in everything
    assert "22 items in = 19 mapped + 0 rejected + 3 set aside" in everything
    assert " 0 created, " in everything
    assert "different: 0" in everything
    assert (folder / "survey.html").is_file()
    items = tomllib.loads(site.read_text("utf-8"))["sources"]["rounds"]["items"]
    assert len(items) == 11


def wait_for(url: str) -> None:
    for _ in range(200):
        try:
            if requests.get(url, timeout=1).ok:
                return
        except requests.ConnectionError:
            time.sleep(0.1)
    raise AssertionError("the server did not start")


def test_a_file_that_is_not_finished_is_taken_by_no_run(tmp_path):
    shutil.copytree(GUIDE, tmp_path / "g")
    run = [sys.executable, "-m", "fhirdrain"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    draft = ["draft-site", "items.csv", "--name", "rounds", "--out", "site.toml"]
    subprocess.run([*run, *draft], cwd=tmp_path / "g", env=environment, check=True)
    done = subprocess.run(
        [*run, "map", "chart.csv", "--site", "site.toml"], cwd=tmp_path / "g", env=environment,
        text=True, capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "still a draft" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_guide_has_ten_steps_and_no_step_is_left_to_chance():
    text = (GUIDE / "README.md").read_text("utf-8")
    assert re.findall(r"(?m)^\*\*(\d+)\.", text) == [str(n) for n in range(1, 11)]
    assert len(blocks()) >= 9
    assert not Path(GUIDE / "site.toml").exists()  # it is made, step by step

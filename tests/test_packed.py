"""Packed files are read as they were before, and nothing that broke off passes for the whole.

gzip is RFC 1952, Zstandard RFC 8878; Python's own gzip, and the programs where they are there, are
the other side.
"""

from __future__ import annotations

import gzip
import io
import shutil
import subprocess
import sys

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.packed import (
    open_plain,
    open_text,
    packed,
    packing_of,
    plain_name,
    require,
    unpacked,
)

PACKINGS = ["gzip", "zstd"]
TEXT = b"row,pat,value\n" + b"".join(b"%d,p-1,%d\n" % (n, n * 7919) for n in range(40_000))


def pack(data, packing):
    into = io.BytesIO()
    with packed(into, packing) as stream:
        stream.write(data)
    assert not into.closed
    return into.getvalue()


@pytest.mark.parametrize("packing", [None, *PACKINGS])
@given(data=st.binary(max_size=5000), twice=st.booleans())
def test_what_is_packed_comes_back(packing, data, twice):
    body = pack(data, packing)
    # One packed file behind the other is one file: RFC 1952, 2.2; RFC 8878, 3.1.
    times = 2 if twice and packing else 1
    if data[:2] == b"\x1f\x8b" or data[:4] == b"\x28\xb5\x2f\xfd":
        return  # it begins as what is packed
    assert unpacked(io.BytesIO(body * times)).read() == data * times


@pytest.mark.parametrize("packing", PACKINGS)
def test_the_same_is_packed_the_same(packing):
    assert pack(TEXT, packing) == pack(TEXT, packing)


def test_others_read_what_we_write():
    assert gzip.decompress(pack(TEXT, "gzip")) == TEXT
    reader = zstandard.ZstdDecompressor().stream_reader(io.BytesIO(pack(TEXT, "zstd")))
    assert reader.read() == TEXT
    for program, packing in (("gzip", "gzip"), ("zstd", "zstd")):
        if shutil.which(program):
            done = subprocess.run(
                [program, "-dc"], input=pack(TEXT, packing), capture_output=True, check=True
            )
            assert done.stdout == TEXT


def test_we_read_what_others_write(tmp_path):
    path = tmp_path / "rows.csv"
    for data in (gzip.compress(TEXT, 1), zstandard.ZstdCompressor(19).compress(TEXT)):
        path.write_bytes(data)
        with open_plain(path) as stream:
            assert stream.read() == TEXT
        with open_text(path, "utf-8", newline="") as text:
            assert next(iter(text)) == "row,pat,value\n"


@pytest.mark.parametrize("packing", PACKINGS)
@pytest.mark.parametrize("cut", [1, 4, 9, 5000])
def test_a_file_that_breaks_off(tmp_path, packing, cut):
    path = tmp_path / "rows"
    path.write_bytes(pack(TEXT, packing)[:-cut])
    with open_plain(path) as stream, pytest.raises(SourceError, match="breaks off") as stopped:
        stream.read()
    assert stopped.value.place == str(path)


@pytest.mark.parametrize("packing", PACKINGS)
def test_a_file_that_is_damaged(tmp_path, packing):
    path = tmp_path / "rows"
    body = bytearray(pack(TEXT, packing))
    for place in (len(body) // 2, len(body) - 6 if packing == "gzip" else len(body) - 2):
        spoilt = bytearray(body)
        spoilt[place] ^= 0x55
        path.write_bytes(spoilt)
        with open_plain(path) as stream, pytest.raises(SourceError, match=r"damaged|breaks off"):
            stream.read()


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(FileNotFoundError):
        open_plain(tmp_path / "none")


@pytest.mark.parametrize("packing", PACKINGS)
def test_a_file_of_any_length_takes_the_memory_of_a_piece(tmp_path, packing):
    """A million times the same byte: what is read of it at once is a piece, not all of it."""
    path = tmp_path / "long"
    path.write_bytes(pack(b"\n" * (1 << 20), packing) * 300)
    program = (
        "import resource\nfrom pathlib import Path\nfrom fhirdrain.packed import open_plain\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        f"length = sum(len(line) for line in open_plain(Path({str(path)!r})))\n"
        "print(length, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    length, more = map(int, done.stdout.split())
    assert length == 300 << 20
    assert more < 150 * 1024  # kB, of 300 MB


def test_names():
    assert [packing_of(n) for n in ("a.csv", "a.csv.gz", "a.csv.ZST")] == [None, "gzip", "zstd"]
    assert [plain_name(n) for n in ("a.csv", "a.csv.gz", "a.csv.ZST")] == ["a.csv"] * 3


def test_without_the_library_it_is_said_what_is_missing(monkeypatch):
    monkeypatch.setitem(sys.modules, "zstandard", None)
    with pytest.raises(ConfigurationError, match="pip install 'fhirdrain\\[zstd\\]'"):
        pack(b"", "zstd")
    with pytest.raises(ConfigurationError, match="Zstandard needs"):
        require("zstd")
    require("gzip")

"""A second opening comes from the cache, says the same, and never says anything old."""

import os
import random

import pytest

from bench.evidence.mutations import mutated, random_recording
from bench.session import cache as cache_module
from bench.session import open_session
from bench.session.scan import Scanner

LINE = b"(1436509052.249713) can0 18FF2021#0102030405060708 R\n"


@pytest.fixture(autouse=True)
def every_size(monkeypatch):
    monkeypatch.setattr(cache_module, "CACHE_FROM", 0)


@pytest.fixture
def no_text(monkeypatch):
    """From here on no text may be read."""
    return lambda: monkeypatch.setattr(Scanner, "blocks", None)


def told(path):
    """Everything a session says."""
    session = open_session(path)
    entries = [e for c in session.chunks() for e in c.entries()]
    return entries, session.bad, session.bad_count, session.cut, session.frames, session.step_back_ns


def test_the_second_opening_reads_no_text_and_says_the_same(tmp_path, cache, no_text):
    chance = random.Random(5)
    path = tmp_path / "x.log"
    path.write_bytes(LINE + mutated(chance, random_recording(chance, 400)) + b"rubbish\n" + LINE + LINE[:-5])
    first = told(path)
    assert len(first[1]) >= 2
    assert len(list(cache.glob("*.columns"))) == 1
    no_text()
    assert told(path) == first


def test_nothing_is_put_beside_the_recording(tmp_path):
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    told(path)
    assert list(tmp_path.iterdir()) == [path]


def test_a_moved_recording_finds_its_cache(tmp_path, no_text):
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    frames = told(path)[0]
    path.rename(tmp_path / "y.log")
    no_text()
    assert told(tmp_path / "y.log")[0] == frames


def test_a_recording_changed_within_its_size_and_time_is_read_anew(tmp_path):
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    told(path)
    stat = path.stat()
    path.write_bytes(LINE * 2 + LINE.replace(b"#01", b"#FF"))
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert told(path)[0][2].data[0] == 0xFF


def test_a_recording_that_grew_is_read_anew(tmp_path):
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    told(path)
    with path.open("ab") as file:
        file.write(LINE)
    assert told(path)[4] == 4


@pytest.mark.parametrize("share", [0.0, 0.3, 0.6, 0.9, 0.999])
def test_a_damaged_cache_is_not_used(tmp_path, cache, share):
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 300)
    first = told(path)
    (kept,) = cache.iterdir()
    raw = bytearray(kept.read_bytes())
    raw[int(share * len(raw))] ^= 0x10
    kept.write_bytes(raw)
    assert told(path) == first


@pytest.mark.parametrize("size", [0, 1, 30, 60])
def test_a_cut_cache_is_not_used(tmp_path, cache, size):
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    first = told(path)
    (kept,) = cache.iterdir()
    kept.write_bytes(kept.read_bytes()[:size])
    assert told(path) == first


def test_what_another_version_of_the_reader_left_is_not_used(tmp_path, monkeypatch):
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    told(path)
    monkeypatch.setattr(cache_module, "reader_mark", lambda: "another")
    read = []
    monkeypatch.setattr(Scanner, "blocks", lambda self: read.append(1) or iter(()))
    list(open_session(path).chunks())
    assert read


def test_a_folder_that_cannot_be_written_is_no_trouble(tmp_path, monkeypatch):
    (tmp_path / "file").write_bytes(b"")
    monkeypatch.setenv("HARDSTAND_CACHE", str(tmp_path / "file" / "under"))
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    assert told(path)[4] == told(path)[4] == 3


def test_a_disk_that_fails_on_the_way_is_no_trouble(tmp_path, cache, monkeypatch):
    def full(self, data):
        if len(data) != 32:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(cache_module.CacheWriter, "_write", full)
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    assert told(path)[4] == 3
    assert list(cache.iterdir()) == []


def test_caches_can_be_switched_off(tmp_path, cache, monkeypatch):
    monkeypatch.setenv("HARDSTAND_CACHE", "off")
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    assert told(path)[4] == 3
    assert list(cache.iterdir()) == []


def test_a_reading_that_is_given_up_leaves_nothing(tmp_path, cache):
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 30_000)
    chunks = open_session(path).chunks()
    next(chunks)
    chunks.close()
    assert list(cache.iterdir()) == []


def test_a_recording_that_grows_while_it_is_read_leaves_a_cache_of_nothing_it_was_not(tmp_path, cache):
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 30_000)
    frames = 0
    for chunk in open_session(path).chunks():
        if not frames:
            with path.open("ab") as file:
                file.write(LINE)
        frames += len(chunk)
    assert frames == 30_001
    assert list(cache.iterdir()) == []


def test_the_longest_unused_caches_make_room(tmp_path, cache, monkeypatch):
    for n in range(4):
        path = tmp_path / f"{n}.log"
        path.write_bytes(LINE * (1000 + n))
        told(path)
        (newest,) = [c for c in cache.iterdir() if c.name.endswith(f"-{len(LINE) * (1000 + n)}.columns")]
        os.utime(newest, (n, n))
    monkeypatch.setattr(cache_module, "ALL_BYTES", 110_000)
    path.write_bytes(LINE * 900)
    told(path)
    assert sorted(int(c.stem.split("-")[1]) // len(LINE) for c in cache.iterdir()) == [900, 1002, 1003]


def test_without_xxhash_another_hash_does_it(tmp_path, monkeypatch, no_text):
    monkeypatch.setitem(__import__("sys").modules, "xxhash", None)
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 3)
    first = told(path)
    no_text()
    assert told(path) == first

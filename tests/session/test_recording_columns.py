"""Many frames at a time: the same as line by line, in everything."""

import gzip
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_candump_text import frames
from test_session_reader import GOOD, WHOLE, copy, traffic
from test_session_recorder import SOME, record

from bench.core.entry import Dropped
from bench.core.errors import UsageError
from bench.core.frame import Frame
from bench.evidence.mutations import by_line, complaint_of, fast, mutated, random_recording
from bench.session import format_frame, open_session
from bench.session.columns import from_frames
from bench.session.layouts import LOG
from bench.session.merge import Merge
from bench.session.scan import Scanner
from bench.session.source import Source
from bench.session.walk import Walk

SMALL = settings(max_examples=60, deadline=None, derandomize=True)


def both_ways(folder, chunk=700):
    """Entries and findings of a session folder by either way."""
    found = []
    for way in ("lines", "columns"):
        walk = Walk(folder / "frames.log", folder / "marks.jsonl", [])
        if way == "lines":
            entries = list(walk.run())
        else:
            with Source(walk.frames_path) as source:
                chunks = Merge(walk).chunks(Scanner(source, LOG, chunk).blocks())
                entries = [e for c in chunks for e in c.entries()]
        findings = {k: v for k, v in vars(walk).items() if k not in ("frames_path", "marks_path", "layout")}
        found.append((entries, findings))
    return found


@SMALL
@given(st.lists(frames(), min_size=1, max_size=30), st.sampled_from([80, 300, 5000]))
def test_any_frames_come_through_columns_unchanged(tmp_path_factory, some, chunk):
    path = tmp_path_factory.mktemp("f") / "x.log"
    path.write_text("".join(map(format_frame, some)), encoding="ascii")
    assert fast(path, chunk)[0] == some


@SMALL
@given(st.lists(frames(), max_size=30))
def test_frames_to_columns_and_back_are_the_same(some):
    columns = from_frames(some)
    assert list(columns.frames()) == some
    assert all(columns.frame(row) == frame for row, frame in enumerate(some))


def test_what_the_columns_hold_is_what_their_description_says():
    rows = [
        Frame(1000, 0x123, b"\x01\x02", False, "R", "can0"),
        Frame(2000, 0x18FF2021, bytes(range(8)), True, "T", "can1"),
        Frame(3000, 5, b"", True, "R", "can0", remote=True, dlc=3),
        Frame(4000, 4, bytes(8), True, "R", "can0", error=True),
        Frame(5000, 9, bytes(12), True, "R", "can0", fd_flags=1),
        Frame(6000, 9, bytes(8), True, "R", "can0", dlc=14),
    ]
    c = from_frames(rows)
    assert c.t_ns.tolist() == [1000, 2000, 3000, 4000, 5000, 6000]
    assert c.can_id.tolist() == [0x123, 0x98FF2021, *(n | 0x80000000 for n in (5, 4, 9, 9))]
    assert c.length.tolist() == [2, 8, 3, 8, 12, 8]
    assert c.payload[:2].tolist() == [[1, 2, 0, 0, 0, 0, 0, 0], [0, 1, 2, 3, 4, 5, 6, 7]]
    assert c.sent.tolist() == [False, True, False, False, False, False]
    assert c.kind.tolist() == [0, 0, 1, 2, 3, 0]
    assert (c.bus.tolist(), c.buses) == ([0, 1, 0, 0, 0, 0], ("can0", "can1"))
    assert c.others == {4: rows[4], 5: rows[5]}
    types = [a.dtype for a in (c.t_ns, c.can_id, c.length, c.payload, c.sent, c.kind, c.bus)]
    assert types == [np.int64, np.uint32, np.uint8, np.uint8, np.bool_, np.uint8, np.uint8]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_mutated_recordings_are_read_as_the_grammar_says_by_either_way(tmp_path, seed):
    chance = random.Random(seed)
    path = tmp_path / "x.log"
    for _ in range(250):
        path.write_bytes(mutated(chance, random_recording(chance, chance.randrange(1, 12))))
        assert complaint_of(path, chance.choice((64, 512, 4096))) == "", path.read_bytes()


EVERY = [bytes([n]) for n in range(256)]
COMMON = b"(1436509052.249713) can0 18FF2021#0102030405060708 R\n"


@pytest.mark.slow
def test_any_byte_at_any_place_of_a_common_line_is_read_as_the_grammar_says(tmp_path):
    """All 256 x 53 single replacements, each between two sound lines."""
    path = tmp_path / "x.log"
    for at in range(len(COMMON)):
        path.write_bytes(b"".join(COMMON + COMMON[:at] + b + COMMON[at + 1 :] for b in EVERY) + COMMON)
        assert complaint_of(path, 1 << 16) == "", at


@pytest.mark.parametrize(
    "short", [b"(1436509052.249713) can0 123#01 T\n", b"(1436509052.249713) vcan1 7FF#\n"]
)
def test_any_byte_at_any_place_of_a_short_line_too(tmp_path, short):
    path = tmp_path / "x.log"
    for at in range(18, len(short)):
        path.write_bytes(b"".join(short[:at] + b + short[at + 1 :] for b in EVERY) + short)
        assert complaint_of(path, 1 << 16) == "", at


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.data())
def test_damaged_session_folders_are_walked_alike_by_either_way(tmp_path_factory, data):
    def damage(raw):
        raw = bytearray(raw)
        for _ in range(data.draw(st.integers(0, 3))):
            at = data.draw(st.integers(0, len(raw) - 1))
            raw[at : at + data.draw(st.sampled_from([0, 1, 1, 40, 400]))] = data.draw(st.binary(max_size=30))
        return bytes(raw[: data.draw(st.sampled_from([len(raw), len(raw), len(raw) * 2 // 3]))])

    whole = tmp_path_factory.mktemp("whole") / "s"
    record(whole, WHOLE)
    to = tmp_path_factory.mktemp("bad") / "s"
    lines, columns = both_ways(copy(whole, to, frames=damage, marks=damage))
    assert columns == lines


def test_every_kind_of_mark_stands_in_its_place_among_the_columns(tmp_path):
    record(tmp_path / "s", SOME)
    (chunk,) = open_session(tmp_path / "s").chunks(rows=100)
    assert list(chunk.entries()) == SOME
    assert [(row, type(m).__name__) for row, m in chunk.marks][:2] == [(0, "Started"), (1, "Alive")]


@pytest.mark.parametrize("rows", [1, 7, 40, 119, 120, 1000])
def test_chunks_of_any_size_hold_the_same_entries(tmp_path, rows):
    record(tmp_path / "s", traffic())
    chunks = list(open_session(tmp_path / "s").chunks(rows=rows))
    assert [e for c in chunks for e in c.entries()] == traffic()
    assert [len(c) for c in chunks[:-1]] == [rows] * (len(chunks) - 1)
    assert [c.first for c in chunks] == [n * rows for n in range(len(chunks))]


def test_a_large_recording_goes_through_columns_and_ends_the_same(tmp_path, monkeypatch):
    path = tmp_path / "x.log"
    path.write_bytes(COMMON * 50 + b"rubbish\n" + COMMON * 50 + COMMON[:-9])
    slow = open_session(path)
    expected = list(slow.entries())
    monkeypatch.setattr("bench.session.reader.FAST_FROM", 0)
    monkeypatch.setattr(Walk, "run", None)
    session = open_session(path)
    assert list(session.entries()) == expected
    assert (session.bad, session.cut, session.frames) == (slow.bad, slow.cut, 100)
    assert sum(isinstance(e, Dropped) for e in expected) == 3


@pytest.mark.parametrize("size", [65_535, 65_536, 65_537, 200_000])
@pytest.mark.parametrize("inside", [b"x", b" ", b"#"])
@pytest.mark.parametrize("end", [b"\n", b""])
def test_lines_too_long_for_anything_are_cut_alike(tmp_path, size, inside, end):
    path = tmp_path / "x.log"
    path.write_bytes(COMMON + inside * size + end + (COMMON if end else b""))
    if end or inside == b"x":
        assert complaint_of(path, 1 << 15) == ""
    assert fast(path, 1 << 15)[0] == by_line(path)[0]


def test_three_hundred_interface_names_are_all_kept(tmp_path):
    path = tmp_path / "x.log"
    path.write_bytes(b"".join(COMMON.replace(b"can0", b"can%d" % n) for n in range(300)))
    assert [e.bus for e in fast(path, 1 << 16)[0]] == [f"can{n}" for n in range(300)]


def packed(kind, data):
    if kind == "gzip":
        return gzip.compress(data, mtime=0)
    zstandard = pytest.importorskip("zstandard", reason="the extra 'stores' is not installed")
    return zstandard.ZstdCompressor().compress(data)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["gzip", "zstd"])
class TestPacked:
    TEXT = b"".join(COMMON.replace(b"249713", b"%06d" % n) for n in range(20_000))

    def test_it_reads_like_the_plain_file(self, tmp_path, kind):
        (tmp_path / "p.log").write_bytes(self.TEXT)
        (tmp_path / "x.log").write_bytes(packed(kind, self.TEXT))
        plain, session = open_session(tmp_path / "p.log"), open_session(tmp_path / "x.log")
        assert list(session.entries()) == list(plain.entries())
        assert session.cut is None
        assert [f for c in session.chunks() for f in c.frames()] == list(plain.entries())

    def test_parts_behind_one_another_are_read_on(self, tmp_path, kind):
        (tmp_path / "x.log").write_bytes(packed(kind, self.TEXT) + packed(kind, self.TEXT))
        assert open_session(tmp_path / "x.log").frames == 40_000

    def test_one_that_was_cut_off_loses_no_whole_line_and_says_so(self, tmp_path, kind):
        raw = packed(kind, self.TEXT)
        path = tmp_path / "x.log"
        for cut in (len(raw) - 9, len(raw) - 5, len(raw) - 1):
            path.write_bytes(raw[:cut])
            session = open_session(path)
            entries = [e for e in session.entries() if isinstance(e, Frame)]
            assert "the compressed file was cut off here" in session.cut
            assert session.bad[-1].reason == "the compressed file was cut off here"
            assert entries == [f for c in session.chunks() for f in c.frames()]
            assert 15_000 < len(entries) <= 20_000  # zstd gives out nothing of a block that is not whole

    def test_rubbish_behind_it_is_said(self, tmp_path, kind):
        (tmp_path / "x.log").write_bytes(packed(kind, self.TEXT) + b"rubbish")
        session = open_session(tmp_path / "x.log")
        assert session.frames == 20_000
        assert f"bytes that are not {kind} follow here" in session.cut

    def test_a_file_of_rubbish_behind_the_first_bytes_is_refused(self, tmp_path, kind):
        (tmp_path / "x.log").write_bytes(packed(kind, self.TEXT)[:6])
        with pytest.raises(UsageError, match="compressed file was cut off here, before its first frame"):
            open_session(tmp_path / "x.log")


def test_a_recording_of_one_bad_line_in_a_hundred_reads_like_line_by_line(tmp_path):
    path = tmp_path / "x.log"
    dirty = [COMMON.replace(b"R", b"X"), b"(1436509052.249713) can0 123##1AA R\n", b"\xff\n", GOOD]
    path.write_bytes(b"".join(COMMON * 99 + dirty[n % 4] for n in range(40)))
    assert complaint_of(path, 1 << 16) == ""

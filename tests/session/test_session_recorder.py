"""Writing a session folder."""

import errno
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_candump_text import frames

from bench.core.clock import VirtualClock
from bench.core.entry import (
    MARKS,
    AdapterLate,
    Alive,
    Answered,
    Asked,
    Confirmed,
    Dropped,
    Ended,
    HostLate,
    LinkLost,
    Refused,
    Started,
    StepMark,
    SupplyConfirmed,
    SupplyMeter,
    SupplyReached,
    SupplyRead,
    SupplySet,
    SupplySwitched,
    SupplyTrouble,
)
from bench.core.errors import BenchError, InternalError, UsageError
from bench.core.frame import Frame
from bench.session import Recorder, open_session

SOME = [
    Started(1_000, 3.5, "loop test", 0, 1),
    Frame(2_000, 0x18FF2021, b"\x01"),
    Alive(3_000),
    StepMark(4_000, 0, "press helm 1 — Ufer"),
    Frame(5_000, 0x18FF1041, b"\x01\x01\x00", direction="T"),
    Confirmed(6_000, 0),
    Refused(7_000, 1, "BEL"),
    Dropped(8_000, "queue", 3),
    HostLate(9_000, 21.5),
    AdapterLate(9_000, 120.25),
    SupplySwitched(10_000, "main", 0),
    SupplyConfirmed(10_000, "main", 0),
    SupplyMeter(10_000, 0.5, 300.0),
    SupplySet(10_000, 8.5),
    SupplyReached(10_000, 8.5, 0.3),
    SupplyRead(10_000, 9_000, 0.25, 0.0),
    SupplyTrouble(11_000, 10_000, "did not answer"),
    Frame(11_000, 0x123, b"", False),
    Asked(11_000, 1, "by_hand", "horn", 1, "move the fuse"),
    Answered(12_000, 1, "done", "stiff"),
    LinkLost(12_000, "unplugged"),
    Ended(13_000, "link lost"),
]


def record(folder, entries, clock=None, **header):
    recorder = Recorder(folder, header, clock or VirtualClock())
    written = [recorder.write(e) for e in entries]
    recorder.close()
    return written


def test_every_kind_of_entry_comes_back_in_its_place(tmp_path):
    record(tmp_path / "s", SOME)
    session = open_session(tmp_path / "s")
    assert list(session.entries()) == SOME
    assert {type(e) for e in SOME} == {Frame, *MARKS.values()}
    assert (session.cut, session.bad, session.frames, session.beyond) == (None, [], 3, [])


TEXTS = st.text(max_size=20)
INSTANTS = st.integers(0, 4 * 10**18)


@st.composite
def marks(draw):
    cls = draw(st.sampled_from(list(MARKS.values())))
    values = {
        int: st.integers(-(2**40), 2**40),
        float: st.floats(allow_nan=False, allow_infinity=False),
        str: TEXTS,
    }
    kinds = {"int": int, "float": float, "str": str}
    rest = [draw(values[kinds[cls.__annotations__[f].__forward_arg__]]) for f in cls._fields[1:]]
    return cls(draw(INSTANTS), *rest)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.lists(frames() | marks(), max_size=30), st.integers(0, 2))
def test_a_recording_gives_back_what_write_gave_back(tmp_path_factory, entries, flushes):
    folder = tmp_path_factory.mktemp("r") / "s"
    clock = VirtualClock()
    recorder = Recorder(folder, {}, clock)
    written = []
    for e in entries:
        clock.wait_until(clock.now_ns() + flushes * 60_000_000)
        written.append(recorder.write(e))
    recorder.close()
    session = open_session(folder)
    assert list(session.entries()) == written
    assert (session.cut, session.bad) == (None, [])
    assert all(e.t_ns % 1000 == 0 for e in written)
    assert all(0 <= e.t_ns - w.t_ns < 1000 for e, w in zip(entries, written, strict=True))


def test_stamps_are_cut_to_whole_microseconds_and_given_back(tmp_path):
    assert record(tmp_path / "s", [Frame(1_999, 1, b""), Alive(2_999)]) == [
        Frame(1_000, 1, b""),
        Alive(2_000),
    ]


def test_the_text_is_candump_text_with_its_direction(tmp_path):
    record(tmp_path / "s", SOME)
    assert (tmp_path / "s" / "frames.log").read_text() == (
        "(0000000000.000002) can0 18FF2021#01 R\n"
        "(0000000000.000005) can0 18FF1041#010100 T\n"
        "(0000000000.000011) can0 123# R\n"
    )


def test_the_header_says_whether_the_session_is_complete(tmp_path):
    recorder = Recorder(tmp_path / "s", {"serial": 1042}, VirtualClock(5))
    path = tmp_path / "s" / "session.json"
    at_start = json.loads(path.read_text())
    assert at_start == {"format": 1, "serial": 1042, "start_ns": 5, "complete": False}
    recorder.add_to_header(firmware="1.4")
    recorder.close(outcome="pass")
    at_end = json.loads(path.read_text())
    assert at_end == at_start | {
        "firmware": "1.4",
        "outcome": "pass",
        "complete": True,
        "frames": 0,
        "marks": 0,
    }
    assert sorted(p.name for p in (tmp_path / "s").iterdir()) == ["frames.log", "marks.jsonl", "session.json"]


def test_a_folder_that_holds_something_is_refused(tmp_path):
    (tmp_path / "old.txt").write_text("x")
    with pytest.raises(
        UsageError, match=r"session folder is not empty - name a new folder, or move this one away"
    ):
        Recorder(tmp_path, {}, VirtualClock())
    assert [p.name for p in tmp_path.iterdir()] == ["old.txt"]


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "f").write_text("x")
    with pytest.raises(UsageError, match="taken by a file"):
        Recorder(tmp_path / "f", {}, VirtualClock())
    with pytest.raises(BenchError, match="cannot record the session"):
        Recorder(tmp_path / "f" / "s", {}, VirtualClock())


def test_everything_is_on_disk_after_100_ms_of_clock_time(tmp_path):
    clock = VirtualClock()
    recorder = Recorder(tmp_path / "s", {}, clock)
    recorder.write(Frame(1_000, 1, b""))
    clock.wait_until(99_000_000)
    recorder.write(Alive(99_000_000))
    assert (tmp_path / "s" / "frames.log").read_bytes() == b""
    clock.wait_until(100_000_000)
    recorder.write(Alive(100_000_000))
    assert (tmp_path / "s" / "frames.log").read_bytes().count(b"\n") == 1
    assert (tmp_path / "s" / "marks.jsonl").read_bytes().count(b"\n") == 2
    recorder.close()


def test_marks_reach_the_disk_before_the_frames_of_the_same_flush(tmp_path, monkeypatch):
    order = []
    monkeypatch.setattr("bench.session.recorder._append", lambda file, lines: order.append(file.name))
    recorder = Recorder(tmp_path / "s", {}, VirtualClock())
    recorder.write(Frame(0, 1, b""))
    recorder.flush()
    recorder.close()
    assert [name.name for name in order[:2]] == ["marks.jsonl", "frames.log"]


def full_disk(file, lines):
    raise OSError(errno.ENOSPC, "No space left on device")


def test_a_full_disk_is_said_once_and_the_run_can_go_on(tmp_path, monkeypatch):
    clock = VirtualClock()
    recorder = Recorder(tmp_path / "s", {}, clock)
    recorder.write(Frame(0, 1, b""))
    monkeypatch.setattr("bench.session.recorder._append", full_disk)
    clock.wait_until(200_000_000)
    with pytest.raises(BenchError, match=r"No space left on device - check free space and permission"):
        recorder.write(Frame(200_000_000, 1, b""))
    clock.wait_until(400_000_000)
    assert recorder.write(Frame(400_000_001, 1, b"")) == Frame(400_000_000, 1, b"")
    assert "No space left" in recorder.failed
    recorder.close()
    assert "no end mark" in open_session(tmp_path / "s").cut


def test_a_removed_folder_is_noticed(tmp_path):
    import shutil

    recorder = Recorder(tmp_path / "s", {}, VirtualClock())
    shutil.rmtree(tmp_path / "s")
    recorder.write(Frame(0, 1, b""))
    with pytest.raises(BenchError, match="the file was removed while the session was being recorded"):
        recorder.flush()
    recorder.close()


def test_a_frame_that_text_cannot_hold_is_our_own_defect(tmp_path):
    recorder = Recorder(tmp_path / "s", {}, VirtualClock())
    for bad in (
        Frame(0, 1, bytes(9)),
        Frame(0, 0x800, b"", False),
        Frame(-1, 1, b""),
        HostLate(0, float("nan")),
    ):
        with pytest.raises(InternalError):
            recorder.write(bad)
    recorder.close()
    assert list(open_session(tmp_path / "s").entries()) == []


def test_the_same_entries_give_the_same_bytes(tmp_path):
    for name in "ab":
        record(tmp_path / name, SOME, serial=1)
    for file in ("frames.log", "marks.jsonl", "session.json"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()

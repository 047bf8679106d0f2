"""Opening recordings: whole, cut, damaged, wrong."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_session_recorder import SOME, record

from bench.core.clock import VirtualClock
from bench.core.entry import Alive, Dropped, Ended, LinkLost
from bench.core.errors import UsageError
from bench.core.frame import Frame
from bench.session import Recorder, open_session

MS = 1_000_000
START = 1_700_000_000_000_000_000


def traffic(count=120):
    """Frames every 7 ms with an alive tick every 21 ms, and an end."""
    entries = []
    for n in range(count):
        t_ns = START + n * 7 * MS
        entries.append(Frame(t_ns, 0x18FF2021, n.to_bytes(2, "big")))
        if n % 3 == 2:
            entries.append(Alive(t_ns + 3 * MS))
    return [*entries, Ended(t_ns + 5 * MS, "complete")]


def bare(tmp_path, data):
    path = tmp_path / "x.log"
    path.write_bytes(data)
    return open_session(path)


GOOD = b"(1.000000) can0 123#01\n"


def test_a_bare_candump_file_is_a_session_without_header(tmp_path):
    session = bare(tmp_path, GOOD * 3)
    assert list(session.entries()) == [Frame(10**9, 0x123, b"\x01", False)] * 3
    assert (session.header, session.cut, session.bad, session.frames) == ({}, None, [], 3)


def test_windows_line_ends_byte_order_mark_comments_and_blank_lines_are_no_fault(tmp_path):
    session = bare(tmp_path, b"\xef\xbb\xbf# made by hand\r\n\r\n  \n" + GOOD.replace(b"\n", b"\r\n") * 2)
    assert (session.frames, session.bad, session.cut) == (2, [], None)


def test_a_bad_line_is_kept_with_file_line_text_and_reason_and_blinds_the_stream_around_it(tmp_path):
    session = bare(tmp_path, GOOD + b"(1.050000) can0 123#0\n" + GOOD.replace(b"1.00", b"1.25"))
    _first, *drops, _last = session.entries()
    assert [d.t_ns for d in drops] == [10**9, 10**9 + 83_333_333, 10**9 + 166_666_666, 125 * 10**7]
    assert all(isinstance(d, Dropped) for d in drops)
    assert "line 2" in drops[0].where
    (bad,) = session.bad
    assert (bad.path, bad.line, bad.text) == (str(tmp_path / "x.log"), 2, "(1.050000) can0 123#0")
    assert bad.reason == "data '0' is not whole bytes in hex"
    assert session.frames == 2
    assert session.cut is None


def test_a_half_last_line_is_never_taken_for_a_frame(tmp_path):
    session = bare(tmp_path, GOOD + b"(1.100000) can0 123#01")
    assert session.frames == 1
    assert session.cut == "x.log ends in half a line"
    assert session.bad[0].reason == "half a line: the recording was cut here"


def test_what_candump_says_of_lost_frames_is_in_the_stream(tmp_path):
    """Source: candump.c prints DROPCOUNT lines into its log."""
    line = b"DROPCOUNT: dropped 12 CAN frames on 'can0' socket (total drops 12)\n"
    session = bare(tmp_path, GOOD + line + GOOD)
    assert Dropped(10**9, "kernel, for can0", 12) in list(session.entries())
    assert session.bad == []


def test_stamps_that_step_back_are_measured(tmp_path):
    assert bare(tmp_path, GOOD.replace(b"1.", b"3.") + GOOD).step_back_ns == 2 * 10**9


def test_a_line_without_end_does_not_fill_the_memory(tmp_path):
    session = bare(tmp_path, GOOD + b"\x00" * 3_000_000 + b"\n" + GOOD)
    assert (session.frames, session.bad_count) == (2, 1)
    assert session.bad[0].line == 2


WRONG = {
    "empty": (b"", "the recording is empty: it holds no frame"),
    "blank": (b"\n\n# nothing\n", "the recording is empty: it holds no frame"),
    "binary": (bytes(range(256)) * 40, "not a candump text recording: no stamp"),
    "prose": (b"Dear diary,\nall lights worked.\n", "found 'Dear diary,' - expected lines as `candump -L`"),
    "utf16": ("(1.000000) can0 123#01\n".encode("utf-16"), "not a candump text recording"),
    "table": (b"time;id;data\n1.0;123;01\n", "x.log:1: error: not a candump text recording"),
    "one half line": (b"(1.0000", "not a candump text recording"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_file_that_is_no_recording_is_refused_with_its_first_line(tmp_path, name):
    data, text = WRONG[name]
    with pytest.raises(UsageError) as caught:
        bare(tmp_path, data)
    assert text in str(caught.value)


@pytest.mark.parametrize("name", ["x.parquet", "x.mf4", "x.asc", "x.BLF"])
def test_another_format_is_refused_with_how_to_convert_it(tmp_path, name):
    (tmp_path / name).write_bytes(b"PAR1\nnothing to read\n")
    with pytest.raises(UsageError, match=f"convert it first: hardstand convert {name} x.log$"):
        open_session(tmp_path / name)


def test_a_missing_recording_is_one_clear_error(tmp_path):
    with pytest.raises(UsageError, match="no such recording - expected a session folder or candump text"):
        open_session(tmp_path / "nothing")


@pytest.mark.parametrize("name", ["frames.log", "marks.jsonl"])
def test_a_folder_that_is_no_whole_session_is_refused(tmp_path, name):
    record(tmp_path / "s", SOME)
    (tmp_path / "s" / name).unlink()
    with pytest.raises(UsageError, match=f"not a whole session folder: {name} is missing"):
        open_session(tmp_path / "s")


def test_a_newer_format_is_refused_by_name(tmp_path):
    record(tmp_path / "s", [])
    (tmp_path / "s" / "session.json").write_text('{"format": 2}')
    with pytest.raises(UsageError, match="session format 2 is not known to this version"):
        open_session(tmp_path / "s")


@pytest.mark.parametrize("text", [None, "", "[]", "{", "[" * 100_000, "\x00"])
def test_a_bad_header_is_a_bad_record_and_the_frames_are_still_there(tmp_path, text):
    record(tmp_path / "s", SOME)
    path = tmp_path / "s" / "session.json"
    path.unlink() if text is None else path.write_text(text)
    session = open_session(tmp_path / "s")
    assert session.frames == 3
    assert [b.path for b in session.bad] == [str(path)]


BAD_MARKS = {
    "[1]": "not a JSON object",
    "{": "not a line of JSON",
    '{"kind":"tea","t_ns":1,"after_frames":0}': "unknown kind of mark 'tea', expected one of confirmed",
    '{"kind":"alive","after_frames":0}': "key 't_ns' is missing",
    '{"kind":"alive","t_ns":1,"after_frames":0,"x":1}': "unknown key 'x', expected after_frames, t_ns",
    '{"kind":"alive","t_ns":1.5,"after_frames":0}': "t_ns is 1.5, expected int",
    '{"kind":"alive","t_ns":true,"after_frames":0}': "t_ns is True, expected int",
    '{"kind":"alive","t_ns":1,"after_frames":-1}': "after_frames is negative",
    '{"kind":"alive","t_ns":1,"t_ns":2,"after_frames":0}': "a key stands twice",
    '{"kind":"host_late","t_ns":1,"late_ms":NaN,"after_frames":0}': "NaN is no number",
    '{"kind":"alive","t_ns":' + "9" * 5000 + ',"after_frames":0}': "not a line of JSON",
}


@pytest.mark.parametrize("line", BAD_MARKS, ids=lambda t: t[:60])
def test_a_bad_mark_is_named_and_blinds_the_stream_there(tmp_path, line):
    record(tmp_path / "s", [Alive(5_000), Frame(6_000, 1, b"")])
    path = tmp_path / "s" / "marks.jsonl"
    first, end = path.read_text().splitlines()
    path.write_text(f"{first}\n{line}\n{end}\n")
    session = open_session(tmp_path / "s")
    entries = list(session.entries())
    assert Dropped(5_000, "recording, marks.jsonl line 2", 1) in entries
    assert Frame(6_000, 1, b"") in entries
    assert BAD_MARKS[line] in session.bad[0].reason
    assert session.bad[0].line == 2


def test_a_killed_run_opens_and_says_that_it_was_cut(tmp_path):
    recorder = Recorder(tmp_path / "s", {}, VirtualClock())
    for entry in traffic()[:20]:
        recorder.write(entry)
    recorder.flush()
    session = open_session(tmp_path / "s")
    assert list(session.entries()) == traffic()[:20]
    assert session.cut == "no end mark: the run was cut off"
    recorder.close()


def test_marks_beyond_the_last_frame_are_kept_apart_and_the_stream_ends_in_link_lost(tmp_path):
    record(tmp_path / "s", traffic())
    path = tmp_path / "s" / "frames.log"
    path.write_bytes(b"".join(path.read_bytes().splitlines(True)[:60]))
    session = open_session(tmp_path / "s")
    entries = list(session.entries())
    assert entries[:-1] == traffic()[:80]
    assert entries[-1] == LinkLost(START + (59 * 7 + 3) * MS, "the recording was cut off after this frame")
    assert session.beyond == [e for e in traffic()[80:] if not isinstance(e, Frame)]
    assert (
        session.cut
        == "the end mark counts 120 frames, frames.log holds 60; 21 marks lie beyond the last frame"
    )


def test_frames_that_no_mark_vouches_for_are_not_handed_out(tmp_path):
    """A power cut may lose the end of marks.jsonl and keep the frames: a drop could be unknown there."""
    record(tmp_path / "s", traffic())
    path = tmp_path / "s" / "marks.jsonl"
    path.write_bytes(b"".join(path.read_bytes().splitlines(True)[:10]))
    session = open_session(tmp_path / "s")
    *entries, last = session.entries()
    assert isinstance(last, LinkLost)
    assert max(e.t_ns for e in entries) <= START + (29 * 7 + 3 + 250) * MS
    assert "marks.jsonl ends before frames.log" in session.cut


WHOLE = traffic()


@pytest.fixture(scope="module")
def whole_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole") / "s"
    record(folder, WHOLE)
    return folder


def copy(folder, to, **changed):
    to.mkdir()
    for name in ("frames.log", "marks.jsonl", "session.json"):
        data = (folder / name).read_bytes()
        (to / name).write_bytes(changed.get(name.split(".")[0], lambda d: d)(data))
    return to


def own_reports(entry):
    """Whether the reader itself put this entry in."""
    return (isinstance(entry, Dropped) and entry.where.startswith("recording, ")) or isinstance(
        entry, LinkLost
    )


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.floats(0, 1), st.floats(0, 1))
def test_a_session_cut_anywhere_gives_a_beginning_of_the_whole_and_says_so(
    whole_folder, tmp_path_factory, frames_at, marks_at
):
    def cut(share):
        return lambda data: data[: int(share * len(data))]

    to = tmp_path_factory.mktemp("cut") / "s"
    session = open_session(copy(whole_folder, to, frames=cut(frames_at), marks=cut(marks_at)))
    entries = list(session.entries())
    assert session.cut or entries == WHOLE
    seen = [e for e in entries if not own_reports(e)]
    frames = [e for e in seen if isinstance(e, Frame)]
    marks = [e for e in seen if not isinstance(e, Frame)]
    assert frames == [e for e in WHOLE if isinstance(e, Frame)][: len(frames)]
    assert marks == [e for e in WHOLE if not isinstance(e, Frame)][: len(marks)]
    if marks_at == 1:
        assert seen == WHOLE[: len(seen)]


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.data())
def test_a_damaged_session_never_raises_and_never_invents_an_entry(whole_folder, tmp_path_factory, data):
    def damage(raw):
        raw = bytearray(raw)
        for _ in range(data.draw(st.integers(0, 3))):
            at = data.draw(st.integers(0, len(raw) - 1))
            raw[at : at + data.draw(st.sampled_from([0, 1, 1, 40, 400]))] = data.draw(st.binary(max_size=30))
        return bytes(raw)

    to = tmp_path_factory.mktemp("bad") / "s"
    session = open_session(copy(whole_folder, to, frames=damage, marks=damage))
    entries = list(session.entries())
    undamaged = entries == WHOLE
    assert undamaged or session.bad or session.cut or len(entries) == len(WHOLE)
    assert session.frames == sum(isinstance(e, Frame) for e in entries)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.sets(st.integers(0, 119), min_size=1, max_size=6))
def test_damaged_frame_lines_leave_all_other_entries_in_their_order(whole_folder, tmp_path_factory, lines):
    def damage(raw):
        out = raw.splitlines(True)
        for n in lines:
            out[n] = b"~" + out[n][1:]
        return b"".join(out)

    to = tmp_path_factory.mktemp("lines") / "s"
    session = open_session(copy(whole_folder, to, frames=damage))
    entries = list(session.entries())
    lost = [e for n, e in enumerate(f for f in WHOLE if isinstance(f, Frame)) if n in lines]
    assert [e for e in entries if not own_reports(e)] == [e for e in WHOLE if e not in lost]
    drops = [e.t_ns for e in entries if own_reports(e)]
    for frame in lost:
        assert any(t <= frame.t_ns for t in drops) or frame.t_ns <= START + 42 * MS
        assert any(frame.t_ns <= t <= frame.t_ns + 107 * MS for t in drops)
    assert session.bad_count == len(lines)

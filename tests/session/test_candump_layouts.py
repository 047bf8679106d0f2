"""The layouts that candump prints for people, with the length in brackets.

Source: can-utils candump.c and lib.c (fprint_long_canframe), from which the lines below are written down.
"""

import pytest

from bench.core.errors import UsageError
from bench.core.frame import Frame
from bench.session import BadLineError, open_session
from bench.session.layouts import parse_stamped, parse_unstamped

T = 1_436_509_052_249_713_000
STAMPED = {
    b" (1436509052.249713)  can0  044   [5]  2A 36 6C 2B BA": Frame(
        T, 0x44, bytes.fromhex("2A366C2BBA"), False
    ),
    b" (1436509052.249713)  can0       044   [0]": Frame(T, 0x44, b"", False),
    b" (1436509052.249713)  can0  18FF2021   [2]  01 02": Frame(T, 0x18FF2021, b"\x01\x02"),
    b" (1436509052.249713)  vcan0  044   [8] ": None,
    b" (1436509052.249713)  can0  044   [3]  remote request": Frame(T, 0x44, b"", False, remote=True, dlc=3),
    b" (1436509052.249713)  can0  044   [0]  remote request": Frame(T, 0x44, b"", False, remote=True),
    b" (1436509052.249713)  can0  20000004   [8]  00 01 00 00 00 00 00 00   ERRORFRAME": Frame(
        T, 4, bytes([0, 1, 0, 0, 0, 0, 0, 0]), True, error=True
    ),
    b" (1436509052.249713)  can0  123  [12]  " + b" ".join([b"AB"] * 12): Frame(
        T, 0x123, b"\xab" * 12, False, fd_flags=0
    ),
    b" (1436509052.249713)  can0  TX B E  123  [02]  01 02": Frame(
        T, 0x123, b"\x01\x02", False, "T", fd_flags=3
    ),
    b" (1436509052.249713)  can0  RX - -  123   [1]  7F": Frame(T, 0x123, b"\x7f", False),
    b" (1436509052.249713)  can0  123   [2]  41 27               'A''": Frame(T, 0x123, b"A'", False),
    b" (1436509052.249713001)  can0  123   [1]  7F": Frame(T + 1, 0x123, b"\x7f", False),
}


@pytest.mark.parametrize("line", STAMPED, ids=lambda t: t.decode()[:60])
def test_lines_with_stamps_are_read_as_candump_means_them(line):
    if STAMPED[line] is None:
        with pytest.raises(BadLineError, match="length 8 but 0 data bytes"):
            parse_stamped(line)
        return
    assert parse_stamped(line) == STAMPED[line]
    bare = line.split(b") ", 1)[1]
    assert parse_unstamped(bare) == STAMPED[line]._replace(t_ns=0)


REFUSED = {
    b" (000.123456)  can0  123   [1]  00": "the stamp is relative, since the start",
    b" (2015-07-10 06:17:32.249713)  can0  123   [1]  00": "not seconds since 1970",
    b" (1436509052.249713)  can0  123   [2]  00": "length 2 but 1 data bytes",
    b" (1436509052.249713)  can0  123   [9]  " + b" ".join([b"00"] * 9): "cannot have 9 data bytes",
    b" (1436509052.249713)  can0  123   [2]  00 0": "behind the data bytes cannot be read",
    b" (1436509052.249713)  can0  123   [2]  22`11": "behind the data bytes cannot be read",
    b" (1436509052.249713)  can0  800   [1]  00": "standard identifier 800 is above 7FF",
    b" (1436509052.249713)  can0  40000000   [1]  00": "extended identifier 40000000 is above",
    b" (1436509052.249713)  can0  20000004   [1]  00": "both the error bit and the word ERRORFRAME",
    b" (1436509052.249713)  can0  123   [1]  00   ERRORFRAME": "both the error bit and the word",
    b"  can0  123   [1]  00": "no stamp, though the recording has them",
    b"(1436509052.249713) can0 123#00": "expected interface name, identifier, [length] and data",
}


@pytest.mark.parametrize("line", REFUSED, ids=lambda t: t.decode()[:60])
def test_a_bad_line_says_what_is_wrong_with_it(line):
    with pytest.raises(BadLineError) as caught:
        parse_stamped(line)
    assert REFUSED[line] in str(caught.value)


def lines(*some):
    return b"".join(line + b"\n" for line in some)


def test_a_recording_with_stamps_in_this_layout_opens_like_any_other(tmp_path):
    path = tmp_path / "x.log"
    good = [line for line, frame in STAMPED.items() if frame]
    path.write_bytes(lines(*good, b"(1436509052.249713) can0 123#00"))
    session = open_session(path)
    frames = [e for e in session.entries() if isinstance(e, Frame)]
    assert frames == [STAMPED[line] for line in good]
    assert [f for c in session.chunks() for f in c.frames()] == frames
    assert (session.bad[0].line, session.bad_count) == (len(good) + 1, 1)


def test_a_recording_without_stamps_can_be_looked_at_but_gives_no_entries_to_judge(tmp_path):
    path = tmp_path / "x.log"
    path.write_bytes(lines(b"  can0  123   [1]  00", b"  can0  124   [1]  01", b"  can0  124   [2]  01"))
    session = open_session(path)
    assert (session.timed, session.frames, session.bad_count) == (False, 2, 1)
    with pytest.raises(
        UsageError, match="no stamps, so nothing can be said of when its frames came - record"
    ):
        next(session.entries())
    with pytest.raises(UsageError, match="no stamps"):
        next(session.chunks())
    (chunk,) = session.chunks(rows=9, untimed=True)
    assert [f.can_id for f in chunk.frames()] == [0x123, 0x124]


def test_relative_stamps_are_refused_at_the_opening_with_what_to_do(tmp_path):
    path = tmp_path / "x.log"
    path.write_bytes(lines(b" (000.000000)  can0  123   [1]  00"))
    with pytest.raises(UsageError, match="look alike; record with -L or -t a"):
        open_session(path)

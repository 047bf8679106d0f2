"""One line of candump text, both ways."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.core.errors import InternalError
from bench.core.frame import Frame
from bench.evidence.candump_grammar import accepted
from bench.evidence.mutations import frame_of
from bench.session import BadLineError, format_frame, parse_line

PROPERTY = settings(max_examples=300, deadline=None, derandomize=True)
STAMPS = st.integers(0, 4_000_000_000_000_000).map(lambda us: us * 1000)
NAMES = st.sampled_from(["can0", "vcan12", "slcan0", "0", "x_y-z.1"])
WAYS = st.sampled_from("RT")
DATA = st.binary(max_size=8)


@st.composite
def frames(draw):
    kind = draw(st.sampled_from(["plain", "plain", "raw", "remote", "error", "fd"]))
    extended = True if kind == "error" else draw(st.booleans())
    can_id = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    head = (draw(STAMPS), can_id)
    tail = {"extended": extended, "direction": draw(WAYS), "bus": draw(NAMES)}
    if kind == "raw":
        return Frame(*head, draw(st.binary(min_size=8, max_size=8)), **tail, dlc=draw(st.integers(9, 15)))
    if kind == "remote":
        return Frame(*head, b"", **tail, remote=True, dlc=draw(st.none() | st.integers(1, 15)))
    if kind == "fd":
        size = draw(st.sampled_from([0, 1, 7, 8, 12, 16, 20, 24, 32, 48, 64]))
        return Frame(*head, bytes(range(size)), **tail, fd_flags=draw(st.integers(0, 15)))
    return Frame(*head, draw(DATA), **tail, error=kind == "error")


@PROPERTY
@given(frames())
def test_what_was_written_is_read_back_unchanged(frame):
    line = format_frame(frame).encode()
    assert line.endswith(b"\n")
    assert parse_line(line[:-1]) == frame


@PROPERTY
@given(frames())
def test_our_own_lines_are_in_the_grammar(frame):
    assert accepted(format_frame(frame).encode()[:-1]) is not None


@st.composite
def mutated(draw):
    line = bytearray(format_frame(draw(frames())).encode()[:-1])
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(line)))
        new = draw(
            st.sampled_from(list(b"0123456789ABCDEFabcdefRrT#._() \x00\xff\n\r\tgG")) | st.integers(0, 255)
        )
        change = draw(st.sampled_from(["replace", "insert", "delete", "cut", "double"]))
        if change == "replace" and at < len(line):
            line[at] = new
        elif change == "insert":
            line.insert(at, new)
        elif change == "delete":
            del line[at : at + 1]
        elif change == "cut":
            del line[at:]
        elif change == "double":
            line[at:at] = line[at : at + 2]
    return bytes(line)


@settings(max_examples=800, deadline=None, derandomize=True)
@given(mutated())
@pytest.mark.slow
def test_a_mutated_line_is_read_exactly_as_the_grammar_says_or_refused_with_a_reason(line):
    said = accepted(line)
    if said is not None:
        assert parse_line(line) == frame_of(said)
        return
    with pytest.raises(BadLineError) as caught:
        parse_line(line)
    assert len(str(caught.value)) > 10


# examples of can-utils lib.h, as listed in CDL-03
LIB_H = {
    b"123#": Frame(0, 0x123, b"", False),
    b"12345678#": Frame(0, 0x12345678, b""),
    b"123#R": Frame(0, 0x123, b"", False, remote=True),
    b"123#R7": Frame(0, 0x123, b"", False, remote=True, dlc=7),
    b"123#R8_9": Frame(0, 0x123, b"", False, remote=True, dlc=9),
    b"7A1#r": Frame(0, 0x7A1, b"", False, remote=True),
    b"123#11.2233.44556677.88": Frame(0, 0x123, bytes.fromhex("1122334455667788"), False),
    b"123#1122334455667788_E": Frame(0, 0x123, bytes.fromhex("1122334455667788"), False, dlc=14),
    b"123##1112233": Frame(0, 0x123, bytes.fromhex("112233"), False, fd_flags=1),
    b"123##3": Frame(0, 0x123, b"", False, fd_flags=3),
    b"20000004#0000000000000000": Frame(0, 4, bytes(8), True, error=True),
}


@pytest.mark.parametrize("text", LIB_H, ids=lambda t: t.decode())
def test_examples_of_can_utils_are_read_as_can_utils_means_them(text):
    """Source: can-utils lib.h, comment above parse_canframe; linux/can.h CAN_ERR_FLAG."""
    assert parse_line(b"(0000000000.000000) can0 " + text) == LIB_H[text]


def test_the_sample_line_of_can_utils_is_read():
    """Source: can-utils examples, CDL-05."""
    expected = Frame(1436509052249713000, 0x44, bytes.fromhex("2A366C2BBA"), False)
    assert parse_line(b"(1436509052.249713) can0 044#2A366C2BBA") == expected


def test_stamps_of_nine_digits_keep_their_nanoseconds():
    assert parse_line(b"(0000000001.000000001) can0 123#").t_ns == 1_000_000_001


def test_padded_interface_names_of_candump_are_read():
    """Source: candump.c prints the name with %*s when it listens to several interfaces."""
    assert parse_line(b"(0000000001.000000)  can0 123#").bus == "can0"


REFUSED = {
    b"": "no stamp",
    b"(12) can0 123#": "is not seconds with 6 or 9 decimals",
    b"(1.0000000) can0 123#": "is not seconds with 6 or 9 decimals",
    b"(9999999999.000000) can0 123#": "beyond what nanoseconds can count",
    b"(1.000000) can0 800#": "standard identifier 800 is above 7FF",
    b"(1.000000) can0 12345#": "identifier has 5 digits, expected 3 or 8",
    b"(1.000000) can0 40000001#": "extended identifier 40000001 is above 1FFFFFFF",
    b"(1.000000) can0 123#1": "data '1' is not whole bytes in hex",
    b"(1.000000) can0 123#1122..33": "is not whole bytes in hex",
    b"(1.000000) can0 123#112233445566778899": "classic frame has 9 data bytes, at most 8",
    b"(1.000000) can0 123#11_9": "raw length code 9 needs 8 data bytes, found 1",
    b"(1.000000) can0 123#R7_9": "raw length code 9 needs length 8, found 7",
    b"(1.000000) can0 123##1" + b"00" * 9: "an FD frame cannot have 9 data bytes",
    b"(1.000000) can0 20000004#R": "an error frame is neither remote nor FD",
    b"(1.000000) can0 123": "no frame such as",
    b"(1.000000) can0 123#11 X": "expected one line of stamp",
}


@pytest.mark.parametrize("line", REFUSED, ids=lambda t: t.decode()[:40])
def test_a_bad_line_says_what_is_wrong_with_it(line):
    assert accepted(line) is None
    with pytest.raises(BadLineError, match=REFUSED[line].replace("(", r"\(")):
        parse_line(line)


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0, 0x800, b"", False),
        Frame(0, 1 << 29, b""),
        Frame(0, 1, bytes(9)),
        Frame(0, 1, bytes(9), fd_flags=0),
        Frame(0, 1, b"", bus="a b"),
        Frame(0, 1, b"", bus="ünder"),
        Frame(0, 1, b"\x01", remote=True),
        Frame(0, 1, b"\x01", dlc=9),
        Frame(0, 1, b"", remote=True, error=True),
        Frame(-1000, 1, b""),
        Frame(1, 1, b""),
    ],
    ids=repr,
)
def test_a_frame_that_text_cannot_hold_is_refused_not_bent(frame):
    with pytest.raises(InternalError):
        format_frame(frame)

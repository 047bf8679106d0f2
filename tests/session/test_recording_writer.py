"""Columns to text: what is written is what is read, and the same as line by line."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_candump_text import frames

from bench.core.errors import InternalError
from bench.core.frame import Frame
from bench.evidence.mutations import fast, random_frame
from bench.session import format_frame, parse_line
from bench.session.columns import from_frames
from bench.session.writing import format_line, text_of

SMALL = settings(max_examples=80, deadline=None, derandomize=True)


@SMALL
@given(st.lists(frames(), max_size=30))
def test_the_text_is_that_of_single_lines(some):
    assert bytes(text_of(from_frames(some))).decode() == "".join(map(format_frame, some))


@SMALL
@given(st.lists(frames(), min_size=1, max_size=20), st.lists(st.integers(0, 999), min_size=20, max_size=20))
def test_written_and_read_again_everything_is_kept_nanoseconds_too(tmp_path_factory, some, extra_ns):
    some = [f._replace(t_ns=f.t_ns + ns * (ns % 3 == 0)) for f, ns in zip(some, extra_ns, strict=False)]
    path = tmp_path_factory.mktemp("w") / "x.log"
    path.write_bytes(text_of(from_frames(some)))
    assert fast(path, 4096)[0] == some


@pytest.mark.parametrize("name", ["a", "can0", "vcan1234", "abcdefghijklmn", "abcdefghijklmno", "x" * 40])
def test_names_of_any_length_beside_one_another(name):
    chance = random.Random(name)
    some = [random_frame(chance, n * 1_000_000, chance.choice([name, "b", "can10"])) for n in range(300)]
    text = bytes(text_of(from_frames(some)))
    assert [parse_line(line) for line in text.splitlines()] == some


def test_the_shortest_lines_do_not_disturb_one_another():
    some = [Frame(n, 0x100 + n % 7, b"", False, "R", "c") for n in range(0, 50_000, 1000)]
    assert bytes(text_of(from_frames(some))).decode() == "".join(map(format_frame, some))


def test_nine_decimals_are_written_only_where_they_are_needed():
    assert format_line(Frame(1_000_000_001, 1, b"")) == "(0000000001.000000001) can0 00000001# R\n"
    assert format_line(Frame(1_000_001_000, 1, b"")) == "(0000000001.000001) can0 00000001# R\n"


@pytest.mark.parametrize(
    "frame",
    [Frame(-1000, 1, b""), Frame(0, 1, b"", bus="a b"), Frame(0, 1, b"", bus="ü"), Frame(0, 1, b"", bus="")],
)
def test_a_frame_that_text_cannot_hold_is_refused_not_bent(frame):
    with pytest.raises(InternalError):
        text_of(from_frames([Frame(0, 1, b""), frame]))


def test_nothing_is_written_of_nothing():
    assert bytes(text_of(from_frames([]))) == b""

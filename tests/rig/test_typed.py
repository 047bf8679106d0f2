"""What a person types, read without ever waiting for it."""

import os
import time

import pytest

from bench.rig.typed import LONGEST, Typed


@pytest.fixture
def typing():
    """(a Typed, a function that types into it); the far end may be closed by the test."""
    read, write = os.pipe()
    open_ends = {read, write}

    def close():
        open_ends.discard(write)
        os.close(write)

    yield Typed(read, selects=True), lambda data: os.write(write, data), close
    for end in open_ends:
        os.close(end)


def test_nothing_typed_is_nothing_and_does_not_wait(typing):
    typed, _, _ = typing
    assert (typed.lines(), typed.ended) == ([], "")


def test_a_line_counts_once_its_end_was_typed(typing):
    typed, type_, _ = typing
    type_(b"ye")
    assert typed.lines() == []
    type_(b"s it is\r\nn")
    assert typed.lines() == ["yes it is"]
    type_(b"o\n\n")
    assert typed.lines() == ["no", ""]


def test_the_end_of_the_input_is_said_and_what_stood_before_it_is_a_line(typing):
    typed, type_, close = typing
    type_(b"skip")
    close()
    assert typed.lines() == []
    assert (typed.lines(), typed.ended) == (["skip"], "the input has ended")
    assert typed.lines() == []


def test_a_huge_line_is_cut_and_the_next_one_is_whole(typing):
    typed, type_, _ = typing
    for _ in range(10):
        type_(b"x" * 30_000)
        assert typed.lines() == []
    type_(b"\nyes\n")
    assert typed.lines() == ["x" * LONGEST, "yes"]


def test_bytes_that_are_no_text_are_a_line_all_the_same(typing):
    typed, type_, _ = typing
    type_(b"\xff\xfe\x00y\n")
    assert typed.lines() == ["\N{REPLACEMENT CHARACTER}\N{REPLACEMENT CHARACTER}\x00y"]


def test_what_was_typed_can_be_thrown_away(typing):
    typed, type_, _ = typing
    type_(b"yes\nhalf")
    assert typed.throw_away()
    assert not typed.throw_away()
    type_(b"no\n")
    assert typed.lines() == ["no"]


def test_a_terminal_other_than_the_one_we_were_started_from_is_read():
    master, slave = pytest.importorskip("pty").openpty()
    os.write(master, b"yes\n")
    assert Typed(slave, selects=True).lines() == ["yes"]
    os.close(master)
    os.close(slave)


def test_a_descriptor_that_fails_ends_the_input():
    read, write = os.pipe()
    os.close(write)
    os.close(read)
    typed = Typed(read, selects=True)
    assert typed.lines() == []
    assert typed.ended == "the terminal is gone (Bad file descriptor)"


@pytest.mark.realtime
def test_where_a_console_cannot_be_asked_a_thread_gives_the_same():
    read, write = os.pipe()
    typed = Typed(read, selects=False)
    os.write(write, b"yes\nsk")
    got = []
    deadline_s = time.monotonic() + 5.0
    while not got and time.monotonic() < deadline_s:
        got += typed.lines()
    os.write(write, b"ip")
    os.close(write)
    while not typed.ended and time.monotonic() < deadline_s:
        got += typed.lines()
    os.close(read)
    assert (got, typed.ended) == (["yes", "skip"], "the input has ended")

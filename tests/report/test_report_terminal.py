"""What a person reads in a terminal."""

import io
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.core.verdict import INCONCLUSIVE, PASS, Doubt, Verdict
from bench.report import Material
from bench.report.progress import Progress
from bench.report.terminal import verdict_text, wants_colour
from bench.report.text import cells, printable, table, wrap


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_the_first_line_is_the_verdict_with_count_and_scope(material):
    assert verdict_text(material).splitlines()[0] == (
        "FAIL: 2 discrepancies, 12 that follow; 22 of 24 circuits, without by-hand and trip"
    )


def test_a_failure_tells_circuit_stimulus_expectation_observation_time_and_certainty(material):
    text = " ".join(verdict_text(material, width=70).split())
    assert "#1 bilge_aft what was done panel helm 5 pressed (bilges), at 2.500 s (step 14)" in text
    assert "expected on within 130 ms seen off in 14 reports when 2.632 s, 132 ms after" in text
    assert "how sure link proved alive, 0 dropped at the same instant: bilge_fwd; + 12 that follow" in text


def test_consequences_are_folded_into_one_count(material):
    text = verdict_text(material, width=200)
    assert "     at the same instant: bilge_fwd; + 12 that follow from it\n" in text
    assert text.count("panel helm 5 pressed") == 1


def test_what_was_in_doubt_not_tested_and_undetectable_is_said(material):
    text = verdict_text(material, where="out/x")
    assert "20.000 s  washdown: inconclusive, because 3 frames were dropped by the adapter" in text
    assert "  trip, by hand: no fixture" in text
    assert "  state: a delay of 145 ms or more" in text
    assert text.endswith("evidence: out/x\n")


def test_an_inconclusive_verdict_names_its_reason_in_the_first_line():
    verdict = Verdict(INCONCLUSIVE, doubts=(Doubt(0, "", "the bus was silent"),), scope="0 of 24 circuits")
    assert verdict_text(Material("x", verdict)).startswith(
        "INCONCLUSIVE: the bus was silent; 0 of 24 circuits\n"
    )


@pytest.mark.parametrize("width", [40, 60, 99, 100, 132, 200])
def test_no_line_is_wider_than_the_terminal(material, width):
    assert all(cells(line) <= width for line in verdict_text(material, width=width).splitlines())


def test_colour_changes_no_word(material):
    coloured = verdict_text(material, colour=True)
    assert "\x1b[1;31mFAIL\x1b[0m" in coloured
    assert coloured.replace("\x1b[1;31m", "").replace("\x1b[0m", "") == verdict_text(material)


@pytest.mark.parametrize(
    ("stream", "environ", "wanted"),
    [
        (Terminal(), {}, True),
        (Terminal(), {"NO_COLOR": "1"}, False),
        (Terminal(), {"NO_COLOR": ""}, True),  # no-color.org: only when not empty
        (Terminal(), {"TERM": "dumb"}, False),
        (io.StringIO(), {}, False),
    ],
)
def test_colour_only_on_a_terminal_that_wants_it(stream, environ, wanted):
    assert wants_colour(stream, environ) is wanted


def test_text_from_a_box_cannot_move_the_cursor(material):
    verdict = replace(material.verdict, scope="\x1b[2Jgone", outcome=PASS, discrepancies=())
    assert "\x1b" not in verdict_text(replace(material, verdict=verdict))


@settings(max_examples=50, deadline=None, derandomize=True)
@given(st.text(max_size=80), st.integers(20, 60))
def test_wrapping_loses_no_word_and_keeps_the_width(text, width):
    lines = wrap(text, width)
    assert "".join("".join(lines).split()) == "".join(printable(text).split())
    assert all(len(line) <= width for line in lines)


def test_table_columns_stand_under_their_headings():
    lines = table(("a", "b"), [("xx", "one two three four five six"), ("y", "z")], 20)
    column = lines[0].index("b")
    assert all(line[column - 1 : column] in ("", " ") for line in lines)
    assert [line[column:].split()[0] for line in lines[2:]] == ["one", "four", "z"] or lines[2][
        column:
    ].startswith("one")


def test_progress_on_a_terminal_renews_one_line_and_leaves_none():
    out = Terminal()
    progress = Progress(out)
    progress.update(5_000, 10_000, "step")
    progress.close()
    assert out.getvalue() == "\r\x1b[K 50%     5 s left  step\r\x1b[K"


def test_progress_elsewhere_is_a_few_plain_lines():
    out = io.StringIO()
    progress = Progress(out)
    for ms in range(0, 1_001, 10):
        progress.update(ms, 1_000)
    progress.close()
    assert out.getvalue().splitlines() == [
        "  0%     1 s left", " 20%     1 s left", " 40%     1 s left", " 60%     0 s left",
        " 80%     0 s left", "100%     0 s left",
    ]  # fmt: skip


def test_of_a_recording_from_the_middle_it_says_from_when_each_circuit_was_known(material):
    circuits = dict.fromkeys(["horn", "bilge_aft", "washdown"], "circuit")
    known = {"horn": material.start_ns + 703_000_000, "washdown": material.start_ns + 12_500_000_000}
    verdict = replace(material.verdict, known_from_ns=known)
    some = replace(material, verdict=verdict, groups=circuits, from_the_middle=True)
    text = verdict_text(some)
    assert "state known from:\n  0.703 s  horn\n  12.500 s  washdown\n  never  bilge_aft\n" in text
    assert "state known from" not in verdict_text(replace(some, from_the_middle=False))

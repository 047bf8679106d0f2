"""The person at the terminal: what counts as an answer, and what the screen says."""

import io
import os

import pytest

from bench.cli.person import TerminalPerson
from bench.core.event import BY_HAND
from bench.rig.typed import Typed
from bench.run.operator import Question

S = 1_000_000_000
HAND = Question(1, BY_HAND, "cabin_red", 1, "cabin_red: move its fuse. It must then be on. Is it?", 120.0)
READ = Question(2, "look", "label main", 1, "Read the label under the lid of box main.", 60.0)


class Desk:
    """A person, their keyboard and their screen."""

    def __init__(self):
        self.read, self.write = os.pipe()
        self.screen = io.StringIO()
        self.cleared = 0
        self.person = TerminalPerson(Typed(self.read, selects=True), self.screen, width=100, clear=self.clear)

    def clear(self):
        self.cleared += 1

    def type(self, text):
        os.write(self.write, text.encode())

    def says(self, text, t_ns=S):
        self.type(text)
        return self.person.answer(t_ns)

    def shown(self):
        text = self.screen.getvalue()
        self.screen.seek(0)
        self.screen.truncate()
        return text

    def hang_up(self):
        os.close(self.write)
        self.write = None


@pytest.fixture
def desk():
    made = Desk()
    yield made
    os.close(made.read)
    if made.write is not None:
        os.close(made.write)


def test_the_question_stands_on_lines_of_its_own_with_time_limit_and_words(desk):
    desk.person.ask(HAND, 0)
    assert desk.cleared == 1
    assert desk.shown() == (
        "\nQuestion 1 (120 s to answer)\n"
        "  cabin_red: move its fuse. It must then be on. Is it?\n"
        "  Type yes, no (done, but it is not so) or skip, then Enter. A comment may follow the word.\n"
    )


@pytest.mark.parametrize(
    ("typed", "answer"),
    [
        ("yes\n", ("done", "")),
        (" Y  bright\n", ("done", "bright")),
        ("done.\n", ("done", "")),
        ("skip cannot reach it\n", ("skipped", "cannot reach it")),
        ("S\r\n", ("skipped", "")),
    ],
)
def test_words_that_are_answers(desk, typed, answer):
    desk.person.ask(HAND, 0)
    assert desk.says(typed) == answer


def test_a_no_counts_once_it_was_said_twice(desk):
    desk.person.ask(HAND, 0)
    assert desk.says("no dark\n") is None
    assert "Look once more: no if it is not so, yes if it is so after all." in desk.shown()
    assert desk.says("no\n") == ("not_so", "dark")


def test_a_no_can_be_taken_back(desk):
    desk.person.ask(HAND, 0)
    assert desk.says("no\n") is None
    assert desk.says("yes wrong lamp\n") == ("done", "wrong lamp")
    desk.person.ask(HAND, 0)
    assert desk.says("no\n") is None  # the first no of another question does not count here


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("maybe\n", "Not understood: 'maybe'."),
        ("\n", "Type yes, no"),
        ("\x1b[2Jyes\n", "Not understood: '\N{REPLACEMENT CHARACTER}[2Jyes'."),
        ("y" * 5000 + "\n", f"Not understood: '{'y' * 40}'."),
    ],
)
def test_what_is_no_answer_is_said_and_the_question_stays(desk, typed, said):
    desk.person.ask(HAND, 0)
    desk.shown()
    assert desk.says(typed) is None
    assert said in desk.shown()
    assert desk.says("yes\n") == ("done", "")


def test_a_flood_of_lines_is_answered_once(desk):
    desk.person.ask(HAND, 0)
    desk.shown()
    assert desk.says("what\n" * 5000) is None
    assert desk.shown().count("Not understood") == 1


def test_a_comment_is_kept_to_200_printable_characters(desk):
    desk.person.ask(HAND, 0)
    answer, comment = desk.says("skip \x07" + "x" * 400 + "\n")
    assert (answer, comment) == ("skipped", "\N{REPLACEMENT CHARACTER}" + "x" * 199)


def test_what_was_typed_before_a_question_is_no_answer_to_it(desk):
    desk.type("yes\nye")
    desk.person.ask(HAND, 0)
    assert "typed before this question is not taken" in desk.shown()
    assert desk.person.answer(S) is None
    assert desk.says("s\n") == ("skipped", "")


def test_the_end_of_the_input_is_a_person_who_left(desk):
    desk.person.ask(HAND, 0)
    desk.hang_up()
    assert desk.person.answer(S) == ("absent", "the input has ended")


def test_a_screen_that_cannot_be_written_is_a_person_who_left(desk):
    desk.screen.close()
    desk.person.ask(HAND, 0)
    assert desk.person.answer(S) == ("absent", "the terminal cannot be written")


def test_half_of_the_time_before_its_end_the_screen_says_so_once(desk):
    desk.person.ask(HAND, 0)
    desk.shown()
    for t_s in (1, 59, 61, 62, 119):
        assert desk.person.answer(t_s * S) is None
    assert desk.shown() == "  59 s left to answer question 1.\n"


def test_a_question_that_is_over_is_said_to_be_and_a_single_no_is_told(desk):
    desk.person.ask(HAND, 0)
    desk.says("no dark\n")
    assert desk.person.withdraw("the time is up") == "said no once, not twice; dark"
    assert "Question 1 is over: the time is up." in desk.shown()
    assert desk.person.answer(S) is None
    desk.person.ask(HAND, 0)
    assert desk.person.withdraw("the run ends") == ""


def test_a_label_is_answered_in_own_words(desk):
    desk.person.ask(READ, 0)
    assert "Type what it says, or skip, then Enter." in desk.shown()
    assert desk.says("\n") is None
    assert desk.says("no. 40718, rev C\n") == ("done", "no. 40718, rev C")
    desk.person.ask(READ, 0)
    assert desk.says("skip lid is screwed down\n") == ("skipped", "lid is screwed down")

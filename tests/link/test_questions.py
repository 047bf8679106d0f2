"""What an adapter's answers prove of its stamps: nothing late goes untold, and nothing else is told of."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.core.link import stamp_error_ms
from bench.link.questions import ANSWER_LIMIT_NS, EVERY_NS, PAUSE_MS, SPARE_NS, TELL_NS, Questions

MS = 1_000_000
LIMIT_NS = 15 * MS


def asked(questions, t_ns, took_ns):
    """Question and answer; what is told."""
    assert questions.ask(t_ns)
    return questions.answered(t_ns + took_ns)


def test_one_question_at_a_time_every_seven_milliseconds():
    questions = Questions(LIMIT_NS, 0)
    assert questions.ask(0) and not questions.ask(EVERY_NS)
    assert questions.answered(9 * MS) == 0
    assert questions.ask(9 * MS) and questions.answered(10 * MS) == 0
    assert not questions.ask(9 * MS + EVERY_NS - 1) and questions.ask(9 * MS + EVERY_NS)


def test_a_loop_test_asks_as_soon_as_it_is_answered():
    questions = Questions(LIMIT_NS, 0)
    assert asked(questions, 0, MS) == 0
    assert not questions.ask(MS) and questions.ask(MS, soon=True)


def test_the_link_turns_in_time_for_the_next_question():
    questions = Questions(LIMIT_NS, 0)
    assert asked(questions, 0, MS) == 0
    assert questions.due_ns == EVERY_NS + SPARE_NS


def test_a_late_answer_puts_in_doubt_all_since_the_question_before_it():
    """What came right behind the last answer was held for nearly as long."""
    questions = Questions(LIMIT_NS, 0)
    assert asked(questions, 0, MS) == 0
    assert asked(questions, 8 * MS, 80 * MS) == 88 * MS


@pytest.mark.parametrize("trip_ms", [0.5, 4.0, 7.0, 16.0, 40.0])
def test_an_adapter_as_slow_as_its_loop_test_is_never_told_of(trip_ms):
    """A USB serial port may keep its answers for 16 ms, always (common practice, no source); and a link that
    has an answer may put the next question a pause later."""
    questions = Questions(round(stamp_error_ms(15.0, trip_ms, PAUSE_MS) * MS), 0)
    t_ns = 0
    for _ in range(50):
        assert asked(questions, t_ns, round(trip_ms * MS)) == 0
        t_ns += round((trip_ms + PAUSE_MS) * MS)


def test_a_question_put_late_counts_as_a_late_answer_does():
    """The host was busy meanwhile: what was read then may be as late."""
    questions = Questions(LIMIT_NS, 0)
    assert asked(questions, 0, MS) == 0
    assert asked(questions, 15 * MS, MS) == 16 * MS


def test_an_answer_that_is_out_is_told_of_again_and_again():
    questions = Questions(LIMIT_NS, 0)
    assert asked(questions, 0, MS) == 0 and questions.ask(7 * MS)
    told = [t for t in range(0, 350 * MS, MS) if questions.overdue(t)]
    assert told == [TELL_NS, 2 * TELL_NS, 3 * TELL_NS]


def test_a_wider_limit_is_kept_by_what_is_told_meanwhile():
    questions = Questions(300 * MS, 0)
    assert asked(questions, 0, MS) == 0 and questions.ask(7 * MS)
    assert not questions.overdue(299 * MS) and questions.overdue(300 * MS) == 300 * MS


def test_a_lost_answer_is_asked_for_again_and_proves_no_more_than_the_first():
    questions = Questions(LIMIT_NS, 0)
    assert asked(questions, 0, MS) == 0 and questions.ask(7 * MS)
    again_ns = 7 * MS + ANSWER_LIMIT_NS + 1
    assert not questions.ask(again_ns - 1) and questions.ask(again_ns) and not questions.ask(again_ns + MS)
    answer_ns = again_ns + MS
    assert questions.answered(answer_ns) == answer_ns and questions.proven_ns == 7 * MS
    assert not questions.ask(answer_ns + MS, soon=True)
    assert questions.answered(answer_ns + 2 * MS) == 0 and questions.proven_ns == 7 * MS  # the other one
    assert questions.ask(answer_ns + ANSWER_LIMIT_NS)
    assert questions.answered(answer_ns + ANSWER_LIMIT_NS + MS) == answer_ns + ANSWER_LIMIT_NS - 6 * MS


def test_an_adapter_that_does_not_answer_for_a_second_is_given_up():
    questions = Questions(LIMIT_NS, 0)
    assert questions.ask(0) and not questions.given_up(2 * ANSWER_LIMIT_NS)
    assert questions.given_up(2 * ANSWER_LIMIT_NS + 1)


class Rig:
    """A host that looks now and then, an adapter that holds its lines now and then; a frame each ms."""

    def __init__(self, looks_ms, holds):
        self.questions = Questions(LIMIT_NS, 0)
        self.looks, self.holds = looks_ms, holds
        self.stream, self.lateness, self.told = [], [], []

    def held(self, t_ms):
        return any(a <= t_ms < a + for_ms for a, for_ms in self.holds)

    def run(self, until_ms):
        look_ms = 0
        looks = iter(self.looks)
        for t_ms in range(until_ms):
            self.stream.append(t_ms)
            if t_ms >= look_ms:
                self.look(t_ms)
                look_ms = t_ms + next(looks, 1)

    def look(self, t_ms):
        now_ns = t_ms * MS
        for item in [] if self.held(t_ms) else self.stream:
            if item == "answer":
                if late_ns := self.questions.answered(now_ns):
                    self.told.append((now_ns - late_ns, now_ns))
            else:
                self.lateness.append((item * MS, now_ns))
        if not self.held(t_ms):
            self.stream = []
        if late_ns := self.questions.overdue(now_ns):
            self.told.append((now_ns - late_ns, now_ns))
        if self.questions.ask(now_ns):
            self.stream.append("answer")


HOLDS = st.lists(st.tuples(st.integers(0, 900), st.integers(1, 400)), max_size=4)


@settings(deadline=None)
@given(st.lists(st.integers(1, 40), max_size=60), HOLDS)
def test_no_stamp_later_than_the_limit_goes_untold(looks_ms, holds):
    rig = Rig(looks_ms, holds)
    rig.run(1500)
    assert len(rig.lateness) > 1400
    for on_bus_ns, stamp_ns in rig.lateness:
        if stamp_ns - on_bus_ns > LIMIT_NS and stamp_ns < 1490 * MS:
            assert any(a <= on_bus_ns and stamp_ns <= b for a, b in rig.told), (on_bus_ns, stamp_ns)


@settings(deadline=None)
@given(st.lists(st.integers(1, 4), max_size=60))
def test_of_an_adapter_that_holds_nothing_and_a_host_in_time_nothing_is_told(looks_ms):
    rig = Rig(looks_ms, [])
    rig.run(1500)
    assert rig.told == []

"""Questions to a person: deadlines, people who leave, and what is then left out."""

from dataclasses import dataclass, field

import pytest

from bench.core.entry import Answered, Asked
from bench.core.plan import Plan, Step
from bench.core.verdict import INCONCLUSIVE
from bench.lab.api import load_boat, run_virtual
from bench.lab.person import SimulatedPerson
from bench.run.api import Wishes
from bench.run.stop import StopFlag
from bench.session import open_session

HAND = ("cabin_red", "deck_fwd", "chart_table")
STEPS = tuple(
    Step(500.0 + 1000 * k + 500 * (1 - on), "by_hand", name, on, f"{name} {'by hand' if on else 'back'}?")
    for k, name in enumerate(HAND)
    for on in (1, 0)
)
PLAN = Plan("by hand", STEPS, 4000.0)


@dataclass
class Scripted:
    """Answers by question number; what is not in `says` is never answered."""

    says: dict[int, tuple[str, str]] = field(default_factory=dict)
    asked: list[tuple[int, int]] = field(default_factory=list)
    withdrawn: list[tuple[int, str]] = field(default_factory=list)
    on_ask: object = None

    def ask(self, question, t_ns):
        self.asked.append((question.number, t_ns))
        self.limit_s = question.limit_s
        if self.on_ask:
            self.on_ask(question)

    def answer(self, t_ns):
        number, since_ns = self.asked[-1]
        return self.says.get(number) if t_ns - since_ns > 1_000_000_000 else None

    def withdraw(self, why):
        self.withdrawn.append((self.asked[-1][0], why))
        return "heard a cough"


def played(person, out, stop=None, within_s=10.0):
    wishes = Wishes(plan=PLAN, operator=person, out=out, answer_within_s=within_s)
    result = run_virtual(boat=load_boat("demo"), wishes=wishes, stop=stop)
    marks = [e for e in open_session(out).entries() if isinstance(e, Asked | Answered)]
    return result, marks


def test_a_question_is_over_at_its_deadline_and_not_later(tmp_path):
    person = Scripted({1: ("skipped", "")})
    _, marks = played(person, tmp_path / "s")
    asked = {m.number: m for m in marks if isinstance(m, Asked)}
    told = {m.number: m for m in marks if isinstance(m, Answered)}
    assert person.limit_s == 10.0
    assert person.withdrawn[0] == (2, "the time is up")
    assert (told[2].answer, told[2].comment) == ("no_answer", "heard a cough")
    waited_s = (told[2].t_ns - asked[2].t_ns) / 1e9  # and 1.85 s for the boxes to report
    assert 11.8 <= waited_s <= 12.0


def test_after_a_circuit_that_was_skipped_its_way_back_is_not_asked(tmp_path):
    person = Scripted(dict.fromkeys(range(1, 7), ("skipped", "no time")))
    result, marks = played(person, tmp_path / "s")
    assert [m.name for m in marks if isinstance(m, Asked)] == list(HAND)
    assert result.verdict.outcome == INCONCLUSIVE
    assert not result.warnings


def test_whoever_leaves_is_asked_nothing_more_and_what_may_be_by_hand_is_named(tmp_path):
    person = Scripted({1: ("absent", "the input has ended")})
    result, marks = played(person, tmp_path / "s")
    assert [n for n, _ in person.asked] == [1]
    told = [(m.answer, m.comment) for m in marks if isinstance(m, Answered)]
    assert told[0] == ("no_answer", "the input has ended")
    assert set(told[1:]) == {("no_answer", "not asked: the input has ended")}
    assert [m.name for m in marks if isinstance(m, Asked)] == [
        "cabin_red",
        "cabin_red",
        "deck_fwd",
        "chart_table",
    ]
    assert result.warnings == (
        "cabin_red may still be by hand and on: nobody confirmed that it was put back",
    )
    reasons = [d.reason for d in result.verdict.doubts if d.subject == "deck_fwd"]
    assert reasons == ["deck_fwd by hand: nobody answered in time (not asked: the input has ended)"]


def test_three_questions_in_a_row_without_an_answer_and_nobody_is_there(tmp_path):
    person = Scripted()
    result, marks = played(person, tmp_path / "s")
    assert [n for n, _ in person.asked] == [1, 2, 3]
    comments = [m.comment for m in marks if isinstance(m, Answered)]
    assert comments[3:] == ["not asked: 3 questions in a row were not answered"] * 2
    assert len(result.warnings) == 2


def test_a_word_that_is_no_answer_is_none(tmp_path):
    person = Scripted({1: ("perhaps", ""), 2: ("done", "")})
    _, marks = played(person, tmp_path / "s")
    assert next(m for m in marks if isinstance(m, Answered)).comment == "not understood: perhaps"


@pytest.mark.parametrize("reason", ["interrupted"])
def test_a_run_that_ends_while_a_person_is_asked_withdraws_and_switches_off(tmp_path, reason):
    stop = StopFlag()
    person = Scripted(on_ask=lambda question: stop.set(reason, 2))
    result, marks = played(person, tmp_path / "s", stop)
    assert person.withdrawn == [(1, "the run ends")]
    assert (result.reason, result.off.all_off) == (reason, True)
    assert [type(m) for m in marks] == [Asked]
    assert "cabin_red may still be by hand" in result.warnings[0]
    assert any("the run ended before it was answered" in d.reason for d in result.verdict.doubts)


def test_no_key_is_pressed_for_what_may_be_by_hand_while_a_hand_may_be_in_the_box(tmp_path):
    stop = StopFlag()
    boat = load_boat("demo")
    person = SimulatedPerson(boat.spec)
    wishes = Wishes(plan=PLAN, operator=person, out=tmp_path / "s", gate=lambda step: _stops(stop, person))
    result = run_virtual(boat=boat, wishes=wishes, stop=stop)
    assert (result.reason, result.off.pressed, result.off.stays_on) == ("interrupted", 0, ())
    assert result.warnings[0].startswith("cabin_red may still be by hand and on")


def _stops(stop, person):
    """Once a circuit is by hand, before it is put back."""
    if person.asked:
        stop.set("interrupted", 2)
    return True


def test_without_a_person_what_a_plan_asks_of_one_is_left_out_and_named(tmp_path):
    result, marks = played(None, tmp_path / "s")
    assert marks == []
    assert result.verdict.not_tested["by hand"] == "needs a person, and the run is unattended"
    assert result.plan.steps == ()

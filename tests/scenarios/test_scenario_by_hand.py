"""A person is asked to work circuits by hand; what nobody confirmed is inconclusive."""

from dataclasses import replace
from functools import cache

import pytest

from bench.assess import assess_session
from bench.core.entry import Asked
from bench.core.plan import Plan
from bench.core.verdict import INCONCLUSIVE, PASS
from bench.lab.api import load_boat, run_virtual
from bench.lab.person import SimulatedPerson
from bench.oracle import Oracle
from bench.plan.by_hand import choose, with_by_hand
from bench.run.api import Wishes
from bench.session import open_session
from bench.twin import Fault


@cache
def boat_and_plan(name):
    boat = load_boat(name)
    whole = with_by_hand(boat.spec, Plan(f"{name}: by hand", (), 500.0))
    chosen = [c.name for c in choose(boat.spec).circuits][:3]
    cut = next(i for i, s in enumerate(whole.steps) if s.kind == "by_hand" and s.name not in chosen)
    return boat, replace(whole, steps=whole.steps[:cut], duration_ms=whole.steps[cut].at_ms), chosen


def run(name, habits=None, faults=(), out=None):
    boat, plan, chosen = boat_and_plan(name)
    person = SimulatedPerson(boat.spec, habits={chosen[i]: h for i, h in (habits or {}).items()})
    result = run_virtual(boat=boat, faults=faults, wishes=Wishes(plan=plan, operator=person, out=out))
    return result, chosen, person


@pytest.mark.slow
@pytest.mark.parametrize("boat", ["demo", "dunlin", "fulmar"])
def test_a_healthy_box_passes_by_hand_and_control_is_restored(boat):
    result, chosen, person = run(boat)
    assert result.verdict.outcome == PASS, result.verdict
    assert [q.value for q in person.asked] == [1, 0] * len(chosen)
    who = "as a person says; the box cannot know" if boat == "dunlin" else "done by a person"
    assert all(result.verdict.tested[f"by hand {c}"] == f"by hand and back from it, {who}" for c in chosen)
    assert f"{len(chosen)} of {len(load_boat(boat).spec.circuits)} circuits by hand" in result.verdict.scope
    assert not [w for w in result.warnings if "by hand" in w]


@pytest.mark.slow
@pytest.mark.parametrize("boat", ["demo", "dunlin"])
@pytest.mark.parametrize(
    ("habit", "reason"),
    [("skips", "the person skipped it (not reachable)"), ("silent", "nobody answered in time")],
)
def test_what_nobody_did_is_inconclusive(boat, habit, reason):
    result, chosen, _ = run(boat, {1: habit})
    verdict = result.verdict
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert any(d.subject == chosen[1] and reason in d.reason for d in verdict.doubts)
    assert f"by hand {chosen[1]}" not in verdict.tested
    assert f"by hand {chosen[2]}" in verdict.tested
    assert bool([w for w in result.warnings if "may still be by hand" in w]) == (habit == "silent")


HABITS = ["forgets", "idle", "nods", "silent", "skips", "wrong"]


@pytest.mark.slow
@pytest.mark.parametrize("which", [0, 1, 2])
@pytest.mark.parametrize("habit", HABITS)
@pytest.mark.parametrize("boat", ["demo", "dunlin", "fulmar"])
def test_nothing_a_person_does_makes_a_healthy_box_fail(boat, habit, which):
    result, chosen, _ = run(boat, {which: habit})
    assert result.verdict.discrepancies == ()
    may_pass = habit == "nods" or boat == "dunlin"  # where the box cannot know, a person is believed
    if not may_pass or habit in ("silent", "skips"):
        assert result.verdict.outcome == INCONCLUSIVE
        assert f"by hand {chosen[which]}" not in result.verdict.tested or habit == "forgets"


@pytest.mark.slow
def test_a_link_that_was_left_in_place_is_no_fault_of_a_box_that_cannot_know():
    result, chosen, _ = run("dunlin", {0: "forgets"})
    why = "a circuit of its box was worked by hand, and the box cannot know whether it was put back"
    assert [(d.subject, d.reason) for d in result.verdict.doubts] == [(chosen[0], why)]


@pytest.mark.slow
@pytest.mark.parametrize("habit", ["idle", "wrong"])
def test_a_person_who_errs_makes_no_discrepancy(habit):
    result, _, _ = run("demo", {1: habit})
    assert (result.verdict.outcome, result.verdict.discrepancies) == (INCONCLUSIVE, ())
    assert any("the person says it is done, but box main" in d.reason for d in result.verdict.doubts)


@pytest.mark.slow
@pytest.mark.parametrize("fault", [None, "hand_deaf:main 2", "hand_stuck:main 3", "hand_keeps:main 2"])
@pytest.mark.parametrize("habits", [{}, {1: "skips"}, {2: "wrong"}])
def test_the_recording_is_judged_as_the_run_was(tmp_path, habits, fault):
    faults = () if fault is None else (Fault.parse(fault),)
    result, _, _ = run("demo", habits, faults, out=tmp_path / "session")
    boat, _, _ = boat_and_plan("demo")
    boat.definitions.forget()
    session = open_session(tmp_path / "session")
    assert sum(isinstance(e, Asked) for e in session.entries()) > 3
    again = assess_session(session, boat.spec, boat.definitions, Oracle(boat.spec))
    assert again == result.verdict

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
    assert all(
        result.verdict.tested[f"by hand {c}"] == "by hand and back from it, done by a person" for c in chosen
    )
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


@pytest.mark.slow
@pytest.mark.parametrize("habit", ["idle", "wrong"])
def test_a_person_who_errs_makes_no_discrepancy(habit):
    result, _, _ = run("demo", {1: habit})
    assert (result.verdict.outcome, result.verdict.discrepancies) == (INCONCLUSIVE, ())
    assert any("the person says it is done, but box main" in d.reason for d in result.verdict.doubts)


@pytest.mark.slow
@pytest.mark.parametrize("habits", [{}, {1: "skips"}, {2: "wrong"}])
def test_the_recording_is_judged_as_the_run_was(tmp_path, habits):
    result, _, _ = run("demo", habits, out=tmp_path / "session")
    boat, _, _ = boat_and_plan("demo")
    boat.definitions.forget()
    session = open_session(tmp_path / "session")
    assert sum(isinstance(e, Asked) for e in session.entries()) > 3
    again = assess_session(session, boat.spec, boat.definitions, Oracle(boat.spec))
    assert again == result.verdict

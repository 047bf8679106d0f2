"""A person looks, listens, reads: what is seen otherwise twice is a discrepancy, what is not seen a doubt."""

from functools import cache

import pytest

from bench.assess import assess_session
from bench.core.entry import Answered, Asked
from bench.core.plan import Plan, Step
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.lab.api import load_boat, run_virtual
from bench.lab.person import SimulatedPerson
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.plan.look import with_looks
from bench.run.api import Wishes
from bench.session import open_session
from bench.twin import Fault

pytestmark = pytest.mark.slow
WHAT = ("lamps", "backlights", "labels", "horn")


@cache
def boat_and_plan(name, what=WHAT):
    boat = load_boat(name)
    return boat, with_looks(boat.spec, Plan(f"{name}: looks", (), 500.0), what)


def run(name, habits=None, fault=None, out=None, plan=None):
    boat, made = boat_and_plan(name)
    person = SimulatedPerson(boat.spec, habits=habits or {})
    faults = () if fault is None else (Fault.parse(fault),)
    wishes = Wishes(plan=plan or made, operator=person, out=out)
    return run_virtual(boat=boat, faults=faults, wishes=wishes).verdict


@pytest.mark.parametrize("boat", ["demo", "dunlin", "fulmar"])
def test_a_healthy_boat_passes_and_each_look_is_named_as_tested(boat):
    spec = boat_and_plan(boat)[0].spec
    plan = with_looks(spec, make_plan(spec, short=True, supply=True), WHAT)
    verdict = run(boat, plan=plan)
    assert verdict.outcome == PASS, verdict.doubts
    names = {s.name for s in plan.steps if s.kind == "look" and not s.name.startswith("ready ")}
    assert names <= set(verdict.tested)
    assert verdict.tested["seen or heard horn"] == "seen or heard by a person, 1 time"
    assert f"{len(names)} looks by a person" in verdict.scope


@pytest.mark.parametrize("habit", ["skips", "silent"])
@pytest.mark.parametrize("name", ["lamps panel helm", "backlight panel helm", "ready horn", "label main"])
def test_what_nobody_looked_at_is_inconclusive(habit, name):
    verdict = run("demo", {name: habit})
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    why = {"skips": "the person skipped it (not reachable)", "silent": "nobody answered in time"}[habit]
    assert {d.subject for d in verdict.doubts} == {name}
    assert all(d.reason.endswith(why) and d.reason.startswith("question ") for d in verdict.doubts)
    assert name not in verdict.tested
    if name == "ready horn":
        assert "seen or heard horn" not in verdict.tested
        assert "panel helm 3" not in verdict.tested


@pytest.mark.parametrize(
    ("name", "expected", "seen"),
    [
        ("backlight panel helm", "dark", "otherwise"),
        ("seen or heard horn", "on, as the box reports", "nothing seen or heard"),
        ("lamps panel helm", "lit: none", "otherwise"),
    ],
)
def test_what_a_person_saw_otherwise_twice_is_a_discrepancy(name, expected, seen):
    verdict = run("demo", {name: "denies"})
    assert verdict.outcome == FAIL
    root = verdict.discrepancies[0].root
    assert (root.kind, root.subject, root.expected, root.seen) == ("seen", name, expected, seen)
    assert root.evidence == "a person, who looked twice: looked twice"
    assert root.cause.endswith(" to a person")


def test_a_horn_that_the_box_did_not_report_on_is_not_the_loads_fault():
    verdict = run("demo", fault="key_dead:panel helm 3")
    assert [d.subject for d in verdict.discrepancies] == ["horn"]
    assert any("it was not proved that horn came on" in d.reason for d in verdict.doubts)


def test_a_label_with_another_number_than_the_box_reports_may_be_another_boxs():
    verdict = run("demo", {"label main": "wrong"})
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    reason = verdict.doubts[0].reason
    assert "the label says 'No. 4711', and box main says serial 1042: is it this box?" in reason


def ask(at_ms, name, value=1):
    return Step(at_ms, "look", name, value, f"{name}?")


def test_a_look_that_asks_for_what_the_spec_does_not_promise_proves_nothing():
    plan = Plan("wrong", (ask(500.0, "lamps panel helm", 2),), 1000.0)
    verdict = run("demo", {"lamps panel helm": "denies"}, plan=plan)
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert "what was asked for is not what the spec promises at that moment" in verdict.doubts[0].reason


def test_a_lamp_that_changes_while_it_is_looked_at_proves_nothing():
    steps = (
        Step(500.0, "press", "panel helm 7", 1), Step(620.0, "release", "panel helm 7", 0),
        ask(36_000.0, "lamps panel helm", 1 << 7),
    )  # fmt: skip
    verdict = run("demo", {"lamps panel helm": "denies"}, plan=Plan("timer", steps, 45_000.0))
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert "what was to be seen then is not known, or may have changed meanwhile" in verdict.doubts[0].reason


def test_a_person_who_was_asked_whether_something_came_on_that_nobody_switched_proves_nothing():
    plan = Plan("no press", (ask(500.0, "ready horn"), ask(1000.0, "seen or heard horn")), 1500.0)
    verdict = run("demo", {"seen or heard horn": "denies"}, plan=plan)
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert "it was not proved that horn came on" in verdict.doubts[0].reason


@pytest.mark.parametrize("fault", [None, "lamp_broken", "load_mute"])
@pytest.mark.parametrize("habits", [{}, {"label main": "wrong"}, {"backlight panel helm": "denies"}])
def test_the_recording_is_judged_as_the_run_was(tmp_path, habits, fault):
    verdict = run("demo", habits, fault, out=tmp_path / "session")
    boat, _ = boat_and_plan("demo")
    boat.definitions.forget()
    session = open_session(tmp_path / "session")
    assert sum(isinstance(e, Asked | Answered) for e in session.entries()) == 18
    assert assess_session(session, boat.spec, boat.definitions, Oracle(boat.spec)) == verdict

"""A person overloads a circuit: it trips, is cleared as agreed, and works again."""

import pytest

from bench.assess.offline import assess_session
from bench.core.errors import UsageError
from bench.core.plan import OVERLOAD, Plan
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.lab.api import load_boat, run_virtual
from bench.lab.person import SimulatedPerson
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.plan.by_hand import without_person
from bench.plan.trip import TRIP, with_trips
from bench.run.api import Wishes
from bench.run.limits import refuse_too_long
from bench.run.plan_file import load_plan, plan_text
from bench.session import open_session
from bench.spec import parse_profile
from bench.twin import Fault

EMPTY = Plan("nothing", (), 500.0, not_tested={TRIP: "needs a person"})
BOATS = ("demo", "dunlin", "fulmar", "turnstone", "greenshank", "dotterel")


def tripped(word="demo", *, fault=None, habit=None, plan=None, seed=0, out=None):
    boat = load_boat(word)
    plan = plan or with_trips(boat.spec, EMPTY, set(boat.spec.circuits))
    habits = dict.fromkeys(boat.spec.circuits, habit) if habit else {}
    person = SimulatedPerson(boat.spec, habits=habits)
    faults = () if fault is None else (Fault.parse(fault),)
    wishes = Wishes(plan=plan, operator=person, out=out)
    return run_virtual(boat=boat, faults=faults, seed=seed, wishes=wishes).verdict


@pytest.mark.slow
@pytest.mark.parametrize("word", BOATS)
def test_healthy_boxes_trip_and_pass(word):
    spec = load_boat(word).spec
    plan = with_trips(spec, make_plan(spec, short=True, supply=True), set(spec.circuits))
    verdict = tripped(word, plan=plan)
    assert (verdict.outcome, verdict.doubts) == (PASS, ())
    for circuit in spec.circuits.values():
        told = verdict.tested.get(f"overload trip {circuit.name}")
        assert told == ("tripped when a person overloaded it" if circuit.trip else None)


def test_a_latch_that_nothing_clears_is_found():
    verdict = tripped(fault="trip_not_cleared:main 14")
    assert verdict.outcome == FAIL
    assert [(d.subject, d.root.kind) for d in verdict.discrepancies] == [("bilge_aft", "missing")]


def test_a_fuse_that_never_opens_is_a_doubt_and_what_it_leads_to_is_found():
    """The person may have erred; that the blade fuse blew then, and the box says open load, is no error."""
    verdict = tripped(fault="trip_never:main 14")
    assert verdict.outcome == FAIL
    assert "does not report bilge_aft tripped" in verdict.doubts[0].reason


@pytest.mark.parametrize(
    ("habit", "told"),
    [
        ("idle", "the person says it is done, but box main does not report bilge_aft tripped"),
        ("wrong", "the person says it is done, but box main does not report bilge_aft tripped"),
        ("skips", "the person skipped it"),
        ("silent", "nobody answered in time"),
        ("denies", "the person saw it otherwise"),
        ("forgets", "its box reports that it tripped again: is the overload still there?"),
    ],
)
def test_a_person_who_errs_makes_no_healthy_box_fail(habit, told):
    verdict = tripped(habit=habit)
    assert verdict.outcome == INCONCLUSIVE and not verdict.discrepancies
    assert any(told in d.reason for d in verdict.doubts)


def test_after_a_trip_that_nobody_confirmed_nothing_more_is_done(tmp_path):
    tripped("turnstone", habit="skips", out=tmp_path / "s")
    asked = [e for e in open_session(tmp_path / "s").entries() if getattr(e, "what", "") == OVERLOAD]
    assert [e.name for e in asked] == ["bilge_fore"]


def test_a_recording_gives_the_same_verdict_again(tmp_path):
    live = tripped(fault="trip_not_cleared:main 14", out=tmp_path / "s")
    boat, session = load_boat("demo"), open_session(tmp_path / "s")
    assert assess_session(session, boat.spec, boat.definitions, Oracle(boat.spec)) == live


def test_a_plan_says_what_it_needs_and_can_be_kept(tmp_path):
    spec = load_boat("demo").spec
    plan = with_trips(spec, EMPTY, {"bilge_aft"})
    assert f"{TRIP}: bilge_aft" in plan.covered and TRIP not in plan.not_tested
    (tmp_path / "plan.json").write_text(plan_text(plan))
    assert load_plan(tmp_path / "plan.json", spec) == plan
    unattended = without_person(plan)
    assert "unattended" in unattended.not_tested[TRIP]
    assert not any(s.kind == OVERLOAD for s in unattended.steps)
    assert not any(text.startswith(TRIP) for text in unattended.covered)
    assert "does: overload" in with_trips(spec, EMPTY, None).not_tested[TRIP]
    assert "no fixture that overloads it" in with_trips(spec, EMPTY, set()).not_tested[TRIP]
    assert "limits how long" in with_trips(spec, EMPTY, {"bilge_aft"}, {"bilge_aft"}).not_tested[TRIP]


def test_a_circuit_with_a_limit_is_not_on_for_as_long_as_a_person_takes():
    spec = load_boat("demo").spec
    plan = with_trips(spec, EMPTY, {"bilge_aft"})
    text = "hardstand_bench: 1\nadapter: twin\nclock: host\necho: none\nconfirms: true\njitter_ms: 2\n"
    profile = parse_profile(f"{text}limits: {{circuits: {{bilge_aft: 5}}}}\n")
    with pytest.raises(UsageError, match="bilge_aft on to be overloaded, for as long as a person takes"):
        refuse_too_long(spec, plan, profile)

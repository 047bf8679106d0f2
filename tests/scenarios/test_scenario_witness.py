"""A supply beside the box: outputs that only pretend are named, healthy ones are not."""

import pytest

from bench.assess.offline import assess_session
from bench.cli.boats import BOATS
from bench.core.link import Meter
from bench.core.plan import Plan, Step
from bench.core.verdict import INCONCLUSIVE, PASS
from bench.evidence.witness import pretend, run_one
from bench.lab.api import load_boat, run_virtual
from bench.lab.person import SimulatedPerson
from bench.lab.virtual_supply import Manner
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.plan.by_hand import with_by_hand
from bench.plan.witness import ALONE, with_witness
from bench.rig import Setting
from bench.run.api import SupplyWish, Wishes
from bench.session import open_session
from bench.twin import Fault

METER = Meter(0.5, 100.0)
EMPTY = Plan("nothing", (), 500.0)


def beside_supply(word="demo", *, meter=METER, plan=None, fault=None, manner=None, **more):
    boat = load_boat(word)
    volts = next(iter(boat.spec.boxes.values())).supply_v
    plan = plan or with_witness(boat.spec, make_plan(boat.spec, short=True, supply=True), meter)
    wishes = Wishes(plan=plan, supply=SupplyWish("simulated", Setting(volts, 900.0, meter)), **more)
    faults = () if fault is None else (Fault.parse(fault),)
    return run_virtual(boat=boat, faults=faults, wishes=wishes, manner=manner).verdict


def reasons(verdict):
    return {d.subject: d.reason for d in verdict.doubts}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(0, len(BOATS), 2))
def test_no_healthy_box_is_accused(seed):
    verdict, _ = run_one(list(BOATS)[seed], 1000 + seed)
    near = "lies within the measurement uncertainty of a limit"  # a load drawn so
    assert [d for d in verdict.doubts if near not in d.reason] == []
    assert (verdict.discrepancies, verdict.outcome) == ((), INCONCLUSIVE if verdict.doubts else PASS)


def test_switchings_alone_are_witnessed_and_the_verdict_says_so():
    verdict = beside_supply()
    assert verdict.outcome == PASS
    assert "14 of 24 circuits witnessed by the supply" in verdict.scope
    assert "going on and off shown by the supply, 1 and 1 times" in verdict.tested["fresh_water"]
    assert verdict.detection["supply"] == "a step of 0.7 A or more that nothing else hides; no timing"
    assert (
        "chart_table, horn, wiper_aft, wiper_wash: never off and on" in verdict.not_tested["second witness"]
    )
    assert "locker_light" in verdict.not_tested["second witness"].partition(": too small a step")[0]


@pytest.mark.slow
@pytest.mark.parametrize("circuit", ["fresh_water", "deck_fwd", "bilge_aft"])
def test_an_output_that_pretends_is_named_and_nothing_else(circuit):
    spec = load_boat("demo").spec
    plan = with_witness(spec, make_plan(spec, short=True, supply=True), METER)
    verdict = pretend("demo", circuit, plan, METER)
    assert verdict.outcome == INCONCLUSIVE
    assert {d.subject for d in verdict.doubts} == {circuit}
    assert (
        "not witnessed: it was switched on, and the supply's current did not rise" in verdict.doubts[0].reason
    )


def test_without_a_supply_it_passes_and_that_is_said():
    verdict = run_virtual("demo", short=True, faults=(Fault.parse("output_pretends:main 17"),)).verdict
    assert verdict.outcome == PASS
    assert "word alone" in verdict.not_tested["second witness"]


def test_readings_of_which_nothing_is_stated_are_no_witness():
    verdict = beside_supply(meter=None, plan=make_plan(load_boat("demo").spec, short=True, supply=True))
    assert "supply.detects_a" in verdict.not_tested["second witness"]
    assert "supply" not in verdict.detection


def test_a_meter_that_never_moves_is_doubted_itself():
    verdict = beside_supply(manner=Manner(refresh_ms=1e9))
    assert verdict.outcome == INCONCLUSIVE
    assert list(reasons(verdict)) == ["supply"]
    assert "is it the one that feeds the boxes?" in reasons(verdict)["supply"]


def test_a_recording_gives_the_same_verdict_again(tmp_path):
    plan = with_witness(load_boat("demo").spec, EMPTY, METER)
    live = beside_supply(plan=plan, fault="output_pretends:main 17", out=tmp_path / "s")
    boat, session = load_boat("demo"), open_session(tmp_path / "s")
    assert assess_session(session, boat.spec, boat.definitions, Oracle(boat.spec)) == live
    assert "fresh_water" in reasons(live)


@pytest.mark.parametrize("habit", [None, "idle"])
def test_where_no_sensor_sees_the_seat_the_supply_alone_tells_whether_it_is_by_hand(habit):
    """Dunlin's seats bypass driver and sensor: the box cannot know, and is believed by nobody's word."""
    spec = load_boat("dunlin").spec
    plan = with_by_hand(spec, EMPTY, reached={"cockpit"})
    habits = {"cockpit": habit} if habit else {}
    verdict = beside_supply("dunlin", plan=plan, operator=SimulatedPerson(spec, habits=habits))
    if habit is None:
        assert verdict.outcome == PASS
        assert "by the supply" in verdict.tested["cockpit"]
    else:
        assert verdict.outcome == INCONCLUSIVE
        assert "switched on, and the supply's current did not rise" in reasons(verdict)["cockpit"]


def test_a_plan_says_what_it_does_not_switch_alone():
    spec = load_boat("demo").spec
    plan = with_witness(spec, EMPTY, Meter(0.5, 100.0), {"fresh_water": 1.0}, {"deck_fwd"})
    left = plan.not_tested[ALONE]
    assert "deck_fwd: no load on this bench" in left
    assert "fresh_water: the bench profile limits how long it may run" in left
    assert "horn: it may be a horn" in left and "0.7 A that this supply shows for sure" in left
    shown = next(text for text in plan.covered if text.startswith("second witness: "))
    assert "cabin_heater" in shown and "fresh_water" not in shown
    assert all(isinstance(s, Step) for s in plan.steps)

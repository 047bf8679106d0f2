"""A supply that the bench lowers, dips, ramps and raises: healthy boxes pass, what sheds wrongly is found."""

import pytest

from bench.assess.offline import assess_session
from bench.core.entry import SupplyReached, SupplySet
from bench.core.errors import UsageError
from bench.core.plan import VOLTS, Plan, Step
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.lab.api import load_boat, run_virtual
from bench.lab.virtual_supply import Manner
from bench.oracle import Oracle
from bench.plan.low_supply import DIP, HIGH, LOW, RAMP, Rated, with_low_supply
from bench.rig import Setting
from bench.run.api import SupplyWish, Wishes
from bench.run.plan_file import load_plan, plan_text
from bench.session import open_session
from bench.twin import Fault

EMPTY = Plan("nothing", (), 500.0)
RATED = {
    "demo": Rated(12.0, 8.0, 15.5), "dunlin": Rated(12.0, 8.0, 15.5), "greenshank": Rated(12.0, 8.0, 15.5),
    "fulmar": Rated(24.0, 16.0, 31.0), "turnstone": Rated(24.0, 16.0, 31.0),
    "dotterel": Rated(24.0, 16.0, 31.0),
}  # fmt: skip


def moved(word="demo", *, fault=None, seed=0, manner=None, plan=None, rated=None, **more):
    boat, rated = load_boat(word), rated or RATED[word]
    plan = plan or with_low_supply(boat.spec, EMPTY, rated)
    wishes = Wishes(plan=plan, supply=SupplyWish("simulated", Setting(rated.volts, 900.0)), **more)
    faults = () if fault is None else (Fault.parse(fault),)
    return run_virtual(boat=boat, faults=faults, seed=seed, wishes=wishes, manner=manner).verdict


@pytest.mark.slow
@pytest.mark.parametrize("answer_ms", [5.0, 80.0, 250.0])
@pytest.mark.parametrize("word", RATED)
def test_healthy_boxes_pass_whatever_the_supply_is_like(word, answer_ms):
    verdict = moved(word, seed=round(answer_ms), manner=Manner(answer_ms=answer_ms))
    assert (verdict.outcome, verdict.doubts, verdict.discrepancies) == (PASS, (), ())


def test_the_verdict_says_which_boxes_were_low():
    verdict = moved()
    assert verdict.tested["low supply main"] == "its beginning and its end judged"
    assert "low supply" not in verdict.scope
    verdict = moved(plan=Plan("waits", (Step(0.0, "wait", "", 0),), 500.0))
    assert "low supply" in verdict.scope


@pytest.mark.parametrize(
    ("fault", "subject", "cause"),
    [
        ("shed_missing:main 7", "cabin_white", "supply of main low for long enough"),
        ("shed_extra:main 2", "allround_white", "supply of main low for long enough"),
        ("shed_presses_flipped:main", "cabin_white", "screen helm 29 pressed"),
        ("shed_restores_flipped:main", "cabin_white", "supply of main good again for long enough"),
        ("shed_at_once:main", "cabin_white", "nothing was done"),
    ],
)
def test_what_is_done_wrongly_at_low_supply_is_found(fault, subject, cause):
    verdict = moved(fault=fault)
    assert verdict.outcome == FAIL
    assert (verdict.discrepancies[0].subject, verdict.discrepancies[0].root.cause) == (subject, cause)


def volts(at_ms, milli):
    return Step(at_ms, VOLTS, "supply", milli)


def on_and(*steps):
    tap = Step(0.0, "press", "screen helm 29"), Step(150.0, "release", "screen helm 29", 0)
    return Plan("by hand made", (*tap, *steps), 12_000.0)


def test_whether_a_stretch_was_long_enough_must_be_sure():
    """One about as long as the box waits may shed or not: nothing is held against either."""
    for for_ms in (700.0, 900.0, 1000.0, 1100.0):
        plan = on_and(volts(1500.0, 8500), volts(1500.0 + for_ms, 12000))
        for seed in range(3):
            assert moved(plan=plan, seed=seed).discrepancies == ()


def test_at_a_limit_nothing_is_promised():
    assert moved(plan=on_and(volts(1500.0, 9050), volts(9000.0, 12000))).discrepancies == ()


def test_what_a_box_without_limits_does_at_low_supply_is_not_judged():
    """Dunlin agrees nothing: not even a restart is a discrepancy until the supply is good again."""
    tap = Step(0.0, "press", "screen nav 21"), Step(150.0, "release", "screen nav 21", 0)
    plan = Plan("low", (*tap, volts(1500.0, 9000), volts(9000.0, 12000)), 14_000.0)
    verdict = moved("dunlin", plan=plan, fault="restarts:9000")
    assert verdict.outcome == INCONCLUSIVE and not verdict.discrepancies
    assert any("on its way to 9 V" in d.reason for d in verdict.doubts)


def test_a_restart_while_the_supply_stands_low_is_one():
    verdict = moved(plan=on_and(volts(1500.0, 8500), volts(11_000.0, 12000)), fault="restarts:12500")
    assert [d.root.kind for d in verdict.discrepancies] == ["restart"]


def test_a_recording_gives_the_same_verdict_again(tmp_path):
    live = moved(fault="shed_restores_flipped:main", out=tmp_path / "s")
    boat, session = load_boat("demo"), open_session(tmp_path / "s")
    assert assess_session(session, boat.spec, boat.definitions, Oracle(boat.spec)) == live
    entries = list(open_session(tmp_path / "s").entries())
    assert [e.volts for e in entries if isinstance(e, SupplySet)][:3] == [8.5, 12.0, 8.5]
    assert sum(isinstance(e, SupplyReached) for e in entries) > 4


def test_a_plan_says_what_it_does_and_what_it_leaves_out():
    spec = load_boat("demo").spec
    whole = with_low_supply(spec, EMPTY, Rated(12.0, 8.0, 15.5))
    assert [text.partition(":")[0] for text in whole.covered] == [DIP, LOW, RAMP, HIGH]
    assert not {LOW, RAMP, HIGH} & set(whole.not_tested)
    levels = [s.value for s in whole.steps if s.kind == VOLTS]
    assert min(levels) == 8500 and max(levels) == 15500 and levels[-1] == 12000
    none = with_low_supply(spec, EMPTY, Rated(12.0))
    assert none.steps == () and "supply.least_v" in none.not_tested[LOW]
    assert "supply.least_v, supply.most_v" in none.not_tested[HIGH]
    short = with_low_supply(spec, EMPTY, Rated(12.0, 9.0))
    assert short.not_tested[LOW] == "it takes 8.5 V, and the bench profile permits 9 V"
    assert "supply.most_v" in short.not_tested[HIGH]
    weak = with_low_supply(spec, EMPTY, Rated(10.8, 8.0))
    assert weak.not_tested[LOW] == "the supply is set to 10.8 V, and is good above 10.5 V only"
    bow = with_low_supply(load_boat("greenshank").spec, EMPTY, Rated(12.0, 8.0))
    assert bow.not_tested[LOW] == "what bow does then is not agreed, and one supply feeds all"
    assert "washdown" not in str(with_low_supply(spec, EMPTY, Rated(12.0, 8.0), {"washdown": 1.0}).steps[0])


def test_no_plan_goes_beyond_what_the_profile_permits():
    for word, rated in RATED.items():
        plan = with_low_supply(load_boat(word).spec, EMPTY, rated)
        levels = [s.value / 1000 for s in plan.steps if s.kind == VOLTS]
        assert rated.least_v <= min(levels) and max(levels) <= rated.most_v


def test_a_plan_that_moves_the_supply_can_be_kept_and_needs_one_that_moves(tmp_path):
    spec = load_boat("demo").spec
    plan = with_low_supply(spec, EMPTY, RATED["demo"])
    path = tmp_path / "plan.json"
    path.write_text(plan_text(plan))
    assert load_plan(path, spec) == plan
    with pytest.raises(UsageError, match="sets the supply's voltage, which this bench cannot"):
        run_virtual(wishes=Wishes(plan=plan))
    path.write_text(plan_text(Plan("wrong", (Step(0.0, VOLTS, "supply", 70_000),), 500.0)))
    with pytest.raises(UsageError, match="step 0 has the value 70000 - expected mV, below 60000"):
        load_plan(path, spec)

"""The supply's current limit follows the plan, and trouble with it ends a run safely."""

from dataclasses import replace

import pytest

from bench.core.entry import LinkLost, SupplySwitched, SupplyTrouble
from bench.core.plan import OVERLOAD, Plan, Step
from bench.core.verdict import INCONCLUSIVE
from bench.lab.api import load_boat, run_virtual
from bench.lab.supply_sim import FAULTS, HEALTHY
from bench.lab.virtual import START_NS
from bench.lab.virtual_supply import SuppliedBench
from bench.rig import Setting
from bench.run.api import SupplyWish, Wishes, with_supply_limit
from bench.run.supply_limit import Need, limited, need_of, too_little
from bench.session import open_session
from bench.twin import Fault

SPEC = load_boat("demo").spec


def pressed(*keys, kind="press"):
    return Plan("presses", tuple(Step(400.0 * k, kind, name) for k, name in enumerate(keys)), 5000.0)


def test_the_limit_is_the_sum_of_what_is_on_with_what_is_starting():
    one = need_of(SPEC, pressed("screen helm 39"), None, 12.0)  # a heater: as much at once as later
    both = need_of(SPEC, pressed("screen helm 39", "screen helm 37"), None, 12.0)  # and a pump
    heater, pump = SPEC.circuits["cabin_heater"].rated_a, SPEC.circuits["fresh_water"].rated_a
    assert heater < one.steady_a < 2 * heater + 2.0 and one.steady_a <= one.starting_a
    assert heater + pump < both.steady_a < 2 * (heater + pump) + 2.0
    assert both.starting_a > both.steady_a + 4 * pump
    nothing = need_of(SPEC, Plan("nothing", (), 500.0), None, 12.0)
    assert 2.0 < nothing.steady_a < nothing.starting_a < 30.0  # what comes on as the boxes wake
    trip = need_of(SPEC, pressed("bilge_aft", kind=OVERLOAD), None, 12.0)
    assert trip.starting_a > 4 * SPEC.circuits["bilge_aft"].trip.at_a


def test_it_is_never_above_what_the_bench_bears():
    assert limited(Setting(12.0, 40.0), Need(20.0, 35.0)).limit_a == 35.0
    assert limited(Setting(12.0, 40.0), Need(20.0, 90.0)).limit_a == 40.0
    assert too_little(Setting(12.0, 40.0), Need(20.0, 90.0)) == ()
    said = too_little(Setting(12.0, 40.0), Need(50.0, 90.0))[0]
    assert said.text == "what the plan has on at a time may draw 50 A, and the supply may give 40 A"
    assert said.severity == "warning"


def test_a_run_is_given_the_limit_of_its_plan():
    wishes = Wishes(plan=pressed("screen helm 39"), supply=SupplyWish("simulated", Setting(12.0, 200.0)))
    assert with_supply_limit(load_boat("demo"), wishes).supply.setting.limit_a < 25.0
    assert with_supply_limit(load_boat("demo"), Wishes(short=True)) == Wishes(short=True)


def beside(tmp_path, *, limit_a=900.0, fault=None, supply_fault=HEALTHY, monkeypatch=None):
    if supply_fault is not HEALTHY:
        first = SuppliedBench.__init__
        made = lambda self, *a, **k: first(self, *a, **{**k, "fault": supply_fault})  # noqa: E731
        monkeypatch.setattr(SuppliedBench, "__init__", made)
    wishes = Wishes(short=True, out=tmp_path / "s", supply=SupplyWish("simulated", Setting(12.0, limit_a)))
    faults = () if fault is None else (Fault.parse(fault),)
    result = run_virtual(faults=faults, wishes=wishes)
    entries = list(open_session(tmp_path / "s").entries())
    return result, entries


def last_switching(entries):
    return [e.on for e in entries if isinstance(e, SupplySwitched)][-1]


def test_a_supply_in_its_current_limit_ends_the_run_off_and_inconclusive(tmp_path):
    result, entries = beside(tmp_path, limit_a=12.0)
    assert result.verdict.outcome == INCONCLUSIVE
    assert "and 12 A, set to 12 V and at most 12 A" in result.reason
    assert any(isinstance(e, SupplyTrouble) for e in entries)
    assert result.off is not None and not result.verdict.discrepancies


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("overheats:main 3", "its box reports that deck_fwd is too hot"),
        ("overcurrent:main 17", "its box reports that fresh_water draws too much"),
    ],
)
def test_what_a_box_says_is_too_hot_or_too_much_ends_the_run_off_and_inconclusive(tmp_path, fault, told):
    result, entries = beside(tmp_path, fault=fault)
    assert (result.verdict.outcome, result.reason) == (INCONCLUSIVE, told)
    assert any("the bench's load may be the cause" in d.reason for d in result.verdict.doubts)
    assert result.off.all_off and last_switching(entries) == 0


def test_a_link_that_is_lost_ends_the_run_with_the_supply_off(tmp_path, monkeypatch):
    wait, benches = SuppliedBench.wait, []

    def losing(self, until_ns):
        benches.append(self)
        entries = wait(self, until_ns)
        lost = self._clock.now_ns() > START_NS + 9_000_000_000
        return [LinkLost(self._clock.now_ns(), "unplugged")] if lost else entries

    monkeypatch.setattr(SuppliedBench, "wait", losing)
    result, _ = beside(tmp_path)
    assert (result.verdict.outcome, result.reason) == (INCONCLUSIVE, "link lost: unplugged")
    assert not benches[0].sim.on and not result.verdict.discrepancies


def test_a_supply_that_falls_silent_ends_the_run_inconclusive(tmp_path, monkeypatch):
    mute = replace(FAULTS["falls_mute"], mute_after=200)
    result, _ = beside(tmp_path, supply_fault=mute, monkeypatch=monkeypatch)
    assert result.verdict.outcome == INCONCLUSIVE and not result.verdict.discrepancies
    assert "did not answer" in result.reason and result.off is not None

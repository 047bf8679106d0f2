"""What must not run long: refused beforehand by the model, not sent, and stopped, while it goes."""

from dataclasses import replace

import pytest

from bench.core.clock import VirtualClock
from bench.core.errors import UsageError
from bench.core.frame import Frame
from bench.core.plan import Plan, Step
from bench.core.signal import Observation
from bench.core.verdict import INCONCLUSIVE, PASS
from bench.lab.api import boat_tables, load_boat, run_virtual
from bench.lab.virtual import START_NS, VirtualBench
from bench.oracle import Oracle
from bench.plan.by_hand import choose, with_by_hand
from bench.run import home
from bench.run.allowed import Allowed
from bench.run.api import Wishes, run_on
from bench.run.limits import hung_after_s, longest_on_ms, refuse_too_long
from bench.run.off_build import build
from bench.spec.profile import parse_profile
from bench.twin import Twin

MS = 1_000_000

HEAD = "hardstand_bench: 1\nadapter: twin\nclock: host\necho: flagged\nconfirms: true\njitter_ms: 1\n"
HORN = (
    Step(0, "press", "panel helm 3"), Step(2000, "release", "panel helm 3"),
)  # fmt: skip
PLAN = Plan("horn", HORN, 3000.0)


def boat_with(limits):
    return replace(load_boat("demo"), profile=parse_profile(f"{HEAD}limits: {limits}\n"))


def test_the_model_tells_how_long_a_plan_has_a_circuit_on():
    assert longest_on_ms(load_boat("demo").spec, PLAN, {"horn": 1})["horn"] == pytest.approx(2000, abs=100)


def test_a_plan_within_the_limit_runs():
    boat = boat_with("{circuits: {horn: 3}}")
    assert run_virtual(boat=boat, wishes=Wishes(plan=PLAN)).verdict.outcome == PASS


@pytest.mark.parametrize(
    ("limits", "text"),
    [
        ("{circuits: {horn: 1}}", "the plan has horn on for up to 2."),
        ("{circuits: {hron: 1}}", "the spec has no such circuit"),
        ("{horn_s: 1}", "does not say for which circuit"),
    ],
)
def test_a_plan_over_the_limit_and_a_limit_nothing_can_hold_are_refused(limits, text):
    boat = boat_with(limits)
    with pytest.raises(UsageError) as refused:
        run_virtual(boat=boat, wishes=Wishes(plan=PLAN))
    assert text in refused.value.complaints[0].text


def test_a_limited_circuit_is_not_worked_by_hand():
    boat = boat_with("{circuits: {horn: 60}}")
    plan = Plan("by hand", (Step(0, "by_hand", "horn", 1),), 1000.0)
    with pytest.raises(UsageError, match="worked by hand"):
        refuse_too_long(boat.spec, plan, boat.profile)


def test_the_by_hand_phase_leaves_limited_circuits_out():
    spec = load_boat("demo").spec
    assert "cabin_heater" in [c.name for c in choose(spec).circuits]
    plan = with_by_hand(spec, Plan("none", (), 500.0), {"cabin_heater": 60.0})
    assert "cabin_heater" not in [s.name for s in plan.steps]
    assert "cabin_heater: the bench profile limits how long it may run" in plan.not_tested["by hand"]


def held_for(s, steps):
    """A gate that keeps a step's turn waiting: a host, or a person, that takes its time."""
    asked = []

    def gate(step):
        asked.append(step)
        return step not in steps or asked.count(step) > 20 * s

    return gate


def test_a_step_that_would_exceed_a_limit_is_not_sent_and_the_run_ends(monkeypatch):
    monkeypatch.setattr("bench.run.api.refuse_too_long", lambda *_: None)
    boat = boat_with("{circuits: {horn: 1}}")
    clock = VirtualClock(START_NS)
    bench = VirtualBench(Twin(boat_tables("demo"), start_ns=START_NS, powered=False), clock)
    seen = []
    wait = bench.wait
    bench.wait = lambda until_ns: seen.extend(got := wait(until_ns)) or got
    result = run_on(boat, bench, clock, Wishes(plan=PLAN), adapter="virtual")
    why = "horn would be on for longer than its limit of 1 s"
    assert result.reason == f"step 0 (press panel helm 3) was not sent: {why}"
    assert result.verdict.outcome == INCONCLUSIVE
    assert any(result.reason in d.reason for d in result.verdict.doubts)
    said = [boat.definitions.decode(e) for e in seen if isinstance(e, Frame)]
    assert "state:horn" in {o.signal for r in said if r for o in r.observations}
    assert not any(o.signal == "state:horn" and o.value for r in said if r for o in r.observations)


def test_a_box_that_keeps_it_on_ends_the_run_by_switching_off():
    boat = boat_with("{circuits: {horn: 3}}")
    result = run_virtual(boat=boat, wishes=Wishes(plan=PLAN, gate=held_for(10, [PLAN.steps[1]])))
    assert result.reason == "horn is on for longer than its limit of 3 s"
    assert result.verdict.outcome == INCONCLUSIVE
    assert result.off is not None
    assert result.off.all_off


class Box:
    """What a run asks its judge: the latest reports."""

    def __init__(self):
        self.reported = {}

    def report(self, **circuits):
        self.reported |= {f"state:{c}": Observation(f"state:{c}", float(on)) for c, on in circuits.items()}

    def heard_ns(self, signal):
        return 1 if signal in self.reported else None


class Following:
    """`Allowed` of the demo boat, led through a plan with its horn and `chart_table`."""

    def __init__(self, **limits):
        spec = load_boat("demo").spec
        self.told = []
        self.box = Box()
        self.allowed = Allowed(limits, spec, Oracle(spec))
        self.allowed.tell = lambda name, left_s: self.told.append((name, left_s))
        self.allowed.begin(0)

    def look(self, ms):
        return self.allowed.look(ms * MS, self.box)

    def play(self, plan, index, ms):
        why = self.allowed.refuses(plan, index, ms * MS)
        if not why:
            self.allowed.sent(plan.steps[index], ms * MS, ms * MS)
        return why


TIMES = (0, "press"), (120, "release"), (3000, "press"), (3120, "release")
TABLE = tuple(Step(t, kind, "screen helm 30") for t, kind in TIMES)


def test_a_circuit_that_never_reports_is_held_by_the_model():
    f = Following(horn=3.0)
    assert f.play(PLAN, 0, 0) == ""
    assert f.look(2900) == ""
    assert f.look(3000) == "by what was sent, horn is on for longer than its limit of 3 s"


def test_where_a_box_reports_otherwise_it_is_believed_and_what_would_switch_on_is_not_sent():
    """The box missed the press that switches on, so that the one that switches off would switch on."""
    f = Following(chart_table=4.0)
    plan = Plan("table", TABLE, 12_000.0)
    f.box.report(chart_table=False)
    assert [f.play(plan, n, t) for n, t in ((0, 0), (1, 120))] == ["", ""]
    assert [f.look(t) for t in range(200, 2900, 100)] == [""] * 27
    assert f.play(plan, 2, 3000) == "chart_table would be on for longer than its limit of 4 s"


def test_the_same_plan_goes_through_where_the_box_agrees():
    f = Following(chart_table=4.0)
    plan = Plan("table", TABLE, 12_000.0)
    for n, step in enumerate(plan.steps):
        assert f.look(round(step.at_ms)) == ""
        assert f.play(plan, n, round(step.at_ms)) == ""
        f.box.report(chart_table=n < 2)
    assert [f.look(t) for t in range(3200, 12_000, 100)] == [""] * 88


def test_the_guard_is_told_before_a_press_and_when_it_is_over():
    f = Following(horn=3.0)
    f.look(900)
    f.allowed.press("panel helm 3", 1000 * MS, 980 * MS)
    assert f.told == [("horn", 3.02)]
    f.box.report(horn=False)
    f.look(1100)
    f.look(1400)
    assert f.told == [("horn", 3.02)]
    f.look(2000)
    assert f.told == [("horn", 3.02), ("horn", None)]


def test_the_guard_is_told_of_what_a_box_reports_on_unasked():
    f = Following(horn=3.0)
    f.box.report(horn=True)
    f.look(1000)
    f.look(1500)
    assert f.told == [("horn", 3.0)]
    f.allowed.end()
    assert f.told == [("horn", 3.0), ("horn", None)]
    assert f.look(9000) == ""


def test_reports_of_a_box_whose_supply_was_taken_away_count_no_more():
    f = Following(horn=3.0)
    f.box.report(horn=True)
    f.look(1000)
    f.allowed.switched_off("main", 1100 * MS)
    assert f.look(5000) == ""


def test_a_limited_circuit_is_switched_off_before_others():
    boat = load_boat("demo")
    words = Oracle(boat.spec).off_words()
    off = build(boat.spec, boat.definitions, words, "virtual", first=("anchor_up", "locker_light"))
    assert list(off.circuits)[:3] == ["washdown", "anchor_up", "locker_light"]  # follows washdown


def test_a_run_hangs_sooner_where_a_limit_is_short():
    assert [hung_after_s(limits) for limits in ({}, {"a": 9.0}, {"a": 2.0, "b": 9.0}, {"a": 0.2})] == [
        5,
        5,
        2,
        1,
    ]


def test_a_counted_cycle_is_not_walked_where_that_would_exceed_a_limit():
    boat = load_boat("demo")
    wipers = boat.spec.functions["wipers"]
    assert home._walked_ms(boat.spec, wipers, "wiper_fwd", 500.0) == 1100.0
    assert home._walked_ms(boat.spec, wipers, "wiper_aft", 500.0) == 600.0

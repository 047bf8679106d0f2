"""What must not run long: refused beforehand by the model, stopped by what the box reports."""

from dataclasses import replace

import pytest

from bench.core.errors import UsageError
from bench.core.plan import Plan, Step
from bench.core.verdict import INCONCLUSIVE, PASS
from bench.lab.api import load_boat, run_virtual
from bench.plan.by_hand import choose, with_by_hand
from bench.run.api import Wishes
from bench.run.limits import longest_on_ms, refuse_too_long
from bench.spec.profile import parse_profile

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


def test_a_box_that_keeps_it_on_ends_the_run_by_switching_off(monkeypatch):
    monkeypatch.setattr("bench.run.api.refuse_too_long", lambda *_: None)
    result = run_virtual(boat=boat_with("{circuits: {horn: 1}}"), wishes=Wishes(plan=PLAN))
    assert result.reason == "horn is on for longer than its limit of 1 s"
    assert result.verdict.outcome == INCONCLUSIVE
    assert result.off is not None
    assert result.off.all_off

"""What the plans of the shipped boats claim, checked from their files on boxes made from the boats' pages."""

import json
from dataclasses import replace

import pytest

from bench.evidence.planning import SHIPPED, checked, shipped
from bench.spec.model import Shown


@pytest.mark.slow
@pytest.mark.parametrize(("name", "supply"), [(name, n % 2 == 0) for n, name in enumerate(SHIPPED)])
def test_a_plan_is_what_it_says(name, supply):
    found = checked(shipped(name, supply=supply))
    assert (found.wrong, found.unread, found.undefined, found.missed) == ([], [], [], [])
    assert found.held > 500
    assert found.recounted > 40


@pytest.fixture(scope="module")
def dunlin():
    return shipped("dunlin", supply=False)


def wrong(trial, change=None, spec=None):
    plan = json.loads(json.dumps(trial.plan))
    if change:
        change(plan["steps"])
    return [t for t in checked(replace(trial, plan=plan, spec=spec or trial.spec)).wrong if "scenario" in t]


@pytest.mark.slow
def test_a_scenario_that_leaves_a_line_out_is_refused(dunlin):
    def leave_out(steps):
        said = next(s for s in steps if s["kind"] == "wait" and "expects" in s["about"])
        said["covers"] = []

    assert wrong(dunlin) == []
    assert len(wrong(dunlin, leave_out)) == 7


@pytest.mark.slow
def test_a_scenario_whose_expectation_a_box_does_not_meet_is_refused(dunlin):
    lines = list(dunlin.spec.scenarios["water_aboard"])
    lines[-1] = replace(lines[-1], shown={"bilge": Shown("off")})
    spec = replace(dunlin.spec, scenarios={**dunlin.spec.scenarios, "water_aboard": tuple(lines)})
    assert [t.partition(" ms: ")[2] for t in wrong(dunlin, spec=spec)] == ["scenario water_aboard"]


@pytest.mark.slow
def test_the_effect_of_one_key_is_not_claimed_for_another_that_is_held(dunlin):
    """While the bilge pump's key is held its toggle switches it off: that is the toggle's doing."""
    steps = dunlin.plan["steps"]
    held = [n for n, s in enumerate(steps) if (s["kind"], s["name"]) == ("press", "panel nav 5")]
    claims = [t for n in held for t in steps[n]["covers"] if t == "control panel nav 5 off"]
    ends = [s for s in steps if s["kind"] == "release" and "control panel nav 5 off" in s["covers"]]
    assert claims == []
    assert ends

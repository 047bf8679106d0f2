"""Plans for a given bench time: never longer, more covered with more time, right on a healthy virtual box."""

from itertools import pairwise
from pathlib import Path

import pytest
from strokes import apart

from bench.core.errors import UsageError
from bench.lab.api import load_boat, run_virtual
from bench.plan import make_plan
from bench.run.api import Wishes
from bench.run.plan_file import load_plan, plan_text
from bench.spec import load_spec

DATA = Path(__file__).parents[2] / "bench" / "data"
BOATS = ("kittiwake",)
BUDGETS_S = (3, 20, 47, 75)


def spec_of(name):
    return load_spec(DATA / f"{name}.yaml").spec


@pytest.fixture(scope="module", params=BOATS)
def family(request):
    spec = spec_of(request.param)
    return spec, [make_plan(spec, supply=True, seconds=s) for s in BUDGETS_S], make_plan(spec, supply=True)


def tags(plan):
    return {t for s in plan.steps for t in s.covers}


def keys(plan):
    return {t.rpartition(" ")[0] for t in tags(plan) if t.startswith("control ")}


def test_no_plan_lasts_longer_than_its_budget(family):
    _, plans, _ = family
    for seconds, plan in zip(BUDGETS_S, plans, strict=True):
        assert plan.duration_ms <= seconds * 1000
        assert all(s.at_ms <= plan.duration_ms for s in plan.steps)


def test_with_more_time_no_fewer_keys_have_an_effect_and_no_less_is_covered(family):
    _, plans, full = family
    worths = [(len(keys(p)), len(tags(p) & tags(full))) for p in plans]
    assert worths == sorted(worths)
    assert worths[-1] <= (len(keys(full)), len(tags(full)))


def test_every_key_has_had_an_effect_within_25_seconds(family):
    spec, _, full = family
    assert keys(make_plan(spec, supply=True, seconds=25)) == keys(full)


def test_every_press_is_released_and_stimuli_keep_their_distance(family):
    _, plans, _ = family
    for plan in plans:
        down = set()
        for step in plan.steps:
            if step.kind == "press":
                assert step.name not in down
                down.add(step.name)
            elif step.kind == "release":
                down.remove(step.name)
        assert down == set()
        assert all(b - a >= 60 - 1e-6 for a, b in pairwise(apart(plan)))


def test_sensors_are_at_rest_and_supplies_on_at_the_end(family):
    _, plans, _ = family
    for plan in plans:
        last = {(s.kind, s.name): s.value for s in plan.steps if s.kind in ("sensor", "supply")}
        assert all(value == (kind == "supply") for (kind, _), value in last.items())


def test_what_is_left_out_is_named_by_kind_and_nothing_else_is(family):
    _, plans, full = family
    for plan in plans:
        missing = {t.split()[0] for t in tags(full) - tags(plan)}
        if not plan.uncovered:
            assert not missing or plan.steps == full.steps
            continue
        kinds = [text.split(": ")[0] for text in plan.uncovered]
        assert len(kinds) == len(set(kinds)) == len(missing)
        assert all(plan.not_tested[kind].startswith("no time for it in ") for kind in kinds)
        assert ("transitions" in kinds) == ("transitions" in missing)
        for toured in (t for t in plan.toured if t.by == "transitions"):
            title = f"transitions {', '.join(toured.circuits)}: "
            assert toured.done == len([t for t in tags(plan) if t.startswith(title)])


@pytest.mark.plans_anew
def test_a_budget_for_all_gives_the_full_plan_and_the_same_asked_twice_the_same_bytes(family):
    spec, plans, full = family
    assert plan_text(make_plan(spec, supply=True, seconds=120)) == plan_text(full)
    again = make_plan(spec, supply=True, seconds=BUDGETS_S[3])
    assert plan_text(again) == plan_text(plans[3])
    assert make_plan(spec, supply=True, seconds=20, seed=1).duration_ms <= 20_000


@pytest.mark.parametrize("name", BOATS)
def test_too_little_time_for_anything_is_refused_with_the_least_that_is_possible(name):
    spec = spec_of(name)
    with pytest.raises(UsageError) as refused:
        make_plan(spec, seconds=0.5)
    (complaint,) = refused.value.complaints
    assert "too short for any plan" in complaint.text
    least = float(complaint.expected.removeprefix("at least "))
    plan = make_plan(spec, seconds=least)
    assert keys(plan)
    assert plan.duration_ms <= least * 1000


def test_scenarios_come_first_where_they_take_no_more_than_a_quarter_of_the_time():
    spec = spec_of("dunlin")
    short, long = make_plan(spec, supply=True, seconds=24), make_plan(spec, supply=True, seconds=28)
    told = {"scenario getting_under_way", "scenario water_aboard"}
    assert not told & tags(short)
    assert "scenarios: getting_under_way; water_aboard" in short.uncovered
    assert told <= tags(long)
    texts = ["scenario " in s.about for s in long.steps if s.kind == "press"]
    assert texts == sorted(texts, reverse=True) and 0 < sum(texts) < len(texts)


def test_a_plan_for_a_given_time_is_kept_and_read_again(tmp_path):
    spec = spec_of("dunlin")
    plan = make_plan(spec, seconds=15)
    path = tmp_path / "plan.json"
    path.write_text(plan_text(plan), encoding="utf-8")
    assert load_plan(path, spec) == plan


@pytest.mark.parametrize("name", BOATS)
@pytest.mark.parametrize("seconds", [17, 62])
def test_a_healthy_virtual_box_passes(name, seconds, tmp_path):
    boat = load_boat(name)
    plan = make_plan(boat.spec, supply=True, seconds=seconds)
    result = run_virtual(boat=boat, wishes=Wishes(out=tmp_path / "s", plan=plan))
    assert result.verdict.outcome == "pass"

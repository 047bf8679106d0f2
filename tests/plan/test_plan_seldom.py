"""Keys between whose presses a long timer must end: what is on about them, who waits for that, and which of
several plans is kept."""

import pytest
from seeded import seeded

from bench.core.plan import Step
from bench.lab.api import load_boat
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.plan.act import Act, Haste, Job
from bench.plan.chains import shortest
from bench.plan.company import NO_SHARE, Share
from bench.plan.pace import Pace
from bench.plan.sim import Sim
from bench.plan.weave import Weave
from bench.plan.weaver import Weaver, Woven


@pytest.fixture(scope="module")
def demo():
    boat = load_boat("demo")
    return boat, make_plan(boat.spec)


def on_at_presses(spec, plan, function):
    """Of each press but the first, the other circuits that are on for certain as its key goes down."""
    sim, found = Sim(Oracle(spec), spec), []
    keys = [c.name for c in spec.controls.values() if c.function == function]
    for step in plan.steps:
        sim.advance(step.at_ms)
        if step.kind == "press" and step.name in keys:
            found.append({c for c in spec.circuits if sim.on(c)} - set(spec.functions[function].circuits))
        sim.enact(step.kind, step.name, step.value)
    return found[1:]


def test_much_else_is_on_when_the_key_of_a_long_timer_is_pressed(demo):
    """The timer of 40 s ends twice in a plan of 88 s, and in 4 s between these are all other presses."""
    boat, plan = demo
    found = on_at_presses(boat.spec, plan, "washdown")
    assert len(found) == 5
    assert all(len(others) >= 5 for others in found)
    assert len(set().union(*found)) >= 17  # of 23; 6 before there was time taken for it


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "argument"),
    [("cross_talk", "panel helm 7/main 2 on"), ("stray_off", "panel helm 7/main 12")],
)
def test_what_hid_while_that_key_was_pressed_is_found(demo, kind, argument):
    assert seeded(*demo, kind, argument).outcome == "fail"


def test_what_waits_for_it_is_done_in_time(demo):
    weaver = Weaver(demo[0].spec, seed=0, supply=False, only=(), first=None)
    without = weaver.weave()
    made = weaver.weave(seen=without)
    assert made.seldom is not None
    assert made.seldom.titles
    about = next(j.title for j in made.jobs if j.title.startswith("company about "))
    for title in made.seldom.titles:
        assert made.began_ms[title] >= made.ended_ms[about]
    assert made.end_ms < without.end_ms + 1_000.0
    assert {t for s in made.steps for t in s.covers} >= {t for s in without.steps for t in s.covers}


@pytest.mark.parametrize("name", ["turnstone", "greenshank", "dotterel"])
def test_nobody_waits_where_there_is_no_time(name):
    """Without a long timer, or with others at work until the end."""
    weaver = Weaver(load_boat(name).spec, seed=0, supply=False, only=(), first=None)
    assert weaver.weave(seen=weaver.weave()).seldom is None


# -- who waits


def begun(*jobs):
    """When each of these began that wait for 1 s each, by title."""
    spec = load_boat("demo").spec
    weave = Weave(Sim(Oracle(spec), spec), Pace.of(spec), haste=Haste({j.title: 0.0 for j in jobs}))
    weave.run(jobs)
    return weave.began_ms


def job(title, *clusters, **more):
    def script():
        yield Act("wait", "", 0, 1_000.0)

    return Job(title, frozenset(clusters), script, **more)


def test_nothing_waits_for_what_has_not_begun_in_time():
    early = begun(job("first", 1), job("gap", 1, 2, rank=1), job("after", 2, rank=4))
    assert early == {"first": 0.0, "gap": 1_000.0, "after": 2_000.0}
    over = begun(job("first", 1), job("gap", 1, 2, rank=1, by_ms=0.0), job("after", 2, rank=4))
    assert over == {"first": 0.0, "after": 0.0, "gap": 1_000.0}


def test_what_is_late_waits_for_all_that_is_not():
    found = begun(job("late", 1, 2, late=True), job("tour", 1), job("scene", 2, rank=5))
    assert found == {"tour": 0.0, "scene": 0.0, "late": 1_000.0}


# -- which is kept


def kept(*in_company):
    """Which of the plans with keys in company is kept, each told by when it ends and its share; one more
    second is as much as a hundredth."""
    made = iter(in_company)

    def woven(end_ms, share, covers=("x",)):
        return Woven([Step(0.0, "wait", "", 0, "", covers)], end_ms, [], {}, {}, [], [], True, None, share)

    def weave(_, seen):
        return woven(10_000.0, NO_SHARE) if seen is None else woven(*next(made, in_company[-1]))

    return shortest(weave).end_ms / 1e3


def test_what_adds_most_for_its_time_is_kept():
    little, more = Share(5, 10, 50, 100), Share(6, 10, 50, 100)
    assert kept((11_000.0, little), (12_000.0, more)) == 12.0
    assert kept((11_000.0, little), (30_000.0, more)) == 11.0
    assert kept((11_000.0, more), (10_500.0, more)) == 10.5


def test_what_covers_less_is_not_kept():
    assert kept((9_000.0, Share(9, 10, 9, 10), ())) == 10.0

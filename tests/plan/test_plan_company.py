"""Keys pressed while other circuits are on and off: what is counted, what is found by it, and where time is
taken for it."""

import json

import pytest
from seeded import seeded

from bench.evidence.plan_company import miscounted
from bench.evidence.plan_played import Played, steps_of
from bench.lab.api import boat_tables, load_boat, run_virtual
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.plan.act import Job
from bench.plan.chains import shortest
from bench.plan.company import Company
from bench.plan.fill import Seen, gaps
from bench.plan.machine import Letter, Move
from bench.plan.meanwhile import first_wait_first
from bench.plan.mingle import MOST_SIGNALS
from bench.plan.pace import SIGNAL_MS, Pace
from bench.plan.sim import Sim
from bench.plan.weaver import Weaver
from bench.run.api import Wishes
from bench.run.plan_file import plan_text


@pytest.fixture(scope="module")
def demo():
    boat = load_boat("demo")
    return boat, make_plan(boat.spec, supply=True)


def shortest_without_company(spec):
    """How long a plan of the same jobs lasts, in ms."""
    weaver = Weaver(spec, seed=0, supply=False, only=(), first=None)
    return shortest(lambda haste, _: weaver.weave(haste=haste)).end_ms


# -- what is counted


@pytest.fixture
def company():
    spec = load_boat("demo").spec
    sim = Sim(Oracle(spec), spec)
    return Company(spec, sim, Pace.of(spec)), sim


def tap(company, sim, at_ms, control, until_ms):
    sim.advance(at_ms)
    company.enact(sim, "press", control, 1)
    sim.advance(at_ms + 120)
    company.enact(sim, "release", control, 0)
    sim.advance(until_ms)


def test_a_press_counts_with_each_stranger_that_is_on(company):
    company, sim = company
    tap(company, sim, 0, "screen helm 38", 500)  # engine fan
    assert company.share().one == 0
    tap(company, sim, 500, "screen helm 39", 1000)  # heater, with the fan
    assert company.share()[0] == 1
    tap(company, sim, 1000, "screen helm 40", 1500)  # electronics, with fan and heater
    one, of_one, two, of_two = company.share()
    assert (one, of_one) == (3, 587)
    # of 24 the heater's cluster has 3; with the fan on 20 others were off, then with fan and heater on 21
    assert (two, of_two) == (20 + 1 + 2 * 21, 18_330)


def test_what_has_just_changed_does_not_count(company):
    company, sim = company
    tap(company, sim, 0, "screen helm 38", 500)
    for at_ms, control in ((500, "screen helm 39"), (560, "screen helm 40")):  # the heater 60 ms before
        sim.advance(at_ms)
        company.enact(sim, "press", control, 1)
    sim.advance(700)
    for control in ("screen helm 39", "screen helm 40"):
        company.enact(sim, "release", control, 0)
    assert company.share().one == 2  # each with the fan


def test_a_press_without_effect_does_not_count(company):
    company, sim = company
    tap(company, sim, 0, "screen helm 38", 500)
    before = company.share()
    tap(company, sim, 500, "panel helm 12", 1000)  # everything that it switches off is off
    assert company.share() == before


def test_a_plan_of_the_demo_boat_brings_nearly_every_key_into_every_company(demo):
    boat, plan = demo
    text = next(c for c in plan.covered if c.startswith("company: "))
    one, of_one, *_ = map(int, (w for w in text.split() if w.isdigit()))
    two, of_two = map(int, (w for w in text.split("; ")[1].split() if w.isdigit()))
    assert one / of_one > 0.96
    assert two / of_two > 0.86
    assert make_plan(boat.spec).duration_ms <= 90_000


@pytest.mark.parametrize(("name", "least"), [("greenshank", 0.85), ("turnstone", 0.75)])
def test_idle_time_is_enough_for_most_of_it_on_large_boats(name, least):
    spec = load_boat(name).spec
    plan = make_plan(spec)
    text = next(c for c in plan.covered if c.startswith("company: "))
    one, of_one, *_ = map(int, (w for w in text.split() if w.isdigit()))
    assert one / of_one > least
    bare = shortest_without_company(spec)
    assert plan.duration_ms < bare + 11_000


@pytest.mark.slow
@pytest.mark.parametrize("name", ["demo", "dunlin"])
def test_the_figures_hold_on_a_box_that_the_plan_is_played_to(name):
    spec = load_boat(name).spec
    written = json.loads(plan_text(make_plan(spec)))
    steps = steps_of(written)
    played = Played(spec, boat_tables(spec.boat.name), steps, written["duration_ms"])
    assert miscounted(spec, written, steps, played) == []
    last = [s for s in steps if s.at_ms < 30_000]
    assert len(miscounted(spec, written, last, played)) == 2  # said is more than these show
    written["covered"] = [c for c in written["covered"] if not c.startswith("company")]
    assert miscounted(spec, written, steps, played) == ["the plan does not say in which company keys are"]


# -- what is found by it


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "argument"),
    [
        ("member_extra", "panel helm 12/main 11"),  # the horn goes off with the lights
        ("member_extra", "panel helm 12/main 13"),
        ("member_extra", "panel helm 12/main 10"),
        ("cross_talk", "panel helm 11/main 2 on"),
        ("cross_talk", "panel helm 8/main 11 on"),
        ("cross_talk", "screen helm 28/main 11 on/main 23 off"),
        ("wake_keeps", "main 1"),
        ("wake_keeps", "main 11"),
        ("wake_keeps", "main 20"),
        ("wake_keeps", "main 21"),
    ],
)
def test_what_hid_is_found(demo, kind, argument):
    assert seeded(*demo, kind, argument).outcome == "fail"


# -- where time is taken for it


def job(title, clusters, rank=0):
    return Job(title, frozenset(clusters), lambda: iter(()), rank)


def seen(*rows):
    """Each title, its clusters, and from when to when it went on."""
    jobs = [job(title, clusters) for title, clusters, *_ in rows]
    return Seen(jobs, {r[0]: r[2] for r in rows}, {r[0]: r[3] for r in rows}, 0.0)


def test_clusters_that_wait_for_a_long_tour_are_free_until_it_ends():
    found = list(gaps(seen(
        ("long", {1}, 0, 60_000), ("short", {2}, 0, 5_000), ("other", {3}, 0, 5_000),
        ("all", {1, 2, 3}, 60_000, 61_000),
    )))  # fmt: skip
    assert [(g.clusters, g.until_ms, g.behind) for g in found] == [
        (frozenset({2, 3}), 60_000, frozenset({"all"}))
    ]


def test_what_is_still_at_work_soon_before_is_not_free():
    found = list(gaps(seen(
        ("long", {1}, 0, 60_000), ("short", {2}, 0, 5_000), ("slow", {3}, 0, 51_000), ("q", {4}, 0, 5_000),
        ("all", {1, 2, 3, 4}, 60_000, 61_000),
    )))  # fmt: skip
    assert [g.clusters for g in found] == [frozenset({2, 4})]


def test_no_gap_is_shorter_than_it_is_worth():
    assert not list(gaps(seen(
        ("a", {1}, 0, 9_000), ("b", {2}, 0, 1_000), ("c", {3}, 0, 1_000), ("all", {1, 2, 3}, 9_000, 9_500),
    )))  # fmt: skip


def test_of_rounds_that_wait_the_shortest_comes_first():
    def move(tail, kind, head):
        return Move(tail, Letter(kind, "x"), head, 1)

    moves = [
        move(0, "tap", 1), move(1, "tap", 0),  # without a timer
        move(0, "tap", 1), move(1, "tap", 2), move(2, "end", 0),
        move(0, "tap", 1), move(1, "end", 0),
    ]  # fmt: skip
    assert first_wait_first(moves, range(7)) == [5, 6, 0, 1, 2, 3, 4]
    assert first_wait_first(moves, range(5)) == [0, 1, 2, 3, 4]


def test_keys_are_tried_while_a_timer_is_waited_for(demo):
    _, plan = demo
    meanwhile = [s for s in plan.steps if s.about == "locker_light meanwhile"]
    assert len(meanwhile) >= 20
    assert len(meanwhile) % 2 == 0  # there and back


def test_a_plan_for_some_circuits_takes_no_time_for_company():
    spec = load_boat("demo").spec
    plan = make_plan(spec, only=["horn", "search_light"])
    assert not [s for s in plan.steps if "company" in s.about]
    assert not [c for c in plan.covered if c.startswith("company")]


@pytest.mark.parametrize("name", ["demo", "turnstone"])
def test_keys_that_may_be_a_horn_are_pressed_a_few_times_and_shortly(name):
    spec = load_boat(name).spec
    plan = make_plan(spec, supply=True)
    horns = [c.name for c in spec.controls.values() if c.function in ("horn", "siren")]
    assert horns
    for horn in horns:
        strokes = [s.at_ms for s in plan.steps if s.name == horn]  # down, up, down, up
        assert 0 < len(strokes) / 2 <= MOST_SIGNALS + 5
        assert max(up - down for down, up in zip(strokes[::2], strokes[1::2], strict=True)) <= SIGNAL_MS


# -- on demand


@pytest.fixture(scope="module")
def whole():
    boat = load_boat("demo")
    return boat, make_plan(boat.spec, supply=True, company=True)


def test_on_demand_nearly_every_key_meets_every_company(whole, demo):
    text = next(c for c in whole[1].covered if c.startswith("company: "))
    one, of_one, *_ = map(int, (w for w in text.split() if w.isdigit()))
    two, of_two = map(int, (w for w in text.split("; ")[1].split() if w.isdigit()))
    assert one == of_one and two / of_two > 0.96
    missing = {t for s in demo[1].steps for t in s.covers} - {t for s in whole[1].steps for t in s.covers}
    assert missing == set()


def test_a_healthy_box_passes_it(whole):
    boat, plan = whole
    verdict = run_virtual(boat=boat, wishes=Wishes(plan=plan), seed=3).verdict
    assert (verdict.outcome, verdict.doubts) == ("pass", ())

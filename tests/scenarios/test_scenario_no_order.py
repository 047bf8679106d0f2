"""Where no order is defined (docs/meaning.md) a healthy box passes whichever way it takes it, or the
verdict names what could not be followed; what is wrong beside it is still found.

The bench's plans never do this; recordings of a boat do. The box here hears each panel and screen up to
20 ms late, so that what was sent second may be taken first.
"""

from dataclasses import replace

import pytest
from collisions import MS, START_NS, Crowd, load_boat, run_crowd

from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.oracle import Oracle
from bench.twin import Fault

pytestmark = pytest.mark.slow
LATE_MS = 20.0


def thrown_together(boat, seed, groups=30, spread_ms=24.0):
    crowd = Crowd(boat.spec, seed)
    for _ in range(groups):
        crowd.together(spread_ms)
    return crowd.plan()


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", ["demo", "fulmar"])
def test_stimuli_closer_than_the_box_resolves_may_be_taken_in_either_order(name, seed):
    boat = load_boat(name)
    verdict = run_crowd(boat, thrown_together(boat, seed), seed, LATE_MS)
    assert (verdict.outcome, verdict.discrepancies) == (PASS, ())


@pytest.mark.parametrize("seed", [0, 5, 7])
def test_a_box_that_waits_for_presses_to_last_is_not_followed_and_that_is_said(seed):
    boat = load_boat("dunlin")
    verdict = run_crowd(boat, thrown_together(boat, seed), seed, 0)
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert any("closer than it tells apart" in doubt.reason for doubt in verdict.doubts)


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("name", ["demo", "fulmar"])
def test_a_key_let_go_about_when_its_hold_is_reached_may_count_either_way(name, seed):
    boat = load_boat(name)
    spec, crowd = boat.spec, Crowd(boat.spec, seed)
    first = {c: spec.circuits[spec.functions[v.function].circuits[0]] for c, v in spec.controls.items()}
    dims = [c for c, v in spec.controls.items() if spec.functions[v.function].kind == "toggle"]
    dims = [c for c in dims if first[c].dim is not None]
    for _ in range(8):
        crowd.near_hold(crowd.chance.choice(dims), 130.0)
    verdict = run_crowd(boat, crowd.plan(), seed, LATE_MS)
    assert verdict.discrepancies == ()


@pytest.mark.parametrize("seed", range(4))
def test_a_key_pressed_about_when_a_timer_ends_may_come_before_or_after(seed):
    boat = load_boat("demo")
    washdown = boat.spec.circuits["washdown"]
    exact = replace(washdown, auto_off=replace(washdown.auto_off, tolerance_s=0.005))
    spec = replace(boat.spec, circuits={**boat.spec.circuits, "washdown": exact})
    crowd = Crowd(spec, seed)
    for _ in range(6):
        crowd.near_end(crowd.chance.choice(["panel helm 7", "screen helm 32"]), 40.0, 90.0)
    verdict = run_crowd(replace(boat, spec=spec), crowd.plan(), seed, LATE_MS)
    assert (verdict.outcome, verdict.discrepancies) == (PASS, ())


@pytest.mark.parametrize("seed", range(3))
def test_a_silence_about_as_long_as_the_limit_may_be_a_loss_or_none(seed):
    boat = load_boat("demo")
    beat = next(b for b in boat.definitions.sender().heartbeats() if b.node == "panel helm").make()[0][0]
    crowd, hushes = Crowd(boat.spec, seed), []
    for _ in range(8):
        key = crowd.chance.choice(["panel helm 3", "panel helm 6"])
        crowd.tap(key, crowd.t_ms, 3500.0)
        silent_ns = round((1500 + crowd.chance.uniform(-100, 100)) * MS)
        hushes.append((beat, START_NS + round((6340 + crowd.t_ms) * MS), silent_ns))
        crowd.t_ms += 5000
    verdict = run_crowd(boat, crowd.plan(), seed, LATE_MS, hushes=hushes)
    assert verdict.discrepancies == ()


@pytest.mark.parametrize(
    ("kind", "subject"),
    [("momentary_latches", "horn"), ("member_missing", "side_step"), ("timer_short", "washdown")],
)
def test_a_fault_is_still_found_beside_it(kind, subject):
    boat = load_boat("demo")
    crowd = Crowd(boat.spec, 5)
    for _ in range(10):
        crowd.together(24.0)
    for control in ("panel helm 3", "panel helm 2", "panel helm 2", "panel helm 12", "panel helm 7"):
        crowd.tap(control, crowd.t_ms, 120.0)
        crowd.rest()
    crowd.t_ms += 42_000
    healthy = run_crowd(boat, crowd.plan(), 5, LATE_MS)
    verdict = run_crowd(boat, crowd.plan(), 5, LATE_MS, faults=[Fault(kind)])
    assert healthy.outcome == PASS
    assert verdict.outcome == FAIL
    hangs_together = next(names for names in Oracle(boat.spec).clusters if subject in names)
    assert {d.subject for d in verdict.discrepancies} & set(hangs_together)

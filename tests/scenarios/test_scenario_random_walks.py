"""Random walks never fail a healthy box: a sample of what bench/evidence/walks.py runs by the hundred."""

import itertools
import random

import pytest

from bench.core.entry import Refused
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.evidence.walks import (
    BOATS,
    ONE_SUPPLY,
    TROUBLES,
    beginnings,
    is_right,
    judged_again,
    judged_from,
    reasons,
    walked,
)
from bench.lab.api import load_boat
from bench.lab.walk import Kinds, make_walk
from bench.session import open_session
from bench.twin import Fault, fault_kinds

pytestmark = pytest.mark.slow

# each once ended in a fail: ramps that another key took over or ended, holds that were over, lamps over
# several circuits or boxes while one of them was between two states; on dotterel, whose panels send keys as
# levels, a key whose frame bore the counter of the key before it, come round
ONCE_WRONG = [
    *(("dunlin", n) for n in (3, 8, 13, 18, 23, 25)),
    *(("fulmar", n) for n in (0, 15, 31)),
    *(("dotterel", n) for n in (23, 52)),
]


@pytest.mark.parametrize("boat", BOATS)
def test_a_random_walk_is_reproducible_and_keeps_its_distance(boat):
    spec = load_boat(boat).spec
    plan = make_walk(spec, 3)
    assert plan == make_walk(spec, 3)
    assert plan != make_walk(spec, 4)
    assert len(plan.steps) >= 10
    held = set()
    for step in plan.steps:
        if step.kind in ("press", "release"):
            assert (step.name in held) == (step.kind == "release")
            (held.add if step.kind == "press" else held.discard)(step.name)
    assert not held
    resolves = max(box.resolves_ms for box in spec.boxes.values())
    for control in spec.controls:
        times = [s.at_ms for s in plan.steps if s.name == control]
        assert all(b - a > resolves for a, b in itertools.pairwise(times))


@pytest.mark.parametrize(("boat", "seed"), [*ONCE_WRONG, *((b, s) for b in BOATS for s in (40, 41))])
def test_a_healthy_box_never_fails(boat, seed):
    walk = walked(load_boat(boat), seed)
    assert walk.verdict.judged_samples > 5000
    assert is_right(walk), walk.verdict.discrepancies
    assert set(reasons(walk.verdict)) <= {"current at a limit", "a box dark or waking", "state not known"}


@pytest.mark.parametrize("seed", [25, 101, 111])
def test_one_dark_box_of_two_leaves_doubts_and_no_fail(seed):
    walk = walked(load_boat("fulmar"), seed, kinds=ONE_SUPPLY)
    assert is_right(walk), walk.verdict.discrepancies
    assert walk.verdict.outcome in (PASS, INCONCLUSIVE)


@pytest.mark.parametrize("boat", BOATS)
@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_link_in_bad_shape_is_never_the_box_s_fault(boat, trouble):
    walk = walked(load_boat(boat), 4, trouble=TROUBLES[trouble])
    assert walk.troubles
    assert is_right(walk, shaky=True), (walk.verdict.outcome, walk.verdict.discrepancies)
    if trouble in ("frames lost, told", "silence of 2 s", "link dies", "all at once"):
        assert walk.verdict.outcome == INCONCLUSIVE


@pytest.mark.parametrize("boat", BOATS)
def test_judging_may_begin_anywhere_in_a_healthy_recording(boat, tmp_path):
    loaded = load_boat(boat)
    walked(loaded, 7, out=tmp_path / "session")
    entries = list(open_session(tmp_path / "session").entries())
    assert not any(isinstance(e, Refused) for e in entries)
    for begin in beginnings(entries, 6, 1):
        verdict = judged_from(loaded, entries, begin)
        assert (begin, verdict.discrepancies) == (begin, ())


def test_faulty_walks_judged_live_and_again_later_agree_to_the_letter(tmp_path):
    chance = random.Random(5)
    cases = [(b, k.kind) for k in fault_kinds().values() for b in k.expected if b in BOATS]
    outcomes = set()
    for n, (boat, kind) in enumerate(chance.sample(cases, 6)):
        loaded = load_boat(boat)
        live = walked(loaded, n, faults=(Fault(kind),), out=tmp_path / str(n)).verdict
        assert judged_again(loaded, tmp_path / str(n)) == live
        outcomes.add(live.outcome)
    assert FAIL in outcomes


@pytest.mark.parametrize("seed", [53, 88])
def test_what_a_box_does_as_it_wakes_while_another_that_it_needs_is_dark_is_not_agreed(seed):
    verdict = walked(load_boat("fulmar"), seed, kinds=ONE_SUPPLY).verdict
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert "a box dark or waking" in reasons(verdict)


@pytest.mark.parametrize("seed", [5085, 5098])
def test_a_momentary_key_still_lets_go_of_what_another_key_switched_meanwhile(seed):
    verdict = walked(load_boat("dunlin"), seed, kinds=Kinds(supply=0.0, wake=0.0)).verdict
    assert (verdict.outcome, verdict.discrepancies) == (PASS, ())


@pytest.mark.parametrize("seed", [1, 22])
def test_what_rules_and_timers_do_while_one_of_several_boxes_is_dark_is_not_agreed(seed):
    """A follower of a circuit whose box alone lost its supply: kept or dropped, nobody has said."""
    verdict = walked(load_boat("greenshank"), seed, kinds=ONE_SUPPLY).verdict
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert any("had no supply" in doubt.reason for doubt in verdict.doubts)

"""The belief always holds the truth: set semantics against plain enumeration of single states."""

from __future__ import annotations

import itertools
import random
from typing import Any

import pytest
from oracle_builder import MS, Walk, circuit, random_events, random_spec, spec, toggle

from bench.core.event import PRESS, RELEASE, SENSOR, Event
from bench.core.timeline import Ramp, Steady
from bench.oracle import Oracle, beliefs
from bench.oracle.levels import NO, OFF, YES
from bench.oracle.tables import DIRECTION, HAND, MEMORY, RAMP, SAVED, TIMER, TRIP, ClusterTable
from bench.spec import model as m

UNSURE = (2, 3)  # holds of which only the possibility is known
Product = tuple[Any, ...]


def covers(t: ClusterTable, big: Product, small: Product) -> bool:
    """Does the set `big` hold the single state `small`?"""
    n = t.n
    vague = {c for f in t.hold_functions if big[f.hold] and big[f.hold][0] in UNSURE for c in f.members}
    for c in range(n):
        ramp = small[n * RAMP + c]
        if ramp is not None or c in vague:
            if c not in vague and not _ramp_inside(big[n * RAMP + c], ramp):
                return False
        elif not all(any(a - 1e-9 <= lo and hi <= b + 1e-9 for a, b in big[c]) for lo, hi in small[c]):
            return False
        if any(big[n * k + c] | small[n * k + c] != big[n * k + c] for k in (TRIP, HAND, DIRECTION)):
            return False
        if small[c] != OFF and not _later(big[n * TIMER + c], small[n * TIMER + c]):
            return False
        remembers = t.dims[c] is not None and t.dims[c].remembers and c not in vague
        if remembers and not _inside(beliefs.remembered(t, big, c), beliefs.remembered(t, small, c)):
            return False
        saved = big[n * SAVED + c]
        if not all(any(a <= lo and hi <= b for a, b in saved) for lo, hi in small[n * SAVED + c]):
            return False
    return _rest_covered(t, big, small)


def _ramp_inside(big: Ramp | None, small: Ramp) -> bool:
    if big is None or small is None:
        return False
    same = small._replace(lo_pct=big.lo_pct, hi_pct=big.hi_pct) == big
    return same and big.lo_pct <= small.lo_pct and small.hi_pct <= big.hi_pct


def _inside(big: Any, small: Any) -> bool:
    return small is None or (big is not None and big[0] - 1e-6 <= small[0] and small[1] <= big[1] + 1e-6)


def _later(big: Any, small: Any) -> bool:
    """Ends of a timer: what of the truth's window is already past by the belief cannot come any more."""
    return small is None or (big is not None and small[1] <= big[1])


def _rest_covered(t: ClusterTable, big: Product, small: Product) -> bool:
    timers = {f.counter_timer for f in t.counters if f.counter_timer >= 0}
    holds = {f.hold for f in t.hold_functions}
    for slot in range(8 * t.n, t.size):
        if slot in timers:
            if not _later(big[slot], small[slot]):
                return False
        elif slot in holds:
            if big[slot] != small[slot] and not (big[slot] and big[slot][0] in UNSURE):
                return False
        elif slot == t.pending:
            if [p[:2] for p in big[slot]] != [p[:2] for p in small[slot]]:
                return False
        elif slot not in (t.undo, t.overflow) and big[slot] | small[slot] != big[slot]:
            return False
    return True


def covered(model: Oracle, belief: Walk, truth: Walk) -> list[int]:
    """Clusters in which no product of the belief holds the truth."""
    return [
        k
        for k, t in enumerate(model.tables)
        if not any(covers(t, b, truth.states[k][0]) for b in belief.states[k])
    ]


def pick_one(rng: random.Random, walk: Walk) -> None:
    """Where order is undefined the truth takes one way."""
    walk.states = [[rng.choice(s)] for s in walk.states]


def singles(rng: random.Random, t: ClusterTable, most: int) -> list[Product]:
    """Single states drawn from the unknown one; all of them when there are few."""
    base = beliefs.unknown(t, 0)[0]
    choices: list[list[Any]] = []
    for slot, value in enumerate(base):
        choices.append(_values(t, slot, value))
    count = 1
    for c in choices:
        count *= len(c)
    every = itertools.product(*choices) if count <= most else (
        tuple(rng.choice(c) for c in choices) for _ in range(most)
    )  # fmt: skip
    return [_lawful(t, list(p)) for p in every]


def _values(t: ClusterTable, slot: int, value: Any) -> list[Any]:
    n = t.n
    kind = slot // n if slot < 8 * n else -1
    if kind == 0:
        points = {p for lo, hi in value for p in (lo, hi, (lo + hi) / 2)}
        return [((p, p),) for p in sorted(points)]
    if kind == SAVED:
        return [((lo, lo),) for lo, _ in value]
    if kind == TIMER:
        return [value] if value is None else [(x, x) for x in (value[0] + MS, value[1])]
    if kind == MEMORY:
        return [(x, x) for x in sorted({value[0], value[1]})]
    if slot in (t.pending, t.undo, t.overflow) or not isinstance(value, int):
        return [value] if not isinstance(value, tuple) or not value else [value, None]
    return [1 << b for b in range(value.bit_length()) if value >> b & 1]


def _lawful(t: ClusterTable, w: list[Any]) -> Product:
    """What no box can hold is put right: a latch or an off circuit has no timer and no holding key."""
    n = t.n
    for c in range(n):
        if w[n * TRIP + c] == YES:
            w[c] = OFF
        if w[c] == OFF:
            w[n * TIMER + c] = None
            for key in t.momentary_keys[c]:
                w[key] = NO
    for f in t.counters:
        if f.counter_timer >= 0 and w[f.counter_timer] is None:
            w[f.counter] = 1 << (len(f.masks) - 1)
    return tuple(w)


@pytest.mark.parametrize("seed", range(11, 71))
def test_the_belief_from_unknown_holds_every_single_start_state(seed):
    rng = random.Random(seed)
    boat = random_spec(rng)
    model = Oracle(boat)
    count = range(len(model.clusters))
    starts = [singles(rng, t, 4) for t in model.tables]
    events = random_events(rng, boat, 8, 0)
    belief = Walk(model, [model.unknown(k, 0) for k in count])
    truths = [Walk(model, [[starts[k][i % len(starts[k])]] for k in count]) for i in range(4)]
    for event in events:
        belief.event(event)
        for truth in truths:
            truth.event(event)
            pick_one(rng, truth)
            assert not covered(model, belief, truth), f"lost after {event}"


def tiny_specs() -> list[m.Spec]:
    """Two or three circuits each, few enough states to enumerate every one."""
    trip = m.Trip(9, frozenset({"control", "group_off"}))
    counted = m.CounterReset(frozenset({"any_member_changed"}))
    group = m.Function("g", "group", ("a", "b"), part_on="all_on")
    horn = m.Function("h", "momentary", ("b",))
    cycle = m.Function("c", "cycle", positions=(("a",), ("a", "b"), ()), position="counter", reset=counted)
    scene = m.Function("s", "scene", presets={"a": 50.0, "b": 0.0}, again="off")
    force = m.Force("a", "x", "ignored", "yields")
    pair, three = [circuit("a", 1), circuit("b", 2)], [circuit(n, i) for i, n in enumerate("abc", 1)]
    return [
        spec([circuit("a", 1, trip=trip), circuit("b", 2)], [group, toggle("a"), horn], forces=(force,)),
        spec(pair, [cycle, scene, toggle("a"), toggle("b")]),
        spec(three, [group, toggle("c"), scene], follows=(m.Follow("c", ("a",), "drop", "output"),)),
        spec(three, [group, toggle("c"), horn], inhibits=(m.Inhibit("a", ("c",), "output"),)),
    ]


@pytest.mark.parametrize("number", range(4))
def test_the_belief_holds_every_one_of_all_start_states_of_a_tiny_spec(number):
    rng = random.Random(number)
    boat = tiny_specs()[number]
    model = Oracle(boat)
    every = [singles(rng, t, 1000) for t in model.tables]
    assert len(every[0]) > 15
    events = random_events(rng, boat, 10, 0)
    belief = Walk(model, [model.unknown(k, 0) for k in range(len(every))])
    truths = [Walk(model, [[s[i % len(s)]] for s in every]) for i in range(max(map(len, every)))]
    for event in events:
        belief.event(event)
        for truth in truths:
            truth.event(event)
            pick_one(rng, truth)
            assert not covered(model, belief, truth), f"lost after {event}"


@pytest.mark.parametrize("seed", range(1000, 1060))
def test_a_recording_may_begin_anywhere_in_a_life(seed):
    rng = random.Random(seed)
    boat = random_spec(rng)
    model = Oracle(boat)
    truth = Walk(model)
    events = random_events(rng, boat, 24, 0)
    for event in events[:12]:
        if event.kind != "supply":
            truth.event(event)
            pick_one(rng, truth)
    begin = events[11].t_ns + 60 * MS
    truth.advance(begin)
    pick_one(rng, truth)
    belief = Walk(model, [model.unknown(k, begin) for k in range(len(model.clusters))])
    for event in events[12:]:
        assert not covered(model, belief, truth)
        belief.event(event)
        truth.event(event)
        pick_one(rng, truth)


@pytest.mark.parametrize("seed", range(2002, 2062))
def test_what_the_truth_shows_never_removes_it_from_the_belief(seed):
    rng = random.Random(seed)
    boat = random_spec(rng)
    model = Oracle(boat)
    count = range(len(model.clusters))
    truth = Walk(model, [[rng.choice(singles(rng, t, 5))] for t in model.tables])
    belief = Walk(model, [model.unknown(k, 0) for k in count])
    for event in random_events(rng, boat, 8, 0):
        _observe(model, belief, truth, event.t_ns - MS)
        assert not covered(model, belief, truth), f"lost by looking before {event}"
        belief.event(event)
        truth.event(event)
        pick_one(rng, truth)


def _observe(model: Oracle, belief: Walk, truth: Walk, t_ns: int) -> None:
    belief.advance(t_ns)
    truth.advance(t_ns)
    truth.states = [[s[0]] for s in truth.states]
    for k, names in enumerate(model.clusters):
        for c, course in enumerate(model.courses(k, truth.states[k][0])):
            if isinstance(course, Ramp) or course.hi_pct - course.lo_pct > 1:
                continue
            seen = {f"level:{names[c]}": (course.lo_pct - 0.2, course.hi_pct + 0.2)}
            seen[f"state:{names[c]}"] = (float(course.lo_pct > 0),) * 2
            for signal, (lo, hi) in seen.items():
                kept = [model.keep(k, s, signal, lo, hi) for s in belief.states[k]]
                belief.states[k] = model.merge(k, [s for s in kept if s is not None])
                assert belief.states[k], f"{signal} in {lo}..{hi} left nothing"


@pytest.mark.parametrize("seed", range(10))
def test_the_hull_of_many_products_holds_each_of_them(seed):
    rng = random.Random(seed)
    boat = random_spec(rng)
    for t in Oracle(boat).tables:
        some = singles(rng, t, 6)
        whole = beliefs.join(t, some, crowded=True)
        assert all(covers(t, whole, one) for one in some)
        assert whole[t.overflow]


def test_more_than_64_products_become_one_that_says_so():
    boat = spec([circuit(n, i) for i, n in enumerate("ab", 1)], [toggle("a"), toggle("b")])
    model = Oracle(boat)
    base = model.rest(0)
    many = [((float(i), float(i)),) for i in range(1, 70)]
    (one,) = model.merge(0, [(level, *base[1:]) for level in many])
    assert model.crowded(0, one)
    assert model.courses(0, one) == (Steady(1.0, 69.0),)


def test_a_toggle_on_an_unknown_circuit_is_two_states_and_one_report_settles_it():
    boat = spec([circuit("a")], [toggle("a")])
    model = Oracle(boat)
    walk = Walk(model, [model.unknown(0, 0)])
    walk.tap(MS, "panel p 1")
    assert walk.span("a", 300 * MS) == (0.0, 100.0)
    walk.states[0] = [s for s in (model.keep(0, s, "state:a", 1, 1) for s in walk.states[0]) if s]
    assert walk.span("a", 300 * MS) == (100.0, 100.0)


def test_a_dimmer_held_before_we_looked_stays_possible_until_it_stands_still_long_enough():
    dim = m.Dim(10, 500, 4, 10, "none", None, "down", "turn")
    boat = spec([circuit("a", dim=dim)], [toggle("a")])
    model = Oracle(boat)
    walk = Walk(model, [model.unknown(0, 0)])
    look = lambda: [s for s in (model.keep(0, s, "level:a", 79.8, 80.2) for s in walk.states[0]) if s]  # noqa: E731
    walk.states[0] = look()
    assert len(walk.states[0]) == 2  # the key may be down, and the ramp not begun
    walk.advance(600 * MS)
    walk.states[0] = look()
    assert len(walk.states[0]) == 1
    assert walk.span("a", 600 * MS) == (79.8, 80.2)


def test_an_unknown_sensor_forks_only_where_a_press_depends_on_it():
    force = m.Force("a", "x", "ignored", "passes")
    boat = spec([circuit("a")], [toggle("a")], forces=(force,))
    model = Oracle(boat)
    walk = Walk(model, [[model.keep(0, s, "fault:a", 0, 0) for s in model.unknown(0, 0)]])
    walk.event(Event(MS, SENSOR, "x", 1))
    assert walk.span("a", MS) == (100.0, 100.0)
    walk.event(Event(2 * MS, PRESS, "panel p 1"))
    walk.event(Event(3 * MS, RELEASE, "panel p 1", 0))
    assert len(walk.states[0]) == 1

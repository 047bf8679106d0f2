"""The oracle as a Model: clusters, routes, determinism, twins of panel and screen, what is hidden."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from oracle_builder import MS, S, Walk, box, circuit, random_events, random_spec, spec, toggle

from bench.core.event import LOST, PRESS, RELEASE, SENSOR, Event
from bench.core.model import Model
from bench.core.timeline import OFF, Ramp, Steady
from bench.oracle import Oracle
from bench.spec import load_spec
from bench.spec import model as m

BOATS = sorted((Path(__file__).parents[2] / "bench" / "data").glob("*.yaml"))


def as_model(model: Model) -> Model:
    """For the type checker and the reader: an Oracle is a Model."""
    return model


@pytest.mark.parametrize("path", BOATS, ids=lambda p: p.stem)
def test_every_circuit_of_a_demonstration_boat_is_in_one_cluster_and_at_rest_off(path):
    model = Oracle(load_spec(path).spec)
    assert as_model(model) is model
    assert sorted(c for names in model.clusters for c in names) == sorted(model.circuit_cluster)
    for k, names in enumerate(model.clusters):
        assert model.courses(k, model.rest(k)) == (OFF,) * len(names)


@pytest.mark.parametrize("path", BOATS, ids=lambda p: p.stem)
def test_every_control_of_a_demonstration_boat_reaches_exactly_its_functions_circuits(path):
    boat = load_spec(path).spec
    model = Oracle(boat)
    for control in boat.controls.values():
        circuits = boat.functions[control.function].circuits
        assert model.targets(control.name) == circuits
        assert set(model.control_clusters(control.name)) == {model.circuit_cluster[c] for c in circuits}
    for control in boat.outside:
        assert model.route(Event(0, PRESS, control), [[] for _ in model.clusters]) == []


def test_scenes_and_off_functions_do_not_glue_but_groups_rules_and_sensors_do():
    boat = spec(
        [circuit(n, i) for i, n in enumerate("abcdefgh", 1)],
        [
            m.Function("g", "group", ("a", "b"), part_on="all_off"),
            m.Function("sc", "scene", presets={"a": 50.0, "c": 50.0}, again="off"),
            m.Function("o", "off", ("c", "d")),
        ],
        follows=(m.Follow("d", ("e",), "keep", "output"),),
        forces=(m.Force("f", "x", "ignored", "passes"), m.Force("g", "x", "ignored", "passes")),
    )
    assert Oracle(boat).clusters == (("a", "b"), ("c",), ("d", "e"), ("f", "g"), ("h",))


def untouched(model: Oracle, k: int) -> list[object]:
    """Everything possible in a cluster with nothing by hand and no latch, as the fault flags say."""
    states = model.unknown(k, 0)
    for name in model.clusters[k]:
        states = [s for s in (model.keep(k, s, f"fault:{name}", 0, 0) for s in states) if s is not None]
    return states


@pytest.mark.parametrize("seed", range(11, 26))
def test_the_same_events_give_the_same_states(seed):
    rng = random.Random(seed)
    boat = random_spec(rng)
    events = random_events(rng, boat, 10, 0)
    ends = []
    for _ in range(2):
        model = Oracle(boat)
        walk = Walk(model, [model.unknown(k, 0) for k in range(len(model.clusters))])
        for event in events:
            walk.event(event)
        ends.append(walk.states)
    assert ends[0] == ends[1]


def _twin(name: str) -> str:
    kind, _, key = name.split()
    return f"screen s {int(key) + 20}" if kind == "panel" else f"panel p {int(key) - 20}"


@pytest.mark.parametrize("seed", range(40))
def test_a_panel_press_and_its_screen_twin_give_the_same_outputs(seed):
    rng = random.Random(seed)
    boat = random_spec(rng)
    events = [e for e in random_events(rng, boat, 14, 0) if e.kind != LOST]
    swapped = [e._replace(name=_twin(e.name)) if e.kind in (PRESS, RELEASE) else e for e in events]
    model = Oracle(boat)
    one, two = Walk(model), Walk(model)
    for event, twin in zip(events, swapped, strict=True):
        one.event(event)
        two.event(twin)
        assert [one.span(c, event.t_ns) for c in boat.circuits] == [
            two.span(c, event.t_ns) for c in boat.circuits
        ]


def test_a_step_leaves_the_state_it_was_given_alone():
    model = Oracle(spec([circuit("a")], [toggle("a")]))
    before = model.rest(0)
    copy = tuple(before)
    ((k, cause),) = model.route(Event(MS, PRESS, "panel p 1"), [[before]])
    (after,) = model.step(k, before, cause)
    assert before == copy
    assert model.courses(0, after) == (Steady(100.0, 100.0),)


def test_auto_off_ends_within_its_tolerance_and_the_end_is_one_interval():
    model = Oracle(spec([circuit("a", auto_off=m.AutoOff(3, 0.25))], [toggle("a")]))
    walk = Walk(model)
    walk.tap(S, "panel p 1")
    (state,) = walk.states[0]
    assert model.next_due(0, state) == (3_750_000_000, 4_250_000_000)
    assert model.hidden(0, state)["timer a"] == (3.75e9, 4.25e9)
    (after,) = model.fire(0, state)
    assert model.courses(0, after) == (OFF,)
    assert model.next_due(0, after) is None


def test_a_hold_becomes_a_ramp_and_its_release_an_interval():
    dim = m.Dim(10, 500, 4, 10, "kept", "kept", "down", "turn")
    model = Oracle(spec([circuit("a", dim=dim)], [toggle("a")]))
    walk = Walk(model)
    walk.event(Event(S, PRESS, "panel p 1"))
    assert model.next_due(0, walk.states[0][0]) == (1_500_000_000, 1_500_000_000)
    walk.advance(2 * S)
    (course,) = model.courses(0, walk.states[0][0])
    assert isinstance(course, Ramp)
    assert (course.t_ns, course.direction, course.min_pct) == (1_500_000_000, -1, 10)
    walk.event(Event(2_500_000_000, RELEASE, "panel p 1", 0))
    lo, hi = walk.span("a", 3 * S)
    # 1 s at 22.5 %/s, 10 % slower or faster, press and release each up to 100 ms late
    assert lo == pytest.approx(100 - 1.1 * 22.5 / 0.9)
    assert hi == pytest.approx(100 - 0.9 * 22.5 / 1.1)
    narrowed = model.keep(0, walk.states[0][0], "level:a", 77.0, 77.4)
    assert model.courses(0, narrowed) == (Steady(77.0, 77.4),)
    assert model.hidden(0, narrowed)["memory a"] == (77.0, 77.4)


@pytest.mark.parametrize("held_ms", [450, 550])
def test_a_release_too_near_to_the_hold_time_keeps_both_possibilities(held_ms):
    dim = m.Dim(10, 500, 4, 10, "none", None, "down", "turn")
    walk = Walk(Oracle(spec([circuit("a", dim=dim)], [toggle("a")])))
    t_ns = walk.tap(S, "panel p 1")
    walk.tap(t_ns + S, "panel p 1", held_ms)
    lo, hi = walk.span("a", 9 * S)
    assert lo == 0.0
    assert hi > 90.0


@pytest.mark.parametrize(("held_ms", "counts"), [(5, {0.0}), (20, {0.0, 100.0}), (40, {100.0})])
def test_a_press_shorter_than_the_shortest_never_happened(held_ms, counts):
    walk = Walk(Oracle(spec([circuit("a")], [toggle("a")], boxes=[box(shortest_press_ms=20.0)])))
    walk.tap(S, "panel p 1", held_ms)
    walk.advance(2 * S)
    assert {walk.model.courses(0, s)[0].span(0, 0)[0] for s in walk.states[0]} == counts


def test_a_scene_over_clusters_carries_what_it_cannot_know():
    boat = spec(
        [circuit("a", 1), circuit("b", 2)],
        [m.Function("sc", "scene", presets={"a": 50.0, "b": 50.0}, again="off")],
    )
    model = Oracle(boat)
    walk = Walk(model, [untouched(model, 0), [model.rest(1)]])
    walk.tap(S, "panel p 1")
    assert walk.span("a", 2 * S) == (50.0, 50.0)  # b is not at its preset: applied for certain
    known = walk.states
    walk = Walk(model, [known[0], untouched(model, 1)])
    walk.tap(2 * S, "panel p 1")
    assert walk.span("a", 3 * S) == (0.0, 50.0)  # it depends on b


def test_a_counted_position_is_hidden_until_its_outputs_tell():
    boat = spec(
        [circuit("a", 1), circuit("b", 2)],
        [m.Function("c", "cycle", positions=(("a",), ("a", "b"), ()), position="counter")],
    )
    model = Oracle(boat)
    walk = Walk(model, [untouched(model, 0)])
    assert model.hidden(0, walk.states[0][0])["position c"] == (1.0, 3.0)
    walk.tap(S, "panel p 1")
    kept = [model.keep(0, s, f"state:{c}", on, on) for s in walk.states[0] for c, on in (("b", 1.0),)]
    assert [model.hidden(0, s)["position c"] for s in kept if s] == [(2.0, 2.0)]


def test_an_adopted_state_is_what_was_seen_even_when_no_press_leads_there():
    model = Oracle(spec([circuit("a", trip=m.Trip(9, frozenset({"control"})))], [toggle("a")]))
    (state,) = model.adopt(0, S, {"level:a": 37.0, "state:a": 1.0, "fault:a": 0.0})
    assert model.courses(0, state) == (Steady(36.0, 38.0),)
    (tripped,) = model.adopt(0, S, {"level:a": 0.0, "state:a": 0.0, "fault:a": 1.0})
    assert model.indicator("fault:a", [[tripped]]) == ((1.0, 1.0),)


def test_a_lamp_shows_every_value_that_is_possible():
    model = Oracle(spec([circuit("a")], [toggle("a")]))
    assert model.indicator("lamp:panel p 1", [model.unknown(0, 0)]) == ((0.0, 0.0), (1.0, 1.0))
    assert model.indicator("lamp:panel p 1", [[model.rest(0)]]) == ((0.0, 0.0),)
    assert model.indicators["lamp:panel p 1"] == (0,)


def test_a_lost_sensor_reads_as_agreed_until_it_is_heard_again():
    lost = m.Lost(3000, sensor="active")
    boat = spec([circuit("a")], [toggle("a")], sensor_lost=lost,
                forces=(m.Force("a", "x", "ignored", "passes"),))  # fmt: skip
    walk = Walk(Oracle(boat))
    for t_ns, event, shown in (
        (S, Event(S, LOST, "sensor x", 1), 100.0),
        (2 * S, Event(2 * S, LOST, "sensor x", 0), 0.0),
        (3 * S, Event(3 * S, SENSOR, "x", 1), 100.0),
    ):
        walk.event(event)
        assert walk.span("a", t_ns) == (shown, shown)

"""Whatever happened before, somebody can switch every channel off again, and off-words do it."""

from __future__ import annotations

import random

import pytest
from oracle_builder import MS, Walk, circuit, random_events, random_spec, spec, toggle

from bench.core.event import BY_HAND, RELEASE, SENSOR, SHED, SUPPLY, WAKE, Event
from bench.oracle import OffWord, Oracle, off_words
from bench.spec import model as m


def led_astray(seed: int, count: int = 14) -> tuple[random.Random, m.Spec, Walk, int]:
    """A random boat after random causes, then: keys up, sensors at rest, nothing by hand, box awake."""
    rng = random.Random(seed)
    boat = random_spec(rng)
    walk = Walk(Oracle(boat))
    events = random_events(rng, boat, count, 0)
    for event in events:
        walk.event(event)
        walk.states = [[rng.choice(s)] for s in walk.states]
    t_ns = events[-1].t_ns + 4000 * MS
    for kind, names in ((SENSOR, boat.sensors), (BY_HAND, boat.circuits), (RELEASE, boat.controls)):
        for name in names:
            walk.event(Event(t_ns, kind, name, 0))
    for name, unit in boat.boxes.items():
        walk.event(Event(t_ns, SHED, name, 0))
        if _dark(walk, name):
            walk.event(Event(t_ns, SUPPLY, name, 1))
            walk.event(Event(t_ns, WAKE, name, 1))
        assert unit
    walk.states = [[rng.choice(s)] for s in walk.states]
    return rng, boat, walk, t_ns + 500 * MS


def _dark(walk: Walk, name: str) -> bool:
    return any(
        walk.states[k][0][t.boxes[name]] != 2 for k, t in enumerate(walk.model.tables) if name in t.boxes
    )


def use(walk: Walk, word: OffWord, circuit_name: str, t_ns: int) -> tuple[int, set[str]]:
    """Taps until the circuit is off or the presses are used up; what else went on meanwhile."""
    before, more = walk.on(t_ns), set()
    for _ in range(word.presses):
        t_ns = walk.tap(t_ns, word.control, word.tap_ms) + 300 * MS
        walk.advance(t_ns)
        more |= walk.on(t_ns) - before
        if circuit_name not in walk.on(t_ns):
            break
    return t_ns, more


@pytest.mark.parametrize("seed", range(150))
def test_every_circuit_that_is_on_goes_off_by_one_of_its_words(seed):
    _, boat, walk, t_ns = led_astray(seed)
    words = off_words(boat)
    for name in sorted(walk.on(t_ns)):
        if name not in walk.on(t_ns):
            continue  # went off with another one
        for word in words[name]:
            if word.presses:
                t_ns, more = use(walk, word, name, t_ns)
                assert more <= set(word.switches_on), f"{word} for {name} switched {more} on"
                if name not in walk.on(t_ns):
                    break
        assert name not in walk.on(t_ns), f"{name} cannot be switched off by {words[name]}"
    assert not walk.on(t_ns)


def _mixed() -> m.Spec:
    names = "abcd"
    return spec(
        [circuit(n, i) for i, n in enumerate(names, 1)],
        [
            m.Function("cyc", "cycle", positions=(("a", "b"), ("b",), ()), position="derived"),
            m.Function("grp", "group", ("b", "c"), part_on="all_off"),
            m.Function("all", "off", ("a", "b", "c", "d")),
            toggle("b"),
            m.Function("horn", "momentary", ("d",)),
        ],
        forces=(m.Force("c", "x", "ignored", "passes"),),
    )


def test_words_are_ranked_by_how_little_else_they_touch():
    words = off_words(_mixed())
    assert [w.control for w in words["b"] if w.control.startswith("panel")] == [
        "panel p 4", "panel p 2", "panel p 3", "panel p 1",
    ]  # fmt: skip
    assert words["b"][0].also == ()
    assert words["a"][0].control == "panel p 3"
    assert words["a"][-1] == OffWord("screen s 21", 3, 60.0, ("b",), ("b",))


def test_a_forced_circuit_needs_its_sensor_at_rest_first():
    assert off_words(_mixed())["c"][0] == OffWord("sensor x", 0, 0.0)
    assert all(presses for ws in Oracle(_mixed()).off_words().values() for _, presses in ws)


def test_a_tap_is_too_short_to_dim_and_long_enough_to_count():
    dim = m.Dim(10, 150, 4, 10, "none", None, "down", "turn")
    word = off_words(spec([circuit("a", dim=dim)], [toggle("a")]))["a"][0]
    assert word.tap_ms == 50.0

"""Small specs straight from the dataclasses, and a plain walk of the model along a list of events."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from bench.core.event import BY_HAND, LOST, PRESS, RELEASE, SENSOR, SHED, SUPPLY, TRIP, WAKE, Event
from bench.oracle import Oracle
from bench.spec import model as m

MS, S = 1_000_000, 1_000_000_000
NAMES = "abcdef"
RESETS = ("control", "group_off", "scene_off", "cycle_empty", "inhibit", "shed")


def box(name: str = "main", **changes: Any) -> m.Box:
    plain = m.Box(
        name=name,
        definitions="",
        binding="",
        supply_v=12,
        respond_ms=100,
        settle_ms=250,
        resolves_ms=30,
        timing_ms=m.Timing(5, 10, 10),
        frames_ms={},
        level_step_pct=0.4,
        wake=m.Wake("supply", 1.0, "dark"),
        by_hand=m.ByHand("fuse_seat", "flag", "ignored"),
        trip_at_wake="kept",
    )
    return replace(plain, **changes)


def circuit(name: str, channel: int = 1, **more: Any) -> m.Circuit:
    return m.Circuit(name=name, box=more.pop("box", "main"), channel=channel, load="led", rated_a=1, **more)


def spec(
    circuits: Sequence[m.Circuit],
    functions: Sequence[m.Function],
    *,
    boxes: Sequence[m.Box] = (),
    lost: m.Lost | None = None,
    sensor_lost: m.Lost | None = None,
    sensors: Sequence[str] = ("x", "y"),
    **rules: Any,
) -> m.Spec:
    """Every function gets key n on panel p and key 20 + n on screen s."""
    boxes = boxes or (box(),)
    controls = {}
    for i, f in enumerate(functions, 1):
        for kind, node, key in (("panel", "p", i), ("screen", "s", 20 + i)):
            name = f"{kind} {node} {key}"
            lamp = m.Lamp("any") if kind == "panel" else None
            controls[name] = m.Control(name, node, kind, key, f.name, lamp)
    home = boxes[0].name
    return m.Spec(
        boat=m.Boat("Sandling"),
        boxes={b.name: b for b in boxes},
        panels={"p": m.ControlNode("panel", "p", home, lost)},
        screens={"s": m.ControlNode("screen", "s", home, lost)},
        sensors={n: m.Sensor(n, home, i, sensor_lost) for i, n in enumerate(sensors, 1)},
        circuits={c.name: c for c in circuits},
        functions={f.name: f for f in functions},
        controls=controls,
        outside=("panel p 28",),
        **rules,
    )


def toggle(name: str) -> m.Function:
    return m.Function(name, "toggle", (name,), implied=True)


def random_spec(rng: random.Random) -> m.Spec:
    """Up to six circuits with any mixture of behaviours the loader would accept."""
    names = NAMES[: rng.randint(2, 6)]
    boxes = [_random_box(rng, "main", names)]
    if rng.random() < 0.3:
        boxes.append(_random_box(rng, "aft", names))
    circuits = [_random_circuit(rng, n, i, rng.choice(boxes).name) for i, n in enumerate(names, 1)]
    follows, inhibits, forbidden = _random_rules(rng, names)
    functions = [toggle(n) for n in names]
    for i in range(rng.randint(1, 4)):
        made = _random_function(rng, f"f{i}", names, forbidden)
        if made is not None:
            functions.append(made)
    forces = tuple(
        m.Force(n, rng.choice("xy"), rng.choice(("ignored", "stored")), rng.choice(("passes", "yields")))
        for n in names
        if rng.random() < 0.25
    )
    woken = [n for n in names if rng.random() < 0.2 and not any(n in pair for pair in forbidden)]
    return spec(
        circuits,
        functions,
        boxes=boxes,
        lost=_random_lost(rng),
        sensor_lost=_random_lost(rng),
        forces=forces,
        follows=follows,
        inhibits=inhibits,
        wakes=(m.WakeOn(tuple(woken), rng.choice((100.0, 60.0))),) if woken else (),
    )


def _random_box(rng: random.Random, name: str, names: str) -> m.Box:
    sensed = rng.choice(("flag", "flag", "none"))
    limits = m.SupplyLimits(
        9, 1, tuple(n for n in names if rng.random() < 0.4), rng.choice(("refused", "allowed")), 10, 1,
        rng.random() < 0.5,
    )  # fmt: skip
    return box(
        name,
        wake=m.Wake(rng.choice(("supply", "message")), 1.0, rng.choice(("dark", "retained"))),
        by_hand=m.ByHand("seat", sensed, "stored" if sensed == "none" else rng.choice(("ignored", "stored"))),
        trip_at_wake=rng.choice(("kept", "cleared")),
        supply=limits if rng.random() < 0.5 else None,
        shortest_press_ms=rng.choice((0.0, 0.0, 20.0)),
    )


def _random_circuit(rng: random.Random, name: str, channel: int, box_name: str) -> m.Circuit:
    dim = auto = trip = None
    roll = rng.random()
    if roll < 0.3:
        dim = m.Dim(
            10, 500, 4, 10, rng.choice(("none", "kept", "kept_through_supply_loss")),
            rng.choice(("kept", "changed")), rng.choice(("down", "alternate")), rng.choice(("turn", "stop")),
        )  # fmt: skip
    elif roll < 0.5:
        auto = m.AutoOff(3, 0.2)
    if rng.random() < 0.35:
        trip = m.Trip(9, frozenset(["control", *(r for r in RESETS if rng.random() < 0.5)]))
    return circuit(name, channel, box=box_name, dim=dim, auto_off=auto, trip=trip)


def _random_rules(
    rng: random.Random, names: str
) -> tuple[tuple[m.Follow, ...], tuple[m.Inhibit, ...], set[frozenset[str]]]:
    """Rules without loops: a source always comes before its target."""
    follows, inhibits, forbidden = [], [], set()
    sees = ("output", "command")
    for i, name in enumerate(names[1:], 1):
        source, other = rng.choice(names[:i]), rng.choice(names[:i])
        if rng.random() < 0.3:
            follows.append(m.Follow(name, (source,), rng.choice(("keep", "drop")), rng.choice(sees)))
        elif rng.random() < 0.4:
            inhibits.append(m.Inhibit(name, tuple({source, other}), rng.choice(sees)))
            forbidden |= {frozenset((name, s)) for s in (source, other)}
    return tuple(follows), tuple(inhibits), forbidden


def _random_function(
    rng: random.Random, name: str, names: str, forbidden: set[frozenset[str]]
) -> m.Function | None:
    kind = rng.choice(("momentary", "cycle", "group", "scene", "off", "on"))
    members = tuple(rng.sample(names, rng.randint(2, min(3, len(names)))))
    if kind == "momentary":
        return m.Function(name, kind, members[:1])
    if kind != "off" and any(pair <= set(members) for pair in forbidden):
        return None
    if kind == "group":
        return m.Function(
            name, kind, members, part_on=rng.choice(("all_off", "all_on")), dim_together=rng.random() < 0.3
        )
    if kind == "cycle":
        positions = (members, members[:1], ())
        counted = m.CounterReset(
            frozenset(w for w in ("wake", "any_member_changed") if rng.random() < 0.5),
            5.0 if rng.random() < 0.3 else None,
        )
        how = rng.choice(("derived", "counter"))
        reset = counted if how == "counter" else None
        return m.Function(name, kind, positions=positions, position=how, reset=reset)
    if kind == "scene":
        presets = {n: rng.choice((0.0, 50.0, 100.0, 100.0)) for n in members}
        return m.Function(name, kind, presets=presets, again=rng.choice(("off", "reapply")))
    return m.Function(name, kind, members)


def _random_lost(rng: random.Random) -> m.Lost:
    return m.Lost(
        1000, rng.choice(("release", "hold")), rng.choice(("freeze", "continue")),
        rng.choice(("hold", "off")), rng.choice(("hold", "rest", "active")),
    )  # fmt: skip


class Walk:
    """The model led along events, as the judge does it, with every state kept."""

    def __init__(self, model: Oracle, states: Sequence[Sequence[Any]] | None = None) -> None:
        self.model = model
        count = range(len(model.clusters))
        self.states = [list(s) for s in states] if states else [[model.rest(k)] for k in count]

    def advance(self, t_ns: int) -> None:
        """What is overdue has happened; what is due around `t_ns` may have."""
        for k, states in enumerate(self.states):
            todo, out = list(states), {}
            while todo:
                state = todo.pop()
                due = self.model.next_due(k, state)
                if due is None or due[0] > t_ns:
                    out[state] = None
                    continue
                if due[1] > t_ns:
                    out[state] = None
                todo += self.model.fire(k, state)
            self.states[k] = self.model.merge(k, list(out))

    def event(self, event: Event) -> None:
        self.advance(event.t_ns)
        for k, cause in self.model.route(event, self.states):
            after = [x for s in self.states[k] for x in self.model.step(k, s, cause)]
            self.states[k] = self.model.merge(k, after)

    def tap(self, t_ns: int, control: str, ms: float = 100) -> int:
        """Press and release; gives back an instant well after it."""
        self.event(Event(t_ns, PRESS, control))
        self.event(Event(t_ns + round(ms * MS), RELEASE, control, 0))
        return t_ns + 200 * MS

    def span(self, name: str, t_ns: int) -> tuple[float, float]:
        k = self.model.circuit_cluster[name]
        at = self.model.clusters[k].index(name)
        spans = [self.model.courses(k, s)[at].span(t_ns, t_ns) for s in self.states[k]]
        return min(lo for lo, _ in spans), max(hi for _, hi in spans)

    def on(self, t_ns: int) -> set[str]:
        """Circuits that may be on."""
        return {c for c in self.model.circuit_cluster if self.span(c, t_ns)[1] > 0}


def random_events(rng: random.Random, spec: m.Spec, count: int, t_ns: int) -> list[Event]:
    """Causes of every kind, mostly presses, 150 ms to 2.5 s apart; keys go down and up in order."""
    out: list[Event] = []
    down: list[str] = []
    for _ in range(count):
        t_ns += rng.choice((150, 150, 400, 700, 2500)) * MS + rng.randint(0, 9) * MS
        roll = rng.random()
        if down and roll < 0.45:
            out.append(Event(t_ns, RELEASE, down.pop(rng.randrange(len(down))), 0))
        elif roll < 0.75 and set(spec.controls) - set(down):
            control = rng.choice(sorted(set(spec.controls) - set(down)))
            down.append(control)
            out.append(Event(t_ns, PRESS, control))
        else:
            out.append(_random_cause(rng, spec, t_ns))
    return out


def _random_cause(rng: random.Random, spec: m.Spec, t_ns: int) -> Event:
    kind = rng.choice((SENSOR, SENSOR, BY_HAND, TRIP, LOST, SHED, SUPPLY, WAKE, WAKE))
    names = {
        SENSOR: list(spec.sensors),
        LOST: ["panel p", "screen s", "sensor x"],
        BY_HAND: list(spec.circuits),
        TRIP: [c.name for c in spec.circuits.values() if c.trip] or list(spec.circuits),
    }.get(kind, list(spec.boxes))
    value = 1 if kind in (TRIP, WAKE) else rng.randint(0, 1)
    return Event(t_ns, kind, rng.choice(names), value)

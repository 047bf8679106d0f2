"""A plan's transitions recounted from its steps alone. States and letters are found here by another way than
in bench.plan: level by level, keyed by what the model tells of outputs and hidden variables."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from itertools import combinations
from typing import Any, NamedTuple

from bench.core.event import LOST, Event
from bench.core.model import State
from bench.evidence.plan_played import Played, Step, loses
from bench.oracle import Oracle
from bench.spec.model import Spec

MS = 1_000_000
SPAN = 600 * MS  # between two things done
MOST = 400  # transitions of a cluster that are all looked at

Done = tuple[Hashable, str]  # what can be told of a state, and what was done there


class _Place(NamedTuple):
    states: list[State]
    t_ns: int
    down: frozenset[str]
    active: frozenset[str]


class Cluster:
    """One cluster, stepped event by event at instants of its own. `taps`: functions all of whose circuits lie
    in it, with one control each; `momentary` ones of them; `sensors`."""

    def __init__(self, spec: Spec, oracle: Oracle, k: int) -> None:
        self._oracle, self._k = oracle, k
        self.taps: dict[str, str] = {}
        for c in spec.controls.values():
            if {oracle.circuit_cluster[x] for x in spec.functions[c.function].circuits} == {k}:
                self.taps.setdefault(c.function, c.name)
        self.momentary = {f for f in self.taps if spec.functions[f].kind == "momentary"}
        forced = [f.sensor for f in spec.forces if oracle.circuit_cluster[f.circuit] == k]
        self.sensors = list(dict.fromkeys(forced))

    def rest(self) -> list[State]:
        """With everything off."""
        return [self._oracle.rest(self._k)]

    def step(self, states: Iterable[State], t_ns: int, kind: str, name: str, value: int) -> list[State]:
        """After one event."""
        now = list(states)
        every: list[list[State]] = [[] for _ in self._oracle.clusters]
        every[self._k] = list(now)
        for j, cause in self._oracle.route(Event(t_ns, kind, name, value), every):
            if j == self._k:
                now = [n for s in now for n in self._oracle.step(self._k, s, cause)]
        return self.later(now, t_ns)

    def later(self, states: Iterable[State], t_ns: int) -> list[State]:
        """After what happens by itself until then."""
        waiting, out = list(states), list[State]()
        while waiting:
            s = waiting.pop()
            due = self._oracle.next_due(self._k, s)
            if due is not None and due[1] <= t_ns:
                waiting += self._oracle.fire(self._k, s)
            else:
                out.append(s)
        return list(dict.fromkeys(out))

    def key(self, place: _Place) -> Hashable:
        """What can be told of a place: outputs, hidden variables (of a timer that it runs), keys, sensors."""
        told: set[Hashable] = set()
        for s in place.states:
            spans = tuple(c.span(place.t_ns, place.t_ns) for c in self._oracle.courses(self._k, s))
            hidden = self._oracle.hidden(self._k, s).items()
            rest = ((n, () if n.startswith("timer") else v) for n, v in hidden if not n.startswith("held"))
            told.add((spans, tuple(rest)))
        return frozenset(told), place.down, place.active

    def do(self, name: str, at: _Place) -> _Place:
        """The place that a letter leads to."""
        states, t, down, active = at
        if name in self.sensors:
            active ^= {name}
            states = self.step(states, t, "sensor", name, int(name in active))
        elif name in down:
            down -= {name}
            states = self.step(states, t, "release", self.taps[name], 0)
        else:
            states = self.step(states, t, "press", self.taps[name], 1)
            if name in self.momentary:
                down |= {name}
            else:
                up = t + 120 * MS
                states = self.step(self.later(states, up), up, "release", self.taps[name], 0)
        return _Place(self.later(states, t + SPAN), t + SPAN, down, active)


def table(cluster: Cluster) -> tuple[Hashable, dict[Done, Hashable]] | None:
    """The state at rest, and where each letter leads from every state that is reached without waiting; None
    where that is too much."""
    start = _Place(cluster.rest(), 0, frozenset(), frozenset())
    first = cluster.key(start)
    seen, edge, found = {first}, [start], dict[Done, Hashable]()
    while edge:
        after = []
        for place in edge:
            here = cluster.key(place)
            for name in [*cluster.taps, *cluster.sensors]:
                there = cluster.do(name, place)
                key = found[here, name] = cluster.key(there)
                if key not in seen:
                    seen.add(key)
                    after.append(there)
            if len(found) > MOST:
                return None
        edge = after
    return first, found


def reachable(cluster: Cluster) -> set[Done] | None:
    """What can be done in states that are reached without waiting and from which a way leads back to rest."""
    made = table(cluster)
    if made is None:
        return None
    first, found = made
    back: dict[Hashable, set[Hashable]] = {}
    for (here, _), key in found.items():
        back.setdefault(key, set()).add(here)
    home, waiting = {first}, [first]
    while waiting:
        for key in back.get(waiting.pop(), set()) - home:
            home.add(key)
            waiting.append(key)
    return {(key, name) for key, name in found if key in home}


def done(spec: Spec, cluster: Cluster, steps: Sequence[Step]) -> set[Done]:
    """What steps of a plan that reach the cluster do."""
    return set(walked(spec, cluster, steps))


def walked(spec: Spec, cluster: Cluster, steps: Sequence[Step]) -> list[Done]:
    """The same in order."""
    states = cluster.rest()
    down, active, seen = set[str](), set[str](), list[Done]()
    for step in _with_losses(spec, steps):
        if step.kind == "wait" and step.value == 0:
            continue
        t = round(step.at_ms * MS)
        states = cluster.later(states, t)
        function = spec.controls[step.name].function if step.name in spec.controls else ""
        letter = step.name if step.kind == "sensor" else function
        counts = step.kind in ("press", "sensor") or (
            step.kind == "release" and function in cluster.momentary
        )
        if counts and letter in {*cluster.taps, *cluster.sensors}:
            seen.append((cluster.key(_Place(states, t, frozenset(down), frozenset(active))), letter))
        if step.kind == "sensor" and step.name in cluster.sensors:
            (active.add if step.value else active.discard)(step.name)
        if function in cluster.momentary:
            (down.add if step.kind == "press" else down.discard)(function)
        if step.kind in ("press", "release", "sensor", LOST):
            states = cluster.step(states, t, step.kind, step.name, step.value)
    return seen


def _with_losses(spec: Spec, steps: Sequence[Step]) -> list[Step]:
    """Each silence as what it brings: losses, and returns."""
    out, coming = list[Step](), list[tuple[float, str, str]]()
    gone: set[tuple[str, str]] = set()
    for step in steps:
        for row in [c for c in coming if c[0] <= step.at_ms]:
            out.append(Step(row[0], LOST, row[1], 1, ()))
            gone.add(row[1:])
        coming = sorted(c for c in coming if c[0] > step.at_ms)
        if step.kind != "silent":
            out.append(step)
        elif step.value:
            coming += [(step.at_ms + ms, name, step.name) for name, ms in loses(spec, step.name)]
        else:
            coming = [c for c in coming if c[2] != step.name]
            out += [Step(step.at_ms, LOST, name, 0, ()) for name, node in gone if node == step.name]
    return out


def waits(spec: Spec, circuits: Iterable[str]) -> bool:
    """Whether something ends by itself in these."""
    mine = set(circuits)
    return any(spec.circuits[c].auto_off for c in mine) or any(
        f.reset is not None and f.reset.after_s is not None
        for f in spec.functions.values()
        if set(f.circuits) & mine
    )


def missed(spec: Spec, plan: Mapping[str, Any], steps: Sequence[Step]) -> tuple[list[str], int]:
    """Clusters of a plan's file whose transitions are not all done, and how many were recounted."""
    oracle = Oracle(spec)
    by = {tuple(t["circuits"]): t["by"] for t in plan["toured"]}
    found, counted = [], 0
    for k, circuits in enumerate(oracle.clusters):
        if by.get(circuits) != "transitions" or waits(spec, circuits):
            continue
        cluster = Cluster(spec, oracle, k)
        wanted = reachable(cluster)
        if not wanted:
            continue
        counted += len(wanted)
        lacking = wanted - done(spec, cluster, steps)
        if lacking:
            found.append(f"{', '.join(circuits)}: {len(lacking)} of {len(wanted)} transitions")
    return found, counted


def missed_pairs(spec: Spec, plan: Mapping[str, Any], steps: Sequence[Step], played: Played) -> list[str]:
    """Clusters of a plan's file for which fewer pairs of values were there before a key than it says."""
    found = []
    for toured in plan["toured"]:
        if toured["by"] != "pairs":
            continue
        pairs = _pairs(spec, toured["circuits"], steps, played)
        if len(pairs) < toured["done"]:
            found.append(f"{', '.join(toured['circuits'])}: {len(pairs)} of {toured['done']} pairs")
    return found


def _pairs(spec: Spec, circuits: Sequence[str], steps: Sequence[Step], played: Played) -> set[Hashable]:
    title = f"transitions {', '.join(circuits)}: "
    sensors = {f.sensor for f in spec.forces if f.circuit in circuits}
    held = {f.name: 0 for f in spec.functions.values() if f.kind == "momentary" and f.members[0] in circuits}
    active, pairs = dict.fromkeys(sensors, 0), set[Hashable]()
    for step in steps:
        tag = next((t for t in step.covers if t.startswith(title)), None)
        if tag is not None:
            letter = tag.removeprefix(title).rpartition(" in ")[0]
            values: list[tuple[str, bool]] = [
                *((c, played.level(c, step.at_ms - 1.0) > 0) for c in circuits),
                *((f"key of {f}", n > 0) for f, n in held.items()),
                *((s, bool(on)) for s, on in active.items()),
            ]
            pairs.update((letter, pair) for pair in combinations(values, 2))
        if step.kind == "sensor" and step.name in active:
            active[step.name] = step.value
        function = spec.controls[step.name].function if step.name in spec.controls else ""
        if function in held:
            held[function] += 1 if step.kind == "press" else -1
    return pairs

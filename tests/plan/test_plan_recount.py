"""A plan's transitions recounted from its steps alone. States and letters are found here by another way than
in bench.plan: level by level, keyed by what the model tells of outputs and hidden variables."""

from collections import Counter
from itertools import pairwise
from pathlib import Path

import networkx as nx
import pytest

from bench.core.event import Event
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.spec import load_spec

DATA = Path(__file__).parents[2] / "bench" / "data"
BOATS = ("kittiwake", "dunlin", "fulmar", "turnstone", "greenshank")
MS = 1_000_000
SPAN = 600 * MS  # between two things done


class Cluster:
    """One cluster, stepped event by event at instants of its own."""

    def __init__(self, oracle, k):
        self.oracle, self.k = oracle, k

    def step(self, states, t_ns, kind, name, value):
        every = [[] for _ in self.oracle.clusters]
        every[self.k] = list(states)
        causes = [c for j, c in self.oracle.route(Event(t_ns, kind, name, value), every) if j == self.k]
        for cause in causes:
            states = [n for s in states for n in self.oracle.step(self.k, s, cause)]
        return self.later(states, t_ns)

    def later(self, states, t_ns):
        waiting, out = list(states), []
        while waiting:
            s = waiting.pop()
            due = self.oracle.next_due(self.k, s)
            if due is not None and due[1] <= t_ns:
                waiting += self.oracle.fire(self.k, s)
            else:
                out.append(s)
        return list(dict.fromkeys(out))

    def key(self, states, t_ns, down, active):
        """What can be told of a state: outputs, hidden variables (of a timer that it runs), keys, sensors."""
        told = set()
        for s in states:
            spans = tuple(c.span(t_ns, t_ns) for c in self.oracle.courses(self.k, s))
            hidden = self.oracle.hidden(self.k, s).items()
            rest = tuple(
                (n, () if n.startswith("timer") else v) for n, v in hidden if not n.startswith("held")
            )
            told.add((spans, rest))
        return frozenset(told), frozenset(down), frozenset(active)


def letters(spec, oracle, k):
    """function -> one of its controls, where all it switches lies in the cluster; and its sensors."""
    taps = {}
    for c in spec.controls.values():
        if {oracle.circuit_cluster[x] for x in spec.functions[c.function].circuits} == {k}:
            taps.setdefault(c.function, c.name)
    sensors = {f.sensor for f in spec.forces if oracle.circuit_cluster[f.circuit] == k}
    return taps, sensors


def reachable(spec, oracle, k):
    """(key, letter) of every state that can be reached without waiting, and whether these are all of them."""
    cluster, (taps, sensors) = Cluster(oracle, k), letters(spec, oracle, k)
    momentary = {f for f in taps if spec.functions[f].kind == "momentary"}
    start = ([oracle.rest(k)], 0, frozenset(), frozenset())
    seen, edge, found = {cluster.key(*start)}, [start], set()
    graph = nx.MultiDiGraph()
    while edge:
        after = []
        for states, t, down, active in edge:
            here = cluster.key(states, t, down, active)
            for name in [*taps, *sensors]:
                on, now, still = down, active, t + SPAN
                if name in sensors:
                    now = active ^ {name}
                    got = cluster.step(states, t, "sensor", name, int(name in now))
                elif name in momentary and name in down:
                    on = down - {name}
                    got = cluster.step(states, t, "release", taps[name], 0)
                else:
                    got = cluster.step(states, t, "press", taps[name], 1)
                    if name in momentary:
                        on = down | {name}
                    else:
                        got = cluster.step(
                            cluster.later(got, t + 120 * MS), t + 120 * MS, "release", taps[name], 0
                        )
                got = cluster.later(got, still)
                there = (got, still, on, now)
                found.add((here, name))
                graph.add_edge(here, cluster.key(*there), key=name)
                if cluster.key(*there) not in seen:
                    seen.add(cluster.key(*there))
                    after.append(there)
            if len(found) > 400:
                return found, graph, False
        edge = after
    return found, graph, True


def done(spec, oracle, plan, k):
    """(key, letter) of every step of the plan that reaches the cluster, and how often."""
    return Counter(walked(spec, oracle, plan, k))


def walked(spec, oracle, plan, k):
    """(key, letter) of every step of the plan that reaches the cluster, in order."""
    cluster, (taps, sensors) = Cluster(oracle, k), letters(spec, oracle, k)
    momentary = {f for f in taps if spec.functions[f].kind == "momentary"}
    states, down, active, seen = [oracle.rest(k)], set(), set(), []
    for step in plan.steps:
        if step.kind == "wait" and step.value == 0:
            continue
        t = round(step.at_ms * MS)
        states = cluster.later(states, t)
        function = spec.controls[step.name].function if step.name in spec.controls else None
        letter = step.name if step.kind == "sensor" else function
        counts = step.kind in ("press", "sensor") or (step.kind == "release" and function in momentary)
        if counts and letter in {*taps, *sensors}:
            seen.append((cluster.key(states, t, down, active), letter))
        if step.kind == "sensor" and step.name in sensors:
            (active.add if step.value else active.discard)(step.name)
        if function in momentary and function in taps:
            (down.add if step.kind == "press" else down.discard)(function)
        if step.kind in ("press", "release", "sensor"):
            states = cluster.step(states, t, step.kind, step.name, step.value)
    return seen


@pytest.mark.slow
@pytest.mark.parametrize("name", BOATS)
def test_every_transition_of_every_cluster_is_in_the_plan(name):
    spec = load_spec(DATA / f"{name}.yaml").spec
    oracle, plan = Oracle(spec), make_plan(spec)
    said = {t.circuits: t for t in plan.toured}
    whole = 0
    for k, circuits in enumerate(oracle.clusters):
        wanted, graph, all_of_it = reachable(spec, oracle, k)
        if not wanted or not all_of_it or has_timer(spec, circuits) or said[circuits].by == "pairs":
            continue
        whole += 1
        start = next(iter(graph))
        back = {n for n in graph if n == start or start in nx.descendants(graph, n)}
        missing = {(key, letter) for key, letter in wanted if key in back} - set(done(spec, oracle, plan, k))
        assert missing == set(), (circuits, len(missing), len(wanted))
    assert whole >= 3


def has_timer(spec, circuits):
    return any(spec.circuits[c].auto_off for c in circuits) or any(
        f.reset is not None and f.reset.after_s is not None
        for f in spec.functions.values()
        if set(f.circuits) & set(circuits)
    )


def paths(graph, length):
    """Every sequence of so many letters from every state from which there is a way back to rest."""
    start = next(iter(graph))
    home = {n for n in graph if n == start or start in nx.descendants(graph, n)}
    moves = [(a, b, letter) for a, b, letter in graph.edges(keys=True) if a in home and b in home]
    found = [((a, letter),) for a, b, letter in moves]
    to = {(a, letter): b for a, b, letter in moves}
    for _ in range(length - 1):
        found = [(*p, (a, letter)) for p in found for a, b, letter in moves if to[p[-1]] == a]
    return set(found), to


@pytest.mark.slow
@pytest.mark.parametrize(("name", "length"), [("kittiwake", 2), ("fulmar", 3)])
def test_every_sequence_of_keys_is_in_a_plan_made_for_it(name, length):
    spec = load_spec(DATA / f"{name}.yaml").spec
    oracle, plan = Oracle(spec), make_plan(spec, sequences=length)
    by_pairs = {t.circuits for t in plan.toured if t.by == "pairs"}
    whole, missed_by_tours = 0, 0
    for k, circuits in enumerate(oracle.clusters):
        wanted, graph, all_of_it = reachable(spec, oracle, k)
        if not wanted or not all_of_it or has_timer(spec, circuits) or circuits in by_pairs:
            continue
        if letters(spec, oracle, k)[1]:  # what a forced circuit goes back to is not among what is told here
            continue
        whole += 1
        every, to = paths(graph, length)
        assert every - windows(walked(spec, oracle, plan, k), to, length) == set(), circuits
        missed_by_tours += len(every - windows(walked(spec, oracle, make_plan(spec), k), to, length))
    assert whole >= 3
    assert missed_by_tours > 20  # what the plan is for


def windows(steps, to, length):
    """Sequences of steps each of which begins where the one before must have led."""
    parts = [steps[i : i + length] for i in range(len(steps) - length + 1)]
    return {tuple(p) for p in parts if all(to.get(a) == b[0] for a, b in pairwise(p))}

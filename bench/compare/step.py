"""Which matched stimuli met the same state in both sessions, so that their effects can be compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bench.compare.align import unmatched
from bench.compare.observe import Record, Stimulus
from bench.core.event import PRESS, RELEASE, SENSOR, SUPPLY
from bench.core.model import Model
from bench.spec.model import Spec

LEVEL_APART_PCT = 5.0  # levels further apart than this are another state; dimmers come to rest within it
ALIKE, OTHERWISE, CHANGING, UNKNOWN = "alike", "otherwise", "changing", "unknown"
MEMORY = ("position", "memory", "direction", "timer")  # hidden, and not undone by looking alike


@dataclass(frozen=True, slots=True)
class Pair:
    """A matched pair. `apart`: clusters that may then have stood otherwise in the two sessions."""

    a: int
    b: int
    apart: frozenset[int]
    is_alike: bool


def in_step(a: Record, b: Record, pairs: Sequence[tuple[int, int]]) -> list[Pair]:
    """Each pair with what was apart at that moment.

    A cluster is apart from the start, and from a stimulus on that only one session has; it is in step
    again when both are seen alike with the same keys held and sensors active (where a rule can lock a
    circuit: also all off, since a locked circuit may remember a press), or, where it remembers what no report
    shows (a count, a dimmer's memory, a running timer), after the next common loss of supply that
    makes it forget.
    """
    walk = _Walk(a, b)
    gaps_a = unmatched(len(a.stimuli), [i for i, _ in pairs])
    gaps_b = unmatched(len(b.stimuli), [j for _, j in pairs])
    out, at_a, at_b = [], 0, 0
    for i, j in pairs:
        while at_a < len(gaps_a) and gaps_a[at_a] < i:
            walk.alone(0, a.stimuli[gaps_a[at_a]])
            at_a += 1
        while at_b < len(gaps_b) and gaps_b[at_b] < j:
            walk.alone(1, b.stimuli[gaps_b[at_b]])
            at_b += 1
        out.append(walk.together(i, j))
    return out


class _Walk:
    def __init__(self, a: Record, b: Record) -> None:
        self._records = a, b
        self._apart = set(range(len(a.model.clusters)))
        self._held: tuple[set[str], set[str]] = (set(), set())  # keys down, sensors active
        self._hidden = [_hidden(a.model, k) for k in range(len(a.model.clusters))]
        self._calm_ns = round(2e6 * max((x.respond_ms for x in a.spec.boxes.values()), default=0.0))
        lasting = (PRESS, SENSOR)
        self._reach = {s.name: s.reached for r in (a, b) for s in r.stimuli if s.kind in lasting}
        self._locks = [_can_lock(a.spec, names) for names in a.model.clusters]

    def alone(self, side: int, stimulus: Stimulus) -> None:
        """A stimulus that the other session does not have."""
        self._hold(side, stimulus)
        self._apart |= stimulus.reached

    def together(self, i: int, j: int) -> Pair:
        """A matched pair."""
        left, right = self._records[0].stimuli[i], self._records[1].stimuli[j]
        is_sure = True
        for cluster in left.reached:
            alike = self._alike(cluster, left, right)
            if alike == OTHERWISE:
                self._apart.add(cluster)
            elif alike == ALIKE and not self._hidden[cluster]:
                self._apart.discard(cluster)
            is_sure = is_sure and alike != CHANGING
        is_alike = is_sure and not left.reached & self._apart
        made = Pair(i, j, frozenset(self._apart), is_alike)
        self._hold(0, left)
        self._hold(1, right)
        if left.kind == SUPPLY and not left.value:
            forgets = [k for k in left.reached if self._forgets(k)]
            self._apart.difference_update(forgets)
            return Pair(i, j, frozenset(self._apart), True)
        return made

    def _hold(self, side: int, stimulus: Stimulus) -> None:
        if stimulus.kind == PRESS or (stimulus.kind == SENSOR and stimulus.value):
            self._held[side].add(stimulus.name)
        elif stimulus.kind in (RELEASE, SENSOR):
            self._held[side].discard(stimulus.name)

    def _alike(self, cluster: int, left: Stimulus, right: Stimulus) -> str:
        """Whether both were seen in the same state."""
        held = [{c for c in keys if cluster in self._reach.get(c, ())} for keys in self._held]
        if held[0] != held[1]:
            return OTHERWISE
        if left.kind == RELEASE:  # it meets what its press just did
            return UNKNOWN
        said = UNKNOWN if self._locks[cluster] and held[0] else ALIKE
        for circuit in self._records[0].model.clusters[cluster]:
            for kind, most in (("state", 0.0), ("level", LEVEL_APART_PCT)):
                x, x_before = self._seen(0, f"{kind}:{circuit}", left.t_ns)
                y, y_before = self._seen(1, f"{kind}:{circuit}", right.t_ns)
                if x is None or y is None:
                    said = said if kind == "level" else UNKNOWN
                elif abs(x - y) > most:
                    if x == x_before and y == y_before:
                        return OTHERWISE
                    return CHANGING
                elif kind == "state" and (x != x_before or y != y_before or (x and self._locks[cluster])):
                    said = UNKNOWN
        return said

    def _seen(self, side: int, signal: str, t_ns: int) -> tuple[float | None, float | None]:
        """Last reported value, and the one before the time a change may take."""
        course = self._records[side].courses.get(signal)
        return (course.at(t_ns), course.at(t_ns - self._calm_ns)) if course else (None, None)

    def _forgets(self, cluster: int) -> bool:
        return all(_is_lost_with_supply(self._records[0].spec, name) for name in self._hidden[cluster])


def _can_lock(spec: Spec, names: Sequence[str]) -> bool:
    """Whether a rule may keep a press from an output of the cluster, so that it is remembered unseen."""
    forced = {r.circuit for r in spec.forces}
    led = {r.circuit for r in spec.follows} | {r.circuit for r in spec.inhibits}
    return bool((forced | led) & set(names))


def _hidden(model: Model, cluster: int) -> tuple[str, ...]:
    """What the cluster can remember that no report shows, named as the model names it."""
    names = {n for state in model.unknown(cluster, 0) for n in model.hidden(cluster, state)}
    return tuple(n for n in sorted(names) if n.partition(" ")[0] in MEMORY)


def _is_lost_with_supply(spec: Spec, hidden: str) -> bool:
    kind, _, subject = hidden.partition(" ")
    if kind == "position":
        reset = spec.functions[subject].reset
        return reset is not None and "wake" in reset.on
    if kind == "memory":
        dim = spec.circuits[subject].dim
        return dim is not None and dim.memory != "kept_through_supply_loss"
    return True
